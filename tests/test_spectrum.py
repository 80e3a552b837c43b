"""Spectrum and width against IEC 61260-1:2014, independent filters and one long transform."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from mixwright.meters.bands import nominal_third_octaves, octaves, third_octaves
from mixwright.meters.differences import differences
from mixwright.meters.spectrum import HOP_S, SpectrumMeter, SpectrumReadings
from mixwright.units import or_silence

RATES_HZ = (44100, 48000, 88200, 96000, 192000)

# IEC 61260-1:2014, exact midbands in Hz as printed in reference tables, by nominal frequency.
MIDBANDS = """
25 25.1189, 31.5 31.6228, 40 39.8107, 50 50.1187, 63 63.0957, 80 79.4328, 100 100.000, 125 125.893,
160 158.489, 200 199.526, 250 251.189, 315 316.228, 400 398.107, 500 501.187, 630 630.957,
800 794.328, 1000 1000, 1250 1258.93, 1600 1584.89, 2000 1995.26, 2500 2511.89, 3150 3162.28,
4000 3981.07, 5000 5011.87, 6300 6309.57, 8000 7943.28, 10000 10000, 12500 12589.3, 16000 15848.9,
20000 19952.6
"""
# IEC 61260-1:2014 Table 1, class 1: frequency over midband (thirds by its formula 9), least and
# most relative attenuation in dB. At the edge itself the limits are those either side of it.
THIRD_LIMITS = [
    (1.0, -0.4, 0.4),
    (1.02667, -0.4, 0.5),
    (1.05575, -0.4, 0.7),
    (1.08746, -0.4, 1.4),
    (1.12201, -0.4, 5.3),
    (1.12203, 1.2, math.inf),
    (1.29437, 16.6, math.inf),
    (1.88173, 40.5, math.inf),
    (3.05365, 60.0, math.inf),
    (5.39195, 70.0, math.inf),
]
OCTAVE_LIMITS = [
    (1.0, -0.4, 0.4),
    (1.18850, -0.4, 0.7),
    (1.29569, -0.4, 1.4),
    (1.41253, -0.4, 5.3),
    (1.41255, 1.2, math.inf),
    (1.99526, 16.6, math.inf),
    (3.98107, 40.5, math.inf),
    (7.94328, 60.0, math.inf),
    (15.8489, 70.0, math.inf),
]


def sine(hz: float, rate_hz: int, seconds: float = 4.0, phase: float = 0.3) -> NDArray[np.float64]:
    return np.sin(2 * np.pi * hz / rate_hz * np.arange(round(seconds * rate_hz)) + phase)


def coloured(seed: int, seconds: float, rate_hz: int, exponent: float) -> NDArray[np.float64]:
    """Noise of a density falling as frequency to the minus `exponent` above 10 Hz, RMS 0.1."""
    frames = round(seconds * rate_hz)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(frames))
    hz = np.maximum(np.fft.rfftfreq(frames, 1 / rate_hz), 10.0)
    noise = np.fft.irfft(spectrum * hz ** (-exponent / 2), frames)
    return 0.1 * noise / noise.std()


def fed(
    samples: NDArray[np.float64],
    rate_hz: int = 48000,
    block: int = 65536,
    hop_s: float = HOP_S,
) -> SpectrumMeter:
    samples = samples[:, None] if samples.ndim == 1 else samples
    meter = SpectrumMeter(rate_hz, samples.shape[1], hop_s)
    for at in range(0, len(samples), block):
        meter.feed(samples[at : at + block])
    return meter


def steady(samples: NDArray[np.float64], rate_hz: int = 48000) -> SpectrumReadings:
    """Read without the first and last half second: a tone that starts at once is no pure tone."""
    return fed(samples, rate_hz).readings(0.5, len(samples) / rate_hz - 0.5)


def powers(levels: tuple[float, ...]) -> NDArray[np.float64]:
    return 10.0 ** (np.array([or_silence(level) for level in levels]) / 10.0)


def test_midbands_and_edges_are_those_of_iec_61260() -> None:
    listed = [[float(part) for part in entry.split()] for entry in MIDBANDS.split(",")]
    bands = third_octaves()
    assert nominal_third_octaves() == tuple(nominal for nominal, _ in listed)
    assert [band.midband_hz for band in bands] == pytest.approx([e for _, e in listed], rel=5e-6)
    # 31.5 63 125 ... 16k: every third of them.
    octave_hz = tuple(band.nominal_hz for band in octaves())
    assert octave_hz == nominal_third_octaves()[1::3]
    assert (bands[16].low_hz, bands[16].high_hz) == pytest.approx((891.251, 1122.02), rel=5e-6)
    kilo = octaves()[5]
    assert (kilo.low_hz, kilo.high_hz) == pytest.approx((707.946, 1412.54), rel=5e-6)
    assert [bands[5].name, bands[1].name, bands[17].name] == ["80", "31.5", "1.25k"]


def test_bands_touch_and_end_where_the_rate_does() -> None:
    bands = third_octaves(44100)
    assert all(a.high_hz == b.low_hz for a, b in pairwise(bands))
    assert (bands[-1].name, bands[-1].high_hz) == ("20k", 22050.0)
    assert third_octaves(48000) == third_octaves(192000) == third_octaves()
    assert octaves(16000)[-1].name == "8k"
    assert third_octaves(8000)[-1].name == "4k"
    for octave, index in zip(octaves(), range(0, 30, 3), strict=True):
        thirds = third_octaves()[index : index + 3]
        assert octave.low_hz == pytest.approx(thirds[0].low_hz)
        assert octave.high_hz == pytest.approx(thirds[-1].high_hz)


def test_level_of_a_full_scale_sine() -> None:
    # RMS of a sine is 3.0103 dB below its peak; channel powers are added as in BS.1770.
    tone = sine(1000.0, 48000)
    one = fed(np.column_stack([tone, np.zeros_like(tone)])).readings()
    both = fed(np.column_stack([tone, tone])).readings()
    assert fed(tone).readings().third_octave_db[16] == pytest.approx(-3.0103, abs=1e-3)
    assert one.third_octave_db[16] == pytest.approx(-3.0103, abs=1e-3)
    assert both.third_octave_db[16] == pytest.approx(0.0, abs=1e-3)
    assert both.octave_db[5] == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_tone_at_each_midband_is_read_there(rate_hz: int) -> None:
    bands = third_octaves(rate_hz)
    for index in range(0, len(bands), 1 if rate_hz == 48000 else 7):
        tone = sine(bands[index].midband_hz, rate_hz)
        levels = np.array(steady(tone, rate_hz).third_octave_db)
        assert levels[index] == pytest.approx(-3.0103, abs=0.05)
        far = np.abs(np.arange(len(bands)) - index) >= 2
        assert levels[far].max() < -3.01 - 60.0


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("index", [0, 1, 16])
def test_selectivity_is_class_1(rate_hz: int, index: int) -> None:
    # The lowest bands are the critical ones: their skirts are a few bins wide.
    for of_octaves, limits in ((False, THIRD_LIMITS), (True, OCTAVE_LIMITS)):
        bands = octaves(rate_hz) if of_octaves else third_octaves(rate_hz)
        if index >= len(bands):
            continue
        for ratio, least, most in limits:
            for hz in (bands[index].midband_hz * ratio, bands[index].midband_hz / ratio):
                found = steady(sine(hz, rate_hz, 2.6), rate_hz)
                level = (found.octave_db if of_octaves else found.third_octave_db)[index]
                assert least <= -3.0103 - level <= most, (bands[index].name, hz)


@pytest.mark.parametrize("exponent", [0.0, 1.0])
def test_noise_agrees_with_filters_of_another_make(exponent: float) -> None:
    # Butterworth band-passes of order 3 pass (π/6)/sin(π/6) = 1.0472 of the width: 0.200 dB more.
    noise = coloured(1, 30.0, 48000, exponent)
    levels = fed(noise).readings().third_octave_db
    for band, level in zip(third_octaves(), levels, strict=True):
        edges = [band.low_hz, band.high_hz]
        sections = signal.butter(3, edges, "bandpass", fs=48000, output="sos")
        passed = 10 * math.log10(np.mean(signal.sosfilt(sections, noise) ** 2))
        assert level == pytest.approx(passed - 0.2, abs=0.1), band.name


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_noise_agrees_with_one_long_transform(rate_hz: int) -> None:
    noise = coloured(2, 20.0, rate_hz, 1.0)
    energy = 2 * np.abs(np.fft.rfft(noise)) ** 2 / len(noise) ** 2
    hz = np.fft.rfftfreq(len(noise), 1 / rate_hz)
    levels = fed(noise, rate_hz).readings().third_octave_db
    for band, level in zip(third_octaves(rate_hz), levels, strict=True):
        whole = energy[(hz >= band.low_hz) & (hz < band.high_hz)].sum()
        # Few independent samples below 200 Hz: there the two differ in how they weigh the ends.
        tolerance = 0.3 if band.nominal_hz < 200.0 else 0.06
        assert level == pytest.approx(10 * math.log10(whole), abs=tolerance), band.name


@pytest.mark.parametrize(("exponent", "slope"), [(0.0, 0.0), (1.0, -3.0103), (2.0, -6.0206)])
def test_slope_of_noise(exponent: float, slope: float) -> None:
    # The density of white, pink and red noise: 10 lg 2 dB an octave for each power of 1/f.
    found = fed(coloured(3, 30.0, 48000, exponent)).readings().slope_db_per_octave
    assert found == pytest.approx(slope, abs=0.03)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 32000, *RATES_HZ])
@pytest.mark.parametrize("frames", [1, 3001, 100003])
def test_the_spectrum_adds_up_to_the_power(rate_hz: int, frames: int) -> None:
    # Parseval: bands and what lies outside them hold the whole mean square, DC and clicks included.
    random = np.random.default_rng(frames)
    samples = random.standard_normal((frames, 2)) * random.uniform(0, 1, (frames, 1)) ** 4 + 0.02
    samples[frames // 2] = 0.9
    found = fed(samples, rate_hz).readings()
    outside = powers((found.below_db, found.above_db)).sum()
    power = 10 * math.log10((samples**2).sum() / frames)
    assert found.seconds == pytest.approx(frames / rate_hz)
    assert found.total_db == pytest.approx(power, abs=1e-6)
    assert powers(found.third_octave_db).sum() + outside == pytest.approx(10 ** (power / 10))
    whole = 3 * (len(found.third_octave_db) // 3)
    in_threes = powers(found.third_octave_db[:whole]).reshape(-1, 3).sum(axis=1)
    assert powers(found.octave_db)[: whole // 3] == pytest.approx(in_threes)


def test_what_lies_outside_the_bands() -> None:
    low, high = (steady(sine(hz, 96000), 96000) for hz in (8.0, 30000.0))
    assert low.below_db == pytest.approx(-3.01, abs=0.01)
    assert high.above_db == pytest.approx(-3.01, abs=0.01)
    assert max(*low.third_octave_db, *high.third_octave_db) < -60.0


@pytest.mark.parametrize(
    ("phase_deg", "expected"), [(0, 1.0), (30, 0.866025), (60, 0.5), (90, 0.0), (120, -0.5)]
)
def test_correlation_of_shifted_tones(phase_deg: float, expected: float) -> None:
    # Two equal tones a phase φ apart correlate by cos φ; S/M is tan(φ/2).
    left, right = (sine(1000.0, 48000, 3.0, math.radians(angle)) for angle in (0, phase_deg))
    found = fed(np.column_stack([left, right])).readings()
    assert found.octave_correlation[5] == pytest.approx(expected, abs=1e-3)
    assert found.correlation == pytest.approx(expected, abs=1e-3)
    if phase_deg:
        ratio = 20 * math.log10(math.tan(math.radians(phase_deg / 2)))
        assert found.octave_side_to_mid_db[5] == pytest.approx(ratio, abs=0.01)


@pytest.mark.parametrize(("side", "expected"), [(0.5, 0.6), (1.0, 0.0), (2.0, -0.6)])
def test_width_of_uncorrelated_mid_and_side(side: float, expected: float) -> None:
    # Correlation is (1 - k²)/(1 + k²) for side k times as loud as mid, S/M is 20 lg k.
    mid, other = (coloured(seed, 20.0, 48000, 1.0) for seed in (5, 6))
    found = fed(np.column_stack([mid + side * other, mid - side * other])).readings()
    assert found.octave_correlation[4:] == pytest.approx([expected] * 6, abs=0.03)
    ratios = [20 * math.log10(side)] * 6
    assert found.octave_side_to_mid_db[4:] == pytest.approx(ratios, abs=0.2)


def test_width_is_told_by_band() -> None:
    low, high = sine(63.0, 48000), 0.1 * sine(4000.0, 48000)
    found = steady(np.column_stack([low + high, low - high]))
    assert found.octave_correlation[1] == pytest.approx(1.0, abs=1e-6)
    assert found.octave_correlation[7] == pytest.approx(-1.0, abs=1e-6)
    side_to_mid = found.octave_side_to_mid_db
    assert (side_to_mid[1] or 0.0) < -60.0
    assert (side_to_mid[7] or 0.0) > 60.0


def test_the_ends_of_width() -> None:
    noise = coloured(7, 3.0, 48000, 1.0)
    same = fed(np.column_stack([noise, noise])).readings()
    against = fed(np.column_stack([noise, -noise])).readings()
    left = fed(np.column_stack([noise, np.zeros_like(noise)])).readings()
    assert set(same.octave_side_to_mid_db) == {-math.inf}
    assert same.octave_correlation == pytest.approx([1.0] * 10)
    assert set(against.octave_side_to_mid_db) == {math.inf}
    assert against.octave_correlation == pytest.approx([-1.0] * 10)
    assert set(left.octave_correlation) == {None}
    assert left.octave_side_to_mid_db == pytest.approx([0.0] * 10)
    mono = fed(noise).readings()
    assert (mono.octave_side_to_mid_db, mono.correlation) == (same.octave_side_to_mid_db, 1.0)


@pytest.mark.parametrize(("rate_hz", "channels"), [(44100, 1), (48000, 2)])
def test_any_blocks_give_the_same_bits(rate_hz: int, channels: int) -> None:
    noise = np.random.default_rng(8).standard_normal((150011, channels)) * 0.1
    stretches = [(0.0, None), (0.7, 2.4)]
    found = [
        [fed(noise, rate_hz, block).readings(*stretch) for stretch in stretches]
        for block in (200000, 65536, 16000, 977)
    ]
    assert all(readings == found[0] for readings in found)


def test_asking_halfway_changes_nothing() -> None:
    noise = np.random.default_rng(8).standard_normal((150011, 2)) * 0.1
    meter = SpectrumMeter(48000, 2)
    for at in range(0, len(noise), 20000):
        meter.feed(noise[at : at + 20000])
        meter.readings()
    assert meter.readings() == fed(noise).readings()


def test_a_stretch_hears_nothing_of_its_neighbours() -> None:
    verse = coloured(9, 10.0, 48000, 1.0)
    loud, silent = np.ones(5 * 48000), np.zeros(5 * 48000)
    among_loud = fed(np.concatenate([loud, verse, loud])).readings(5.0, 15.0)
    among_silence = fed(np.concatenate([silent, verse, silent])).readings(5.0, 15.0)
    assert among_loud == among_silence
    assert among_loud.total_db == pytest.approx(-20.0, abs=0.1)


def test_a_stretch_reads_as_it_does_alone() -> None:
    noise = coloured(10, 40.0, 48000, 1.0)
    stretch = fed(noise).readings(12.3, 28.7)
    alone = fed(noise[round(12.3 * 48000) : round(28.7 * 48000)]).readings()
    # The ends fade, so low bands, of which 16 s hold few independent samples, differ more.
    assert stretch.octave_db[:3] == pytest.approx(alone.octave_db[:3], abs=0.4)
    assert stretch.octave_db[3:] == pytest.approx(alone.octave_db[3:], abs=0.1)
    assert 16.4 - 1.4 < stretch.seconds <= 16.4


def test_sections_of_their_own_levels() -> None:
    quiet, loud = 0.01 * sine(1000.0, 48000, 6.0), 0.5 * sine(1000.0, 48000, 6.0)
    meter = fed(np.concatenate([quiet, loud]))
    levels = [meter.readings(*ends).octave_db[5] for ends in ((0.0, 6.0), (6.0, 12.0), (6.0, None))]
    assert levels == pytest.approx([-43.01, -9.03, -9.03], abs=0.01)


def test_short_stretches_are_read_where_they_are() -> None:
    meter = fed(np.concatenate([np.zeros(5 * 48000), sine(1000.0, 48000, 5.0)]))
    assert meter.readings(2.0, 2.2).total_db is None
    assert meter.readings(8.0, 8.05).octave_db[5] == pytest.approx(-3.01, abs=0.01)
    assert meter.readings(10.0, 12.0).total_db is meter.readings(99.0).total_db is None
    with pytest.raises(ValueError, match="expected more than start_s"):
        meter.readings(3.0, 3.0)


@pytest.mark.parametrize("frames", [0, 10, 100000])
def test_there_is_no_level_of_silence(frames: int) -> None:
    found = fed(np.zeros((frames, 2))).readings()
    assert {found.total_db, found.below_db, found.above_db, *found.octave_db} == {None}
    assert set(found.third_octave_db) == {None}
    undefined = {found.slope_db_per_octave, found.correlation, found.side_to_mid_db}
    assert undefined == {None} == {*found.octave_correlation, *found.octave_side_to_mid_db}


def test_readings_at_another_gain_are_those_of_the_louder_signal() -> None:
    noise = np.random.default_rng(1).standard_normal((200000, 2)) * 0.1
    asked, louder = fed(noise).readings(gain=1.7), fed(noise * 1.7).readings()
    assert asked.third_octave_db == pytest.approx(louder.third_octave_db, abs=1e-9)
    assert asked.octave_correlation == pytest.approx(louder.octave_correlation)
    assert fed(noise).readings(gain=0.0).total_db is None


def test_a_boost_is_the_difference_from_the_reference() -> None:
    # The bell's own response, averaged over a band, is what the two spectra differ by.
    noise = coloured(11, 20.0, 48000, 1.0)
    sections = signal.butter(1, [500.0, 2000.0], "bandpass", fs=48000, output="sos")
    boosted = noise + signal.sosfilt(sections, noise)
    found = differences(fed(0.25 * boosted).readings(), fed(noise).readings(), 20 * math.log10(4.0))
    hz = np.array([band.midband_hz for band in third_octaves()])
    gain = 1.0 + signal.sosfreqz(sections, 2 * np.pi * hz / 48000)[1]
    assert found.third_octave_db[6:] == pytest.approx(20 * np.log10(np.abs(gain[6:])), abs=0.1)
    assert found.gain_db == pytest.approx(12.0412, abs=1e-4)


def test_differences_are_defined_for_silence_and_other_rates() -> None:
    noise, silence = coloured(12, 3.0, 48000, 1.0), np.zeros(48000)
    heard, nothing = fed(noise).readings(), fed(silence).readings()
    assert set(differences(nothing, nothing).octave_db) == {0.0}
    assert set(differences(nothing, heard).octave_db) == {None}
    assert set(differences(heard, nothing).octave_db) == {None}
    assert differences(heard, nothing).slope_db_per_octave is None
    assert differences(heard, heard).side_to_mid_db == 0.0
    low_rate = fed(noise, 16000).readings()
    assert len(differences(heard, low_rate).octave_db) == len(octaves(16000))


@pytest.mark.parametrize("index", [9, 16, 25])
def test_selectivity_with_a_short_hop_is_class_1_from_200_hz_up(index: int) -> None:
    # An eighth of the default hop: 25 Hz, the lowest band that keeps the limits, times eight.
    for ratio, least, most in THIRD_LIMITS:
        for hz in (third_octaves()[index].midband_hz * ratio**side for side in (1, -1)):
            if hz < 24000.0:
                meter = fed(sine(hz, 48000, 1.0), hop_s=1 / 24)
                level = meter.readings(0.1, 0.9).third_octave_db[index]
                assert least <= -3.0103 - level <= most, hz


@pytest.mark.parametrize("rate_hz", [12000, 44100, 48000])
def test_powers_by_frame_add_up_to_the_energy(rate_hz: int) -> None:
    # Parseval again, at any hop: frames times the hop are the energy of the signal.
    random = np.random.default_rng(13)
    samples = random.standard_normal((50021, 2)) * random.uniform(0, 1, (50021, 1)) ** 4
    meter = fed(samples, rate_hz, hop_s=1 / 24)
    found, outside = meter.band_powers(), meter.readings()
    powers_outside = powers((outside.below_db, outside.above_db)).sum()
    energy = found.sum() * meter.hop_s + powers_outside * outside.seconds
    assert energy == pytest.approx((samples**2).sum() / rate_hz)
    count = len(third_octaves(rate_hz))
    assert found.shape == (math.ceil(50021 / rate_hz / meter.hop_s) + 1, 30)
    assert found[:, :count].all()
    assert not found[:, count:].any()
    assert meter.band_powers_by_channel().sum(axis=2) == pytest.approx(found)
    assert meter.band_powers(gain=0.5) == pytest.approx(found / 4)


def test_frames_are_where_they_are_said_to_be() -> None:
    tone = np.zeros((96000, 1))
    tone[36000:60000, 0] = sine(1000.0, 48000, 0.5)
    meter = fed(tone, hop_s=1 / 24)
    assert meter.hop_s == pytest.approx(1 / 24, abs=1e-12)
    power = meter.band_powers()[:, 16]
    times = np.arange(49) / 24
    # Full within, a half where the tone begins and ends (its click is in other bands), else none.
    assert power[(times > 0.76) & (times < 1.24)] == pytest.approx(0.5, rel=1e-3)
    assert power[(times == 0.75) | (times == 1.25)] == pytest.approx(0.25, rel=0.05)
    assert power[(times < 0.74) | (times > 1.26)].max() < 1e-12


@pytest.mark.parametrize("stretch", [(0.0, None), (0.31, 1.7), (0.5, 99.0), (0.0, 1.0)])
def test_powers_by_frame_are_those_that_the_readings_are_made_of(
    stretch: tuple[float, float | None],
) -> None:
    noise = np.random.default_rng(14).standard_normal((96000, 2)) * 0.1
    meter = fed(noise, hop_s=1 / 24)
    found, whole = meter.band_powers(*stretch), meter.band_powers()
    readings = meter.readings(*stretch)
    energy = powers(readings.third_octave_db) * readings.seconds
    assert found.sum(axis=0) * meter.hop_s == pytest.approx(energy)
    # They are those of the whole whose two hops lie in the stretch.
    start, end = stretch[0], min(stretch[1] or 2.0, 2.0)
    first = 0 if start == 0.0 else math.ceil(start / meter.hop_s - 1e-9) + 1
    last = 48 if end == 2.0 else math.floor(end / meter.hop_s + 1e-9) - 1
    assert found == pytest.approx(whole[first : last + 1])


def test_frames_of_stretches_that_hold_none() -> None:
    meter = fed(sine(1000.0, 48000, 2.0), hop_s=1 / 24)
    assert meter.band_powers(1.0, 1.01) == pytest.approx(meter.band_powers()[24:25])
    assert meter.band_powers(3.0).shape == (0, 30)
    assert SpectrumMeter(48000, 2, hop_s=1 / 24).band_powers().shape == (0, 30)
    with pytest.raises(ValueError, match="expected more than start_s"):
        meter.band_powers(1.0, 1.0)
    with pytest.raises(ValueError, match="expected two samples or more"):
        SpectrumMeter(48000, 1, hop_s=1e-5)


def test_any_blocks_give_the_same_powers_by_frame() -> None:
    noise = np.random.default_rng(15).standard_normal((100011, 2)) * 0.1
    found = [fed(noise, 44100, block, 1 / 24).band_powers() for block in (200000, 16000, 977)]
    assert np.array_equal(found[0], found[1])
    assert np.array_equal(found[0], found[2])
