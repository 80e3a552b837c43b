"""True peak against EBU Tech 3341 (v4), ITU-R BS.1770-5 and ideal interpolation; then its laws."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from mixwright.meters import SoundMeter
from mixwright.meters.peak import half_band

RATES_HZ = (44100, 48000, 88200, 96000, 192000)
at_each_rate = pytest.mark.parametrize("rate_hz", RATES_HZ)


def decibels(amplitude: float) -> float:
    return 20.0 * math.log10(amplitude)


def read(signal: NDArray[np.float64]) -> float:
    """The true peak in dB."""
    return peaks(signal)[1]


def peaks(signal: NDArray[np.float64]) -> tuple[float, float]:
    """The sample peak and the true peak in dB."""
    frames = signal if signal.ndim == 2 else signal[:, None]
    meter = SoundMeter(48000, frames.shape[1])
    meter.feed(frames)
    readings = meter.readings()
    return readings.sample_peak_dbfs, readings.true_peak_dbtp


def ideal(signal: NDArray[np.float64]) -> float:
    """The peak in dB of the signal at 32 times its rate, by its spectrum, silence around it."""
    padded = np.pad(signal, 2048)
    dense = np.fft.irfft(np.fft.rfft(padded), 32 * len(padded)) * 32
    return decibels(float(np.abs(dense).max()))


def faded(signal: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    """Fade in and out over 10 ms, as the cases of Tech 3341 are."""
    n = np.arange(len(signal))
    return signal * np.clip(np.minimum(n, n[::-1]) / (0.01 * rate_hz), 0.0, 1.0)


@at_each_rate
@pytest.mark.parametrize(
    ("divisor", "phase_deg", "amplitude", "expected", "sample_peak"),
    [  # Tech 3341 cases 15 to 19: +0.2/-0.4 dB. The sample peaks are those of the phases.
        (4, 0.0, 0.50, -6.0, -6.02),
        (4, 45.0, 0.50, -6.0, -9.03),
        (6, 60.0, 0.50, -6.0, -7.27),
        (8, 67.5, 0.50, -6.0, -6.71),
        (4, 45.0, 1.41, 3.0, -0.03),
    ],
)
def test_3341_cases_15_to_19(
    divisor: int,
    phase_deg: float,
    amplitude: float,
    expected: float,
    sample_peak: float,
    rate_hz: int,
) -> None:
    n = np.arange(rate_hz // 5)
    signal = amplitude * np.sin(2 * np.pi * n / divisor + np.radians(phase_deg))
    signal = faded(signal, rate_hz)
    assert decibels(float(np.abs(signal).max())) == pytest.approx(sample_peak, abs=0.01)
    assert read(signal) == pytest.approx(decibels(amplitude), abs=0.01)
    assert -0.4 <= read(signal) - expected <= 0.2


@at_each_rate
@pytest.mark.parametrize(
    ("offset", "sample_peak"), [(0, -0.132), (1, -0.478), (2, -2.531), (3, -0.478)]
)
def test_3341_cases_20_to_23(offset: int, sample_peak: float, rate_hz: int) -> None:
    # Made at four times the rate: a sixth of it at 0.50, one period of a quarter at 1.00 between.
    around = 0.5 * np.sin(2 * np.pi * np.arange(24 * 400) / 24)
    signal = np.concatenate([around, np.sin(2 * np.pi * np.arange(16) / 16), around])
    low_pass = scipy.signal.firwin(641, 0.95 / 4, window=("kaiser", 8.0))
    signal = faded(np.convolve(signal, low_pass, "same"), rate_hz * 2)[offset::4]
    assert decibels(float(np.abs(signal).max())) == pytest.approx(sample_peak, abs=0.02)
    assert -0.4 <= read(signal) <= 0.2
    assert read(signal) == pytest.approx(ideal(signal), abs=0.03)


def test_no_tone_up_to_20_khz_at_44_1_khz_hides_its_peak() -> None:
    # The awkward ones are simple fractions of the rate, whose phases never move. Four times alone
    # leaves 0.554 dB at 0.45 of the rate (BS.1770-5, Attachment 1 to Annex 2).
    n = np.arange(3000)
    fade = 0.5 - 0.5 * np.cos(np.pi * np.clip(np.minimum(n, n[::-1]) / 1000, 0, 1))
    fractions = {Fraction(k, m) for m in range(2, 25) for k in range(1, m)}
    tried = [f for f in fractions if f <= Fraction(20000, 44100)]
    assert len(tried) > 60
    tried += [Fraction(9, 20), Fraction(20000, 44100)]
    for fraction in tried:
        for phase in np.linspace(0.0, np.pi, 7):
            found = read(fade * np.sin(2 * np.pi * float(fraction) * n + phase))
            assert -0.03 < found < 0.03, fraction


def limited(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take away what lies above 20 kHz at 44.1 kHz: no filter of a converter is flat up there."""
    low_pass = scipy.signal.butter(16, 20000 / 22050, output="sos")
    return np.asarray(scipy.signal.sosfilt(low_pass, signal))


