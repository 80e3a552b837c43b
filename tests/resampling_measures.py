"""Figures of the conversion between sample rates, for tests and for whoever documents it.

Everything goes the way a stem goes: through a file and the reader. Test tones have whole numbers
of Hz, so that one second from the middle holds whole periods at any rate, and a plain Fourier
transform reads them, and all that they give rise to, without leakage. Signals have shape
``(samples,)``.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from mixwright.audio import StemReader, probe

Samples = NDArray[np.float64]

BLOCK = 4096
LONG_S = 3.0


def as_read(folder: Path, signal: Samples, from_hz: int, to_hz: int, start: int = 0) -> Samples:
    """Return a signal written at one rate and read at another, from sample `start` on."""
    path = folder / "signal.wav"
    soundfile.write(path, signal, from_hz, subtype="DOUBLE")
    frames = len(signal) * to_hz // from_hz - start
    with contextlib.closing(StemReader(probe(path), to_hz, start=start)) as reader:
        sizes = [min(BLOCK, frames - at) for at in range(0, frames, BLOCK)]
        return np.concatenate([reader.read(np.empty((size, 1)))[:, 0].copy() for size in sizes])


def tones(hz: Sequence[int], rate_hz: int, seconds: float = LONG_S) -> Samples:
    """Return the sum of sines of amplitude ``1 / len(hz)``.

    The k-th starts at k^2 radians: all at 0, they would make one large pulse.
    """
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    parts = [np.sin(2 * np.pi * f * time + k**2) for k, f in enumerate(hz)]
    return np.asarray(sum(parts) / len(hz))


def middle_spectrum(signal: Samples, rate_hz: int) -> NDArray[np.complex128]:
    """Return the complex amplitude of every whole Hz over the second second of a signal."""
    return np.asarray(np.fft.rfft(signal[rate_hz : 2 * rate_hz]) * 2.0 / rate_hz)


def tone_response(
    folder: Path, hz: Sequence[int], from_hz: int, to_hz: int
) -> tuple[Samples, Samples]:
    """Return gain (dB) and delay (samples at `to_hz`) of the conversion at whole frequencies."""
    played = tones(hz, from_hz)
    sent = middle_spectrum(played, from_hz)[list(hz)]
    found = middle_spectrum(as_read(folder, played, from_hz, to_hz), to_hz)[list(hz)]
    ratio = found / sent
    delay = -np.angle(ratio) / (2.0 * np.pi * np.asarray(hz)) * to_hz
    return np.asarray(20.0 * np.log10(np.abs(ratio))), delay


def rejection_db(folder: Path, hz: int, from_hz: int, to_hz: int) -> float:
    """Return by how much everything that was not there is below a tone, in dB.

    What was there is the tone at its own frequency, where `to_hz` can hold it. The strongest
    line counts, be it an image, an alias or a rounding error.
    """
    found = np.abs(middle_spectrum(as_read(folder, tones([hz], from_hz), from_hz, to_hz), to_hz))
    if hz < to_hz / 2:
        found[hz] = 0.0
    return float(-20.0 * np.log10(found.max()))
