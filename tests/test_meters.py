"""Meters against published figures and an independent library, then their laws.

The cases of EBU Tech 3341 and 3342 are in `test_loudness_cases.py` and `test_true_peak.py`.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, fields

import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray

from mixwright.dsp.band import BandSettings
from mixwright.dsp.eq import EqSettings
from mixwright.dsp.filters import design_bands
from mixwright.meters import (
    FilterLoudnessMeter,
    LoudnessMeter,
    MixReadings,
    SoundMeter,
    SoundReadings,
)

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


def test_loudness_agrees_with_an_independent_library() -> None:
    # pyloudnorm's "DeMan" filter class follows the standard; its default class does not quite.
    random = np.random.default_rng(3)
    swell = np.repeat(random.uniform(0.01, 0.3, 40), 24000)[:, None]
    signal = random.standard_normal((len(swell), 2)) * swell
    other = pyloudnorm.Meter(48000, filter_class="DeMan").integrated_loudness(signal)
    assert integrated(signal, 48000) == pytest.approx(other, abs=0.01)


def test_loudest_short_term_is_found_where_it_is() -> None:
    signal = stereo(tone([(-30, 10), (-15, 3), (-30, 7)], 48000))
    meter = SoundMeter(48000, 2)
    meter.feed(signal)
    readings = MixReadings.of(meter.readings())
    assert readings.loudest_s == pytest.approx(10.0, abs=0.1)
    assert readings.loudest_short_term_lufs == pytest.approx(-15.0, abs=0.1)


def test_readings_at_another_gain_are_those_of_the_louder_signal() -> None:
    signal = np.random.default_rng(1).standard_normal((200000, 2)) * 0.1
    meter, louder = SoundMeter(48000, 2), SoundMeter(48000, 2)
    meter.feed(signal)
    louder.feed(signal * 1.7)
    found, wanted = meter.readings(gain=1.7), louder.readings()
    assert found.integrated_lufs == pytest.approx(wanted.integrated_lufs)
    assert found.true_peak_dbtp == pytest.approx(wanted.true_peak_dbtp)


def test_silence_and_shortness_have_defined_answers() -> None:
    meter = SoundMeter(48000, 2)
    meter.feed(np.zeros((1000, 2)))
    readings = MixReadings.of(meter.readings())
    assert readings.integrated_lufs is readings.true_peak_dbtp is None
    assert readings.loudest_s is None


def test_a_nan_shows_in_the_energy() -> None:
    block = np.zeros((100, 2))
    block[50, 1] = np.nan
    assert math.isnan(LoudnessMeter(48000, 2).feed(block))


@pytest.mark.parametrize("channels", [1, 2])
def test_filtering_weighted_is_weighting_filtered(channels: int) -> None:
    eq = EqSettings((BandSettings("high_pass", 120), BandSettings("bell", 900, 6.0, 0.8)))
    noise = np.random.default_rng(4).standard_normal((200000, channels)) * 0.1
    both = FilterLoudnessMeter(48000, channels, design_bands(eq.bands, 48000))
    for at in range(0, len(noise), 65536):
        both.feed(noise[at : at + 65536].copy())
    filtered = eq.start(48000, channels).process(noise.copy())
    assert both.before_lufs == pytest.approx(integrated(noise, 48000), abs=1e-9)
    assert both.after_lufs == pytest.approx(integrated(filtered, 48000), abs=1e-9)


def test_any_blocks_give_the_same_readings() -> None:
    noise = np.random.default_rng(4).standard_normal((100000, 2)) * 0.1
    found = set()
    for size in (1000, 65536, 100000):
        meter = SoundMeter(48000, 2)
        for at in range(0, len(noise), size):
            meter.feed(noise[at : at + size])
        found.add(meter.readings().true_peak_dbtp)
        assert meter.readings().integrated_lufs == pytest.approx(integrated(noise, 48000), abs=1e-9)
    assert len(found) == 1


def measured(signal: NDArray[np.float64], rate_hz: int = 48000, size: int = 65536) -> SoundMeter:
    frames = np.ascontiguousarray(signal if signal.ndim == 2 else signal[:, None])
    meter = SoundMeter(rate_hz, frames.shape[1])
    for at in range(0, len(frames), size):
        assert math.isfinite(meter.feed(frames[at : at + size]))
    return meter


def read(signal: NDArray[np.float64]) -> SoundReadings:
    return measured(signal).readings()


def music(seed: int, seconds: float, rate_hz: int = 48000) -> NDArray[np.float64]:
    """Noise with swells, pauses and uneven channels, shape (frames, 2)."""
    random = np.random.default_rng(seed)
    frames = round(seconds * rate_hz)
    levels = random.choice([0.0, 0.03, 0.1, 0.3], frames // 9000 + 1)
    middle, sides = random.standard_normal((2, frames)) * np.repeat(levels, 9000)[:frames]
    return np.column_stack([middle + 0.4 * sides, 0.8 * middle - 0.5 * sides]) * 0.5


SINE = np.sin(2 * np.pi * 997 / 48000 * np.arange(4 * 48000))


@pytest.mark.parametrize(
    ("phase_deg", "expected"), [(0, 1.0), (30, 0.866025), (60, 0.5), (90, 0.0), (120, -0.5)]
)
def test_correlation_of_shifted_tones_is_the_cosine(phase_deg: float, expected: float) -> None:
    # Whole periods, so that the sums are those of the definition: L R over the root of L^2 R^2.
    at = 2 * np.pi * 1000 / 48000 * np.arange(4 * 48000)
    found = read(np.column_stack([np.sin(at), np.sin(at + np.radians(phase_deg))]))
    assert found.correlation == pytest.approx(expected, abs=1e-6)
    assert found.worst_correlation == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("share", "expected"), [(0.5, 0.6), (1.0, 0.0), (2.0, -0.6)])
def test_correlation_and_width_of_unlike_middle_and_sides(share: float, expected: float) -> None:
    # Uncorrelated M and S with amplitudes 1 and k: (1 - k^2) / (1 + k^2), and S over M is k.
    middle, sides = np.random.default_rng(1).standard_normal((2, 400000)) * 0.1
    found = read(np.column_stack([middle + share * sides, middle - share * sides]))
    assert found.correlation == pytest.approx(expected, abs=0.005)
    assert found.side_to_mid_db == pytest.approx(20 * math.log10(share), abs=0.03)


def test_equal_and_opposite_channels() -> None:
    same, opposite = read(np.column_stack([SINE, SINE])), read(np.column_stack([SINE, -SINE]))
    assert (same.correlation, same.side_to_mid_db, same.mono_loss_lu) == (1.0, -math.inf, 0.0)
    assert (opposite.correlation, opposite.side_to_mid_db) == (-1.0, math.inf)
    assert opposite.mono_loss_lu == -math.inf


def test_mono_loss_is_that_of_the_mono_signal() -> None:
    # What is in one channel alone loses half its power, and BS.1770 adds up powers.
    assert read(music(3, 20) @ np.array([[1, 0], [0, 0]])).mono_loss_lu == pytest.approx(-3.0103)
    stereo = music(2, 30)
    middle = stereo.mean(axis=1)
    mono = integrated(np.column_stack([middle, middle]), 48000)
    found = read(stereo).mono_loss_lu
    assert found == pytest.approx(mono - integrated(stereo, 48000), abs=1e-6)
    assert found < -0.5


@pytest.mark.parametrize(
    ("wave", "expected"),
    [
        (np.sin(2 * np.pi * np.arange(48000) / 480 + 0.0), 3.0103),
        (np.tile(np.repeat([0.5, -0.5], 240), 100), 0.0),
        (
            np.tile(np.concatenate([np.arange(-240, 240), np.arange(240, -240, -1)]), 50) / 240,
            4.7712,
        ),
    ],
    ids=["sine", "square", "triangle"],
)
def test_crest_factor(wave: NDArray[np.float64], expected: float) -> None:
    assert read(wave).crest_db == pytest.approx(expected, abs=1e-3)


def test_peak_to_loudness_ratios() -> None:
    # A 997 Hz sine at full scale: 0.00 in both channels, 3.01 in one.
    for right, expected in ((SINE, 0.0), (0 * SINE, 3.01)):
        found = read(np.column_stack([SINE, right]))
        for ratio in (found.plr_lu, found.psr_lu, found.psr_min_lu):
            assert ratio == pytest.approx(expected, abs=0.01)
        assert found.rms_dbfs == pytest.approx(-expected - 3.0103, abs=0.001)
    # Between the samples: a quarter of the rate at 45 degrees hides 3.0103 dB.
    hidden = np.sin(np.pi / 2 * np.arange(48000) + np.pi / 4)
    found = read(hidden)
    assert found.true_peak_dbtp - found.sample_peak_dbfs > 3.0
    # Three seconds at a time: half as loud with the same clicks on top is denser by so much less.
    quiet = np.concatenate([0.25 * SINE, 0.5 * SINE])
    quiet[::4800] = 0.9
    found = read(quiet)
    assert found.psr_lu is not None
    assert found.psr_min_lu == pytest.approx(20 * math.log10(0.9 / 0.5) + 3.01, abs=0.2)
    assert found.psr_lu > found.psr_min_lu + 2.0


def test_the_worst_stereo_moment_is_found_and_silence_is_none() -> None:
    signal = np.column_stack([SINE, SINE])
    wide = np.column_stack([SINE, -0.5 * SINE])
    quiet = np.column_stack([SINE, -SINE]) * 1e-3
    found = read(np.concatenate([signal, quiet, signal, wide, signal, np.zeros((200000, 2))]))
    assert found.worst_correlation == pytest.approx(-1.0, abs=1e-9)
    # 60 dB under the rest is no programme: the wide four seconds are meant.
    assert 12.0 <= (found.worst_correlation_s or 0.0) <= 13.0


def test_peaks_are_found_where_they_are() -> None:
    signal = 0.1 * music(5, 4)
    signal[100003, 1] = -0.8
    found = read(signal)
    assert found.sample_peak_s == pytest.approx(100003 / 48000, abs=1e-9)
    assert found.true_peak_s == pytest.approx(100003 / 48000, abs=1.01 / 48000)
    assert found.sample_peak_dbfs == pytest.approx(20 * math.log10(0.8))
    assert found.true_peak_dbtp >= found.sample_peak_dbfs


def test_dc_by_channel() -> None:
    found = read(np.column_stack([SINE * 0.1 + 0.01, SINE * 0.1 - 0.002]))
    assert found.dc == pytest.approx((0.01, -0.002), abs=1e-5)
    assert found.dc_dbfs == pytest.approx((-40.0, 20 * math.log10(0.002)), abs=0.05)


def test_clipping_is_counted_in_runs() -> None:
    full = 32767 / 32768
    signal = 0.5 * np.random.default_rng(1).uniform(-1, 1, (5000, 2))
    signal[100:105, 0] = full  # a run of five
    signal[470:490, 1] = -1.0  # twenty, over the edge of a hop
    signal[700:702, 0] = 1.0  # two: the top of a wave
    signal[800:806, 0] = [1.0, full, 1.0, full, 1.0, full]  # not standing still
    signal[900:903, 0] = 1.5  # a float file beyond full scale
    signal[1000:1010, 0] = 32766 / 32768  # a limiter's ceiling
    signal[-4:, 1] = 1.0  # to the very end
    signal[2000:2006, 0] = [1.0, 1.0, 1.0, -1.0, -1.0, -1.0]  # two runs of three
    for size in (1, 97, 5000):
        found = measured(signal, size=size).readings()
        assert (found.clipped_runs, found.clipped_samples) == (6, 5 + 20 + 3 + 4 + 6)
        assert found.longest_clip == 20
    section = measured(signal).readings(0.0, 0.01)
    assert (section.clipped_runs, section.clipped_samples, section.longest_clip) == (2, 25, 20)


def test_a_full_scale_sine_at_16_bits_is_not_clipped() -> None:
    # Within half a step of its top it stays for 0.011 radians: three samples only under 42 Hz.
    for hz in (45.0, 100.0, 1000.0, 12000.0):
        wave = np.sin(2 * np.pi * hz / 48000 * np.arange(96000))
        assert read(np.round(wave * 32767) / 32768).clipped_runs == 0


@pytest.mark.parametrize("channels", [1, 2])
def test_a_section_is_the_piece_cut_out_and_measured(channels: int) -> None:
    signal = music(9, 30)[:, :channels] + 0.001
    meter = measured(signal)
    for start_s, end_s in ((0.0, 30.0), (7.13, 21.5), (20.0, 30.0)):
        section = asdict(meter.readings(start_s, end_s))
        piece = asdict(read(signal[round(start_s * 48000) : round(end_s * 48000)]))
        for name, value in piece.items():
            if name.endswith("_s") and name != "start_s" and value is not None:
                value += start_s
            tolerance = 0.01 if name.endswith(("_lufs", "_lu", "_dbtp")) else 1e-6
            if name != "start_s":
                assert section[name] == pytest.approx(value, abs=tolerance), name


def test_readings_at_a_gain_are_those_of_the_louder_signal_in_every_figure() -> None:
    signal = music(4, 8) * 0.3 + 0.001
    quiet, louder = asdict(measured(signal).readings(gain=-2.5)), asdict(read(-2.5 * signal))
    for name, value in louder.items():
        assert quiet[name] == pytest.approx(value, abs=1e-9), name


@pytest.mark.parametrize("rate_hz", [44100, 48000, 22050, 11025])
@pytest.mark.parametrize("channels", [1, 2])
def test_blocks_and_threads_change_no_bit(rate_hz: int, channels: int) -> None:
    signal = music(6, 7.013, rate_hz)[:, :channels] * 3.0
    sizes = (len(signal), 65536, 4410, 977)
    with ThreadPoolExecutor(4) as pool:
        meters = list(pool.map(lambda size: measured(signal, rate_hz, size), sizes))
    for start_s, end_s in ((0.0, None), (1.234, 6.0)):
        assert len({meter.readings(start_s, end_s) for meter in meters}) == 1


def test_asking_in_between_changes_nothing() -> None:
    signal = music(8, 4)
    asked, left = SoundMeter(48000, 2), SoundMeter(48000, 2)
    for at in range(0, len(signal), 10007):
        asked.feed(signal[at : at + 10007])
        left.feed(signal[at : at + 10007])
        asked.readings()
    assert asked.readings() == left.readings()


def test_what_cannot_be_had_is_none_and_so_is_silence() -> None:
    for frames in (0, 1, 479, 5000, 19199, 19200, 143999, 144000):
        found = read(np.zeros((frames, 2)))
        assert found.seconds == pytest.approx(frames / 48000)
        assert found.sample_peak_dbfs is found.true_peak_dbtp is found.rms_dbfs is None
        assert found.dc_dbfs == (None, None)
        assert found.dc == (0.0, 0.0)
        assert found.correlation is found.crest_db is found.plr_lu is found.sample_peak_s is None
        assert found.integrated_lufs is found.short_term_max_lufs is None
        assert found.loudness_range_lu is found.psr_lu is found.mono_loss_lu is None
    short = read(np.column_stack([SINE, SINE])[:30000])
    assert short.integrated_lufs == pytest.approx(0.0, abs=0.01)
    assert short.loudness_range_lu is short.short_term_max_lufs is short.worst_correlation is None
    mono = read(SINE)
    stereo_only = [field.name for field in fields(SoundReadings) if field.default is None]
    assert [getattr(mono, name) for name in stereo_only] == [None] * 5
    empty = measured(SINE).readings(2.0, 2.0)
    assert empty.seconds == 0.0
    assert empty.sample_peak_dbfs is None


@pytest.mark.parametrize("place", [0, 700, 47999])
def test_a_bad_sample_shows_when_it_is_fed(place: int) -> None:
    for bad in (np.nan, np.inf):
        block = np.full((48000, 2), 0.1)
        block[place, 1] = bad
        assert not math.isfinite(SoundMeter(48000, 2).feed(block))


def test_a_mix_is_told_what_the_sound_meter_says() -> None:
    found = read(music(12, 6))
    few = MixReadings.of(found)
    assert few.integrated_lufs == found.integrated_lufs
    assert few.loudest_short_term_lufs == found.short_term_max_lufs
    assert few.loudest_s == found.short_term_max_s
    assert few.true_peak_dbtp == found.true_peak_dbtp
