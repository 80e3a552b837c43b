"""Figures of quantising noise, for tests and for whoever documents dither.

Noise is one channel, shape ``(samples,)``, amplitude 1.0 being full scale. Weightings are
functions of an array of frequencies (Hz) that return dB.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from mixwright.dsp.dither import Quantiser

Samples = NDArray[np.float64]
Weighting = Callable[[Samples], Samples]

# ISO 226:2003, Table 1, threshold of hearing in dB SPL by frequency in Hz, as the package mosqito
# has it; ISO 226:2023 has 78.1 at 20 Hz and is the same elsewhere, as the package phonometry has
# it.
ISO_226_THRESHOLD = {
    20.0: 78.5,
    25.0: 68.7,
    31.5: 59.5,
    40.0: 51.1,
    50.0: 44.0,
    63.0: 37.5,
    80.0: 31.5,
    100.0: 26.5,
    125.0: 22.1,
    160.0: 17.9,
    200.0: 14.4,
    250.0: 11.4,
    315.0: 8.6,
    400.0: 6.2,
    500.0: 4.4,
    630.0: 3.0,
    800.0: 2.2,
    1000.0: 2.4,
    1250.0: 3.5,
    1600.0: 1.7,
    2000.0: -1.3,
    2500.0: -4.2,
    3150.0: -6.0,
    4000.0: -5.4,
    5000.0: -1.5,
    6300.0: 6.0,
    8000.0: 12.6,
    10000.0: 13.9,
    12500.0: 12.3,
}


def quantising_error(
    signal: Samples, bits: int, seed: int = 7, shaped: bool = False, rate_hz: int = 48000
) -> Samples:
    """Return what the quantiser adds to a signal ``(frames, channels)``, same shape."""
    found = Quantiser(bits, seed, shaped, rate_hz).quantise(signal)
    return np.asarray(found / 2.0**31 - signal)


def level_dbfs(noise: Samples) -> float:
    """Return the RMS level re amplitude 1.0, in dB."""
    return float(10.0 * np.log10(np.mean(noise**2)))


def noise_spectrum(noise: Samples, rate_hz: int, size: int = 4096) -> tuple[Samples, Samples]:
    """Return frequencies (Hz) and power density (full scale squared per Hz), by Welch's method."""
    hz, density = scipy.signal.welch(noise, rate_hz, "hann", size, detrend=False)
    return np.asarray(hz), np.asarray(density)


def weighted_level_dbfs(noise: Samples, rate_hz: int, weighting: Weighting) -> float:
    """Return the RMS level in dB after a weighting, up to half the rate."""
    hz, density = noise_spectrum(noise, rate_hz)
    weight = 10.0 ** (0.1 * weighting(hz))
    return float(10.0 * np.log10(np.sum(density * weight) * (hz[1] - hz[0])))


def least_change_db(rate_hz: int, weighting: Weighting) -> float:
    """Return the most by which any noise shaping can change white noise's weighted level (dB).

    The mean of the noise's level over frequency can't fall (Gerzon, Craven, AES 87th Convention,
    1989). So the best is noise that is the same everywhere after the weighting: the geometric mean
    of the weight over its arithmetic one.
    """
    hz = np.linspace(1.0, 0.5 * rate_hz, 100_000)
    level = weighting(hz)
    return float(np.mean(level) - 10.0 * np.log10(np.mean(10.0 ** (0.1 * level))))


def filter_gain_db(taps: Samples, hz: Samples, rate_hz: int) -> Samples:
    """Return the gain of ``taps[0] + taps[1] z^-1 + ...`` in dB."""
    _, response = scipy.signal.freqz(taps, worN=hz, fs=rate_hz)
    return np.asarray(20.0 * np.log10(np.abs(response)))


def a_weighting_db(hz: Samples) -> Samples:
    """A-weighting by the formula of IEC 61672-1:2013, annex E, 0 dB at 1 kHz."""
    square = np.maximum(hz, 1e-3) ** 2
    top = 12194.217**2 * square**2
    middle = np.sqrt((square + 107.65265**2) * (square + 737.86223**2))
    bottom = (square + 20.598997**2) * middle * (square + 12194.217**2)
    return np.asarray(2.0 + 20.0 * np.log10(top / bottom))


def itu_468_weighting_db(hz: Samples) -> Samples:
    """Noise weighting of ITU-R BS.468-4, 0 dB at 1 kHz.

    By the response of its network as a quotient, which the standard does not print; as in
    Wikipedia, "ITU-R 468 noise weighting". A test holds it to the standard's table.
    """
    hz = np.maximum(hz, 1e-3)
    even = (
        -4.737338981378384e-24 * hz**6
        + 2.043828333606125e-15 * hz**4
        - 1.363894795463638e-7 * hz**2
        + 1.0
    )
    odd = 1.306612257412824e-19 * hz**5 - 2.118150887518656e-11 * hz**3 + 5.559488023498642e-4 * hz
    return np.asarray(18.2 + 20.0 * np.log10(1.246332637532143e-4 * hz / np.hypot(even, odd)))


def iso_226_weighting_db(hz: Samples) -> Samples:
    """The inverse of the threshold of hearing where ISO 226 gives it; nothing is heard beyond."""
    known = np.array(list(ISO_226_THRESHOLD))
    threshold = np.interp(
        np.log(np.maximum(hz, 1e-3)), np.log(known), list(ISO_226_THRESHOLD.values())
    )
    inside = (hz >= known[0]) & (hz <= known[-1])
    return np.asarray(np.where(inside, -threshold, -200.0))
