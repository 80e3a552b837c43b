"""Signals to play through a processor, and what came out, read in plain numbers.

Signals are float64 blocks (frames, channels) or one channel (frames,), amplitude 1.0 being full
scale. What comes out of a processor is returned without its declared latency.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]

RATE_HZ = 48000
# Where a level would be minus infinity, this is said instead.
FLOOR_DB = -400.0


def played(settings: Any, block: Samples, rate_hz: int = RATE_HZ, size: int = 65536) -> Samples:
    """Return what a processor makes of a block (frames, channels), in time with it."""
    running = settings.start(rate_hz, block.shape[1])
    padded = np.concatenate([block, np.zeros((running.latency, block.shape[1]))])
    parts = [running.process(padded[at : at + size].copy()) for at in range(0, len(padded), size)]
    return np.concatenate(parts)[running.latency :]


def sine(hz: float, frames: int, level_db: float = 0.0, rate_hz: int = RATE_HZ) -> Samples:
    """Return a sine of that peak level in dBFS, one channel."""
    turn = 2.0 * np.pi * hz / rate_hz * np.arange(frames)
    return np.asarray(10.0 ** (level_db / 20.0) * np.sin(turn))


def column(channel: Samples) -> Samples:
    """Return one channel as a block (frames, 1)."""
    return np.ascontiguousarray(channel[:, None])


def both_sides(channel: Samples) -> Samples:
    """Return one channel as a stereo block (frames, 2) with the same on both sides."""
    return np.repeat(channel[:, None], 2, axis=1)


def decibels(amplitude: Samples | float) -> Samples:
    """Return the level of amplitudes in dB, at least `FLOOR_DB`."""
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(amplitude), 10.0 ** (FLOOR_DB / 20.0))))


def power_db(block: Samples) -> float:
    """Return the RMS level in dB re amplitude 1.0."""
    return float(10.0 * np.log10(max(float(np.mean(block**2)), 10.0 ** (FLOOR_DB / 10.0))))


def difference_db(one: Samples, other: Samples) -> float:
    """Return the power of the difference of two blocks in dB re that of the second."""
    return max(power_db(one - other) - power_db(other), FLOOR_DB)


def response(settings: Any, rate_hz: int, frames: int = 1 << 16) -> tuple[Samples, Samples]:
    """Return frequencies in Hz and magnitude in dB of a linear processor, from its impulse."""
    block = np.zeros((frames, 1))
    block[0] = 1.0
    spectrum = np.fft.rfft(played(settings, block, rate_hz)[:, 0])
    return frequencies(frames, rate_hz), decibels(np.abs(spectrum))


def frequencies(frames: int, rate_hz: int = RATE_HZ) -> Samples:
    """Return the frequencies in Hz of the lines of a real spectrum."""
    return np.asarray(np.fft.rfftfreq(frames, 1.0 / rate_hz), dtype=np.float64)


def pink(frames: int, seed: int, rms: float = 0.05) -> Samples:
    """Return noise of equal power in each octave, one channel, of that RMS amplitude."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(frames))
    shaped = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(len(spectrum)), 1.0)), frames)
    return np.asarray(shaped * rms / shaped.std())