def like_music(seed: int, kind: str) -> NDArray[np.float64]:
    random = np.random.default_rng(seed)
    noise = random.standard_normal(8192)
    if kind == "white":
        return limited(noise)
    if kind == "two levels":
        return limited(np.sign(noise))
    spectrum = np.fft.rfft(noise)
    pink = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(len(spectrum)), 1.0)))
    if kind == "pink":
        return limited(pink)
    if kind == "clipped":
        return limited(np.clip(pink, -1.2 * pink.std(), 1.2 * pink.std()))
    hits = np.exp(-(np.arange(8192) % 2048) / 200.0)
    return limited(noise * hits + 3.0 * pink / pink.std() * hits**0.3)


@pytest.mark.parametrize("kind", ["white", "two levels", "pink", "clipped", "hits"])
def test_ideal_interpolation_finds_hardly_more(kind: str) -> None:
    long = scipy.signal.firwin(32 * 256 + 1, 1 / 32, window=("kaiser", 9.0))
    for seed in range(6):
        signal = like_music(seed, kind)
        found = read(signal)
        assert -0.05 < found - ideal(signal) < 0.05
        dense = scipy.signal.resample_poly(np.pad(signal, 300), 32, 1, window=long)
        assert -0.05 < found - decibels(float(np.abs(dense).max())) < 0.05


def test_the_interpolator_is_what_it_says() -> None:
    # Responses of the two steps, from their taps: flat to 20 kHz at 44.1 kHz, and to half of that
    # at twice the rate.
    for taps, edge in ((half_band(24, 5.0), 20000 / 44100), (half_band(6, 6.0), 10000 / 44100)):
        at = np.arange(len(taps)) + 0.5
        freq = np.linspace(0.0, edge, 500)
        gain = 2.0 * (taps * np.cos(2 * np.pi * freq[:, None] * at)).sum(axis=1)
        assert np.abs(20 * np.log10(gain)).max() < 0.04


def test_it_is_never_below_the_sample_peak_wherever_that_is() -> None:
    for place in (0, 1, 30, 255, 256, 999):
        for value in (0.3, -0.3):
            signal = np.zeros((1000, 2))
            signal[place, place % 2] = value
            sample, true = peaks(signal)
            assert true >= sample == decibels(0.3)
            assert true < decibels(0.31)


def test_what_lies_after_the_last_sample_counts() -> None:
    signal = np.tile([1.0, 1.0, -1.0, -1.0], 50)[:199]
    whole, silent = SoundMeter(48000, 1), SoundMeter(48000, 1)
    whole.feed(signal[:, None])
    silent.feed(np.concatenate([signal, np.zeros(100)])[:, None])
    found = silent.readings().true_peak_dbtp
    assert whole.readings().true_peak_dbtp == found > decibels(1.3)
    whole.feed(np.zeros((100, 1)))  # asking changes nothing
    assert whole.readings().true_peak_dbtp == found


@pytest.mark.parametrize("channels", [1, 2])
def test_any_blocks_give_the_same_bits(channels: int) -> None:
    random = np.random.default_rng(8)
    noise = random.standard_normal((60000, channels)) * random.uniform(0.01, 1, (60000, 1)) ** 4
    found = set()
    for size in (7, 256, 1000, 60000):
        meter = SoundMeter(48000, channels)
        for at in range(0, len(noise), size):
            meter.feed(noise[at : at + size])
        readings = meter.readings()
        found.add((readings.sample_peak_dbfs, readings.true_peak_dbtp))
    assert len(found) == 1


def test_silence_has_no_peak() -> None:
    for frames in (0, 5000):
        assert peaks(np.zeros((frames, 2))) == (None, None)
