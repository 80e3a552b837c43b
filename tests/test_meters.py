"""Meters against ITU-R BS.1770-5, EBU Tech 3341 (v4) and an independent library."""

from __future__ import annotations

import math

import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray

from mixwright.dsp.band import BandSettings
from mixwright.dsp.eq import EqSettings
from mixwright.meters import FilterLoudnessMeter, LoudnessMeter, MixMeter, TruePeakMeter

RATES_HZ = (44100, 48000, 88200, 96000, 192000)


def tone(
    pieces: list[tuple[float, float]], rate_hz: int, hz: float = 1000.0
) -> NDArray[np.float64]:
    """A sine whose level follows ``(dBFS, seconds)`` pieces."""
    gain = np.concatenate([np.full(round(s * rate_hz), 10 ** (db / 20)) for db, s in pieces])
    return gain * np.sin(2 * np.pi * hz / rate_hz * np.arange(len(gain)))


def stereo(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.ascontiguousarray(np.column_stack([signal, signal]))


def integrated(signal: NDArray[np.float64], rate_hz: int) -> float:
    meter = LoudnessMeter(rate_hz, signal.shape[1])
    for at in range(0, len(signal), 30011):
        meter.feed(signal[at : at + 30011])
    return meter.integrated_lufs


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_calibration_tone_of_bs_1770(rate_hz: int) -> None:
    # A 0 dBFS 997 Hz sine in one channel reads -3.01 LKFS.
    signal = tone([(0.0, 5.0)], rate_hz, 997.0)[:, None]
    assert integrated(signal, rate_hz) == pytest.approx(-3.01, abs=0.01)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize(
    ("case", "pieces"),
    [
        (1, [(-23.0, 20)]),
        (3, [(-36, 10), (-23, 60), (-36, 10)]),
        (4, [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)]),
        (5, [(-26, 20), (-20, 20.1), (-26, 20)]),
    ],
)
def test_cases_of_ebu_tech_3341(case: int, pieces: list[tuple[float, float]], rate_hz: int) -> None:
    assert integrated(stereo(tone(pieces, rate_hz)), rate_hz) == pytest.approx(-23.0, abs=0.1)


def test_loudness_agrees_with_an_independent_library() -> None:
    # pyloudnorm's "DeMan" filter class follows the standard; its default class does not quite.
    random = np.random.default_rng(3)
    swell = np.repeat(random.uniform(0.01, 0.3, 40), 24000)[:, None]
    signal = random.standard_normal((len(swell), 2)) * swell
    other = pyloudnorm.Meter(48000, filter_class="DeMan").integrated_loudness(signal)
    assert integrated(signal, 48000) == pytest.approx(other, abs=0.01)


@pytest.mark.parametrize(
    ("divisor", "phase_deg", "amplitude", "expected"),
    [  # EBU Tech 3341 cases 15 to 19, tolerance +0.2/-0.4 dB; ours holds half of that
        (4, 0.0, 0.50, -6.0),
        (4, 45.0, 0.50, -6.0),
        (6, 60.0, 0.50, -6.0),
        (8, 67.5, 0.50, -6.0),
        (4, 45.0, 1.41, 3.0),
    ],
)
def test_true_peak_cases(divisor: int, phase_deg: float, amplitude: float, expected: float) -> None:
    n = np.arange(48000)
    signal = amplitude * np.sin(2 * np.pi * n / divisor + np.radians(phase_deg))
    fade = np.clip(np.minimum(n, n[::-1]) / 480, 0, 1)
    meter = TruePeakMeter(2)
    meter.feed(stereo(signal * fade))
    assert -0.2 <= 20 * math.log10(meter.true_peak) - expected <= 0.1


def test_true_peak_is_never_below_the_sample_peak_and_finds_what_lies_between() -> None:
    noise = np.random.default_rng(2).standard_normal((20000, 2)) * 0.1
    noise[::, :] = np.apply_along_axis(lambda c: np.convolve(c, np.ones(3) / 3, "same"), 0, noise)
    meter = TruePeakMeter(2)
    for at in range(0, len(noise), 777):
        meter.feed(noise[at : at + 777])
    spectrum = np.fft.rfft(noise, axis=0)
    dense = np.fft.irfft(spectrum, 32 * len(noise), axis=0) * 32
    assert meter.true_peak >= meter.sample_peak == np.abs(noise).max()
    # The tolerance of EBU Tech 3341 for a true-peak meter, here against 32 times oversampling.
    assert -0.4 < 20 * math.log10(meter.true_peak / np.abs(dense).max()) < 0.2


def test_loudest_short_term_is_found_where_it_is() -> None:
    signal = stereo(tone([(-30, 10), (-15, 3), (-30, 7)], 48000))
    meter = MixMeter(48000)
    meter.feed(signal)
    readings = meter.readings()
    assert readings.loudest_s == pytest.approx(10.0, abs=0.1)
    assert readings.loudest_short_term_lufs == pytest.approx(-15.0, abs=0.1)


def test_readings_at_another_gain_are_those_of_the_louder_signal() -> None:
    signal = np.random.default_rng(1).standard_normal((200000, 2)) * 0.1
    meter, louder = MixMeter(48000), MixMeter(48000)
    meter.feed(signal)
    louder.feed(signal * 1.7)
    assert meter.readings(1.7).integrated_lufs == pytest.approx(louder.readings().integrated_lufs)
    assert meter.readings(1.7).true_peak_dbtp == pytest.approx(louder.readings().true_peak_dbtp)


def test_silence_and_shortness_have_defined_answers() -> None:
    meter = MixMeter(48000)
    meter.feed(np.zeros((1000, 2)))
    readings = meter.readings()
    assert readings.integrated_lufs == readings.true_peak_dbtp == -math.inf
    assert readings.loudest_s is None


def test_a_nan_shows_in_the_energy() -> None:
    block = np.zeros((100, 2))
    block[50, 1] = np.nan
    assert math.isnan(LoudnessMeter(48000, 2).feed(block))


@pytest.mark.parametrize("channels", [1, 2])
def test_filtering_weighted_is_weighting_filtered(channels: int) -> None:
    eq = EqSettings((BandSettings("high_pass", 120), BandSettings("bell", 900, 6.0, 0.8)))
    noise = np.random.default_rng(4).standard_normal((200000, channels)) * 0.1
    both = FilterLoudnessMeter(48000, channels, eq.start(48000, channels).sections)
    for at in range(0, len(noise), 65536):
        both.feed(noise[at : at + 65536].copy())
    filtered = eq.start(48000, channels).process(noise.copy())
    assert both.before_lufs == pytest.approx(integrated(noise, 48000), abs=1e-9)
    assert both.after_lufs == pytest.approx(integrated(filtered, 48000), abs=1e-9)


def test_any_blocks_give_the_same_readings() -> None:
    noise = np.random.default_rng(4).standard_normal((100000, 2)) * 0.1
    found = set()
    for size in (1000, 65536, 100000):
        meter = MixMeter(48000)
        for at in range(0, len(noise), size):
            meter.feed(noise[at : at + size])
        found.add(meter.readings().true_peak_dbtp)
        assert meter.readings().integrated_lufs == pytest.approx(integrated(noise, 48000), abs=1e-9)
    assert len(found) == 1
