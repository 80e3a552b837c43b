"""Room-acoustic figures of an impulse response, for tests and for whoever documents reverbs.

Independent of the engine: numpy and scipy only. Responses are one channel, shape ``(samples,)``,
unless a function says otherwise. Definitions: ISO 3382-1:2009 (decay times, clarity), IEC 61260-1
(octave bands), J. Abel and P. Huang, "A Simple, Robust Measure of Reverberation Echo Density",
AES 121st Convention, 2006 (echo density).
"""

from __future__ import annotations

import numpy as np
import scipy.signal
import scipy.special
from numpy.typing import NDArray

Samples = NDArray[np.float64]

OCTAVES_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
LEAD_S = 0.1
# Of Gaussian samples, the share beyond one standard deviation.
GAUSSIAN_SHARE = float(scipy.special.erfc(1.0 / np.sqrt(2.0)))


def octave_band(samples: Samples, hz: float, rate_hz: int, reverse: bool = True) -> Samples:
    """Return one octave of a response: Butterworth, 24 dB per octave on each side.

    Filtered backwards in time, as ISO 3382-1 allows: the filter's own ringing then runs ahead of
    the sound, and the decay stays that of the room down to short ones. `LEAD_S` of silence is put
    before the response for it. Works on axis 0.
    """
    edges = [hz / np.sqrt(2.0), hz * np.sqrt(2.0)]
    sections = scipy.signal.butter(4, edges, "bandpass", fs=rate_hz, output="sos")
    lead = np.zeros((round(LEAD_S * rate_hz), *samples.shape[1:]))
    turn = -1 if reverse else 1
    led = np.concatenate([lead, samples])
    return np.asarray(scipy.signal.sosfilt(sections, led[::turn], axis=0)[::turn])


def decay_curve_db(samples: Samples) -> Samples:
    """Return Schroeder's backward-integrated energy in dB, 0 at the start."""
    energy = np.cumsum(samples[::-1] ** 2)[::-1]
    return np.asarray(10.0 * np.log10(np.maximum(energy / energy[0], 1e-30)))


def decay_time_s(
    samples: Samples, rate_hz: int, first_db: float = -5.0, last_db: float = -35.0
) -> float:
    """Return T30 in seconds (T20 with ``last_db=-25``): -60 dB over the least-squares slope."""
    level = decay_curve_db(samples)
    first, last = int(np.argmax(level <= first_db)), int(np.argmax(level <= last_db))
    slope = np.polyfit(np.arange(first, last) / rate_hz, level[first:last], 1)[0]
    return float(-60.0 / slope)


def octave_decay_times_s(impulse: Samples, rate_hz: int) -> dict[float, list[float]]:
    """Return T30 in seconds by octave and channel of a response ``(samples, channels)``."""
    found = {}
    for hz in OCTAVES_HZ:
        band = octave_band(impulse, hz, rate_hz)
        found[hz] = [decay_time_s(side, rate_hz) for side in band.T]
    return found


def clarity_db(samples: Samples, rate_hz: int, early_ms: float = 80.0) -> float:
    """Return C80 in dB: energy before `early_ms` against the rest (ISO 3382-1, annex A)."""
    split = round(early_ms * rate_hz / 1000.0)
    return float(10.0 * np.log10(np.sum(samples[:split] ** 2) / np.sum(samples[split:] ** 2)))


def echo_density(samples: Samples, rate_hz: int, window_ms: float = 20.0) -> Samples:
    """Return the normalised echo density at every millisecond, by the middle of its window.

    Share of the samples in a Hann window that are beyond its (weighted) standard deviation, over
    what that share is for Gaussian noise: near 0 for a few echoes, 1 when they are dense.
    """
    half = round(window_ms * rate_hz / 2000.0)
    weight = np.hanning(2 * half + 1)
    weight /= weight.sum()
    padded = np.concatenate([np.zeros(half), samples, np.zeros(half)])
    density = []
    for middle in range(0, len(samples), rate_hz // 1000):
        part = padded[middle : middle + 2 * half + 1]
        deviation = np.sqrt(np.sum(weight * part**2))
        density.append(np.sum(weight[np.abs(part) > deviation]) / GAUSSIAN_SHARE)
    return np.array(density)


def loudest_line_db(samples: Samples, rate_hz: int) -> float:
    """Return by how many dB the strongest spectral line stands over its third-octave, 100-10k Hz.

    A measure of ringing. `samples` is a stretch of a tail whose decay has been undone (see
    :func:`without_decay`). Lines of Gaussian noise have exponentially distributed power, so that
    among `n` of them the strongest is near ``10 lg(ln n + 0.58)`` dB, and with a chance of 1 in
    1000 beyond ``10 lg(ln(1000 n))`` dB; see :func:`line_limit_db`.
    """
    power = np.abs(np.fft.rfft(samples)) ** 2
    hz = np.fft.rfftfreq(len(samples), 1.0 / rate_hz)
    total = np.concatenate([[0.0], np.cumsum(power)])
    inside = np.flatnonzero((hz >= 100.0) & (hz <= 10000.0))
    first = np.searchsorted(hz, hz[inside] * 2.0 ** (-1.0 / 6.0))
    last = np.searchsorted(hz, hz[inside] * 2.0 ** (1.0 / 6.0))
    around = (total[last] - total[first]) / (last - first)
    return float(10.0 * np.log10(np.max(power[inside] / around)))


def line_limit_db(count: int, rate_hz: int) -> float:
    """Return what :func:`loudest_line_db` of `count` Gaussian samples exceeds once in 1000."""
    lines = (10000.0 - 100.0) * count / rate_hz
    return float(10.0 * np.log10(np.log(1000.0 * lines)))


def without_decay(samples: Samples, decay_s: float, rate_hz: int) -> Samples:
    """Return `samples` with an exponential decay of 60 dB in `decay_s` undone."""
    seconds = np.arange(len(samples)) / rate_hz
    return np.asarray(samples * 10.0 ** (3.0 * seconds / decay_s))


def channel_correlation(impulse: Samples) -> float:
    """Return the correlation of the two sides of ``(samples, 2)``, -1 to 1, at zero lag."""
    left, right = impulse.T
    return float(np.sum(left * right) / np.sqrt(np.sum(left**2) * np.sum(right**2)))


def octave_correlations(impulse: Samples, rate_hz: int) -> dict[float, float]:
    """Return :func:`channel_correlation` by octave from 250 Hz to 8 kHz."""
    return {
        hz: channel_correlation(octave_band(impulse, hz, rate_hz))
        for hz in OCTAVES_HZ
        if hz >= 250.0
    }
