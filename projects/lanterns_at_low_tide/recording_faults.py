"""What rooms, cables and microphones add to a recording: the faults a mix has to deal with."""

from __future__ import annotations

from zlib import crc32

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, iirpeak, lfilter, sosfilt
from score import RATE_HZ

Audio = NDArray[np.float32]


def generator(name: str) -> np.random.Generator:
    """Return a random generator that is the same on every run for the same name."""
    return np.random.default_rng([2209, crc32(name.encode())])


def decibels(value_db: float) -> float:
    """Return the linear factor of a level in dB.

    >>> decibels(20.0)
    10.0
    """
    return float(10.0 ** (value_db / 20.0))


def seconds_of_silence(seconds: float) -> Audio:
    """Return so many seconds of digital silence."""
    return np.zeros(round(seconds * RATE_HZ), dtype=np.float32)


def add_at(buffer: Audio, sound: NDArray[np.floating], seconds: float, gain: float = 1.0) -> None:
    """Add a sound into a buffer from a time on; what falls outside is cut."""
    start = round(seconds * RATE_HZ)
    skip = max(0, -start)
    start = max(0, start)
    length = min(len(sound) - skip, len(buffer) - start)
    if length > 0:
        buffer[start : start + length] += (gain * sound[skip : skip + length]).astype(np.float32)


def filtered(sound: NDArray[np.floating], kind: str, hz: float, order: int = 2) -> Audio:
    """Return a sound through a low-pass (``low``) or high-pass (``high``)."""
    sos = butter(order, hz, kind, fs=RATE_HZ, output="sos")
    return np.asarray(sosfilt(sos, sound, axis=0), dtype=np.float32)


def band(sound: NDArray[np.floating], low_hz: float, high_hz: float, order: int = 2) -> Audio:
    """Return what lies between two frequencies."""
    sos = butter(order, (low_hz, high_hz), "bandpass", fs=RATE_HZ, output="sos")
    return np.asarray(sosfilt(sos, sound, axis=0), dtype=np.float32)


def build_up(sound: Audio, hz: float, gain_db: float, q: float) -> Audio:
    """Return a sound with a bump in its response, as a small room or a close mic makes it."""
    numerator, denominator = iirpeak(hz, q, fs=RATE_HZ)
    bump = lfilter(numerator, denominator, sound, axis=0)
    return np.asarray(sound + (decibels(gain_db) - 1.0) * bump, dtype=np.float32)


def room_noise(length: int, level_db: float, rng: np.random.Generator) -> Audio:
    """Return the noise of a quiet room and its preamplifier, at an RMS level in dBFS."""
    # Twelve seconds, repeated: that low, nobody hears them come round, and it saves a second.
    noise = rng.standard_normal(min(length, 12 * RATE_HZ), dtype=np.float32)
    dark = np.asarray(lfilter([0.08], [1.0, -0.92], noise), dtype=np.float32) + 0.1 * noise
    level = np.asarray(decibels(level_db) * dark / np.std(dark), dtype=np.float32)
    return np.resize(level, length)


def rumble(length: int, level_db: float, rng: np.random.Generator) -> Audio:
    """Return footfalls and traffic below 60 Hz, at an RMS level in dBFS, coming and going."""
    slow = rng.standard_normal(length // 480 + 2)
    low = np.asarray(sosfilt(butter(2, (0.22, 0.85), "bandpass", output="sos"), slow))
    swell = 1.0 + 0.6 * np.sin(np.linspace(0.0, 23.0, len(low)))
    fine = np.interp(np.arange(length) / 480.0, np.arange(len(low)), low * swell)
    # The straight lines between the slow points leave images above 60 Hz, which rumble has not.
    smooth = filtered(fine, "low", 55.0, 4)
    return np.asarray(decibels(level_db) * smooth / np.std(smooth), dtype=np.float32)


def hum(length: int, level_db: float) -> Audio:
    """Return mains hum, 50 Hz and its harmonics, with the fundamental's RMS level in dBFS."""
    phase = 2.0 * np.pi * np.arange(RATE_HZ // 50) * 50.0 / RATE_HZ
    amounts = ((1, 1.0), (2, 0.35), (3, 0.6), (5, 0.3), (7, 0.15))
    wave = sum(amount * np.sin(order * phase + order) for order, amount in amounts)
    cycle = np.asarray(decibels(level_db) * np.sqrt(2.0) * wave, dtype=np.float32)
    return np.resize(cycle, length)


def spill(source: Audio, level_db: float, delay_ms: float, low_pass_hz: float) -> Audio:
    """Return a neighbour as another microphone hears it: later, duller and quieter."""
    delay = round(delay_ms * RATE_HZ / 1000.0)
    dull = filtered(source, "low", low_pass_hz, 1)
    return np.asarray(
        decibels(level_db) * np.concatenate([np.zeros(delay), dull[: len(dull) - delay]]),
        dtype=np.float32,
    )
