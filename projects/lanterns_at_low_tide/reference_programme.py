"""A quarter of a minute of plausible, finished-sounding music to compare tone and level with.

It shares no note and no sound with the song: shaped noise, a low pulse and slow organ-like chords,
balanced to the slope that finished mixes tend to have (about 4.5 dB per octave downwards).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from recording_faults import decibels, generator
from score import RATE_HZ, frequency_hz

SECONDS = 15.0


def _sloped_noise(rng: np.random.Generator, length: int) -> NDArray[np.float64]:
    """Return noise that falls with frequency as music does, open from 40 Hz to 16 kHz."""
    hz = np.fft.rfftfreq(length, 1.0 / RATE_HZ) + 1e-9
    slope = (hz / 100.0) ** -0.75
    edges = 1.0 / (1.0 + (38.0 / hz) ** 4) / (1.0 + (hz / 15000.0) ** 4)
    spectrum = np.fft.rfft(rng.standard_normal(length)) * slope * edges
    wave = np.fft.irfft(spectrum, length)
    return wave / np.std(wave)


def _pulse(time: NDArray[np.float64], every_s: float, hz: float, decay_s: float) -> NDArray:
    inside = time % every_s
    return np.sin(2 * np.pi * hz * inside) * np.exp(-inside / decay_s)


def _chords(time: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return two slow chords that take turns."""
    turn = 0.5 + 0.5 * np.tanh(8.0 * np.sin(2 * np.pi * time / 5.0))
    wave = np.zeros(len(time))
    for notes, share in (((45, 57, 60, 64, 69), turn), ((41, 53, 57, 60, 65), 1.0 - turn)):
        for note in notes:
            for order in range(1, 7):
                phase = 2 * np.pi * order * frequency_hz(note) * time + note
                wave += share * np.sin(phase) / order**1.3
    return wave / np.std(wave)


def reference_programme(seconds: float = SECONDS) -> NDArray[np.float64]:
    """Return the reference as stereo samples, peaking near -1.5 dBFS with some density."""
    rng = generator("reference programme")
    length = round(seconds * RATE_HZ)
    time = np.arange(length) / RATE_HZ
    beat = 0.35 + 0.65 * np.exp(-(time % 0.5) / 0.12)
    chords = _chords(time)
    middle = 0.5 * chords + 0.55 * _sloped_noise(rng, length) * beat
    middle += 1.6 * _pulse(time, 1.0, 58.0, 0.15)
    side = 0.3 * _sloped_noise(rng, length) * beat + 0.12 * np.roll(chords, 700)
    stereo = np.stack([middle + side, middle - side], axis=1)
    dense = np.tanh(0.55 * stereo)
    fade = np.minimum(1.0, np.minimum(time, time[-1] - time) / 0.05)
    return dense / np.max(np.abs(dense)) * decibels(-1.5) * fade[:, None]
