"""Masking against the published filters, and against what has to be so."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate, signal

from mixwright.meters.bands import third_octaves
from mixwright.meters.masking import (
    MASKED_BELOW_DB,
    erb_number,
    most_masked_pairs,
    spreading,
)
from mixwright.meters.spectrum import SpectrumMeter

FRAMES = 200


def band_noise(seed: int, first: int, last: int, level_db: float = 0.0) -> NDArray[np.float64]:
    """Powers of noise in the bands from `first` to `last`: each fluctuates about its mean."""
    powers = np.zeros((FRAMES, 30))
    fluctuating = np.random.default_rng(seed).chisquare(8, (FRAMES, last - first + 1)) / 8
    powers[:, first : last + 1] = 10.0 ** (level_db / 10.0) * fluctuating
    return powers


def pair_share(powers: dict[str, NDArray[np.float64]], masked: str, masker: str) -> float:
    pairs = most_masked_pairs(powers, 99)
    return sum(pair.share for pair in pairs if (pair.masked, pair.masker) == (masked, masker))


def covered_share(powers: dict[str, NDArray[np.float64]], name: str) -> float:
    """How much of a track is covered by all others together: they are one track here."""
    others = [power for other, power in powers.items() if other != name]
    rest = np.sum(others, axis=0) if others else np.zeros_like(powers[name])
    return pair_share({name: powers[name], "the rest": rest}, name, "the rest")


def covered_shares(powers: dict[str, NDArray[np.float64]]) -> dict[str, float]:
    return {name: covered_share(powers, name) for name in powers}


def erb_hz(freq_hz: float) -> float:
    """Glasberg and Moore 1990, as printed: 24.7 (4.37 F + 1), F in kHz."""
    return 24.7 * (4.37 * freq_hz / 1000.0 + 1.0)


def test_bandwidths_are_those_of_the_paper() -> None:
    # Glasberg and Moore 1990: 21.4 lg(4.37 F + 1) as printed; the factor is 21.33 by the integral.
    for hz in (100.0, 1000.0, 10000.0):
        assert erb_number(hz) == pytest.approx(21.4 * math.log10(4.37 * hz / 1000 + 1), rel=4e-3)
        count, _ = integrate.quad(lambda f: 1.0 / erb_hz(f), 0.0, hz)
        assert erb_number(hz) == pytest.approx(count)


def test_a_filter_is_as_wide_as_its_erb() -> None:
    # The area under (1 + pg) exp(-pg) on both sides is 4/p of the centre: p = 4 f / ERB.
    bands = third_octaves()
    for index in (13, 16, 22):
        centre = bands[index].midband_hz
        widths = np.array([band.high_hz - band.low_hz for band in bands])
        assert (spreading()[index] * widths).sum() == pytest.approx(erb_hz(centre), rel=0.02)


@pytest.mark.parametrize(("into", "out_of"), [(16, 16), (17, 16), (14, 16), (3, 1), (25, 27)])
def test_spreading_is_that_of_the_filters(into: int, out_of: int) -> None:
    bands = third_octaves()
    target, source = bands[into], bands[out_of]

    def gain(freq: float, centre: float) -> float:
        away = 4.0 * centre / erb_hz(centre) * abs(freq - centre) / centre
        return (1.0 + away) * math.exp(-away)

    centres = np.linspace(target.low_hz, target.high_hz, 201)
    freqs = np.linspace(source.low_hz, source.high_hz, 201)
    by_centre = [np.trapezoid([gain(f, centre) for f in freqs], freqs) for centre in centres]
    area = (target.high_hz - target.low_hz) * (source.high_hz - source.low_hz)
    mean = float(np.trapezoid(by_centre, centres)) / area
    assert 10 * math.log10(spreading()[into, out_of] / mean) == pytest.approx(0.0, abs=0.1)


def test_spreading_falls_off_to_both_sides() -> None:
    for source in range(30):
        column = spreading()[:, source]
        assert all(a <= b for a, b in pairwise(column[: source + 1]))
        assert all(a >= b for a, b in pairwise(column[source:]))


@pytest.mark.parametrize(("difference_db", "least", "most"), [(20.0, 0.999, 1.0), (8.0, 0.8, 1.0)])
def test_the_quieter_of_two_in_the_same_bands_is_masked(
    difference_db: float, least: float, most: float
) -> None:
    powers = {"pad": band_noise(1, 8, 20, -difference_db), "organ": band_noise(2, 8, 20)}
    (pair, *others) = most_masked_pairs(powers)
    assert (pair.masked, pair.masker) == ("pad", "organ")
    assert least <= pair.share <= most
    assert pair.by_db == pytest.approx(difference_db - MASKED_BELOW_DB, abs=1.0)
    # From 160 Hz to 2.5 kHz, and two thirds of it in less.
    assert third_octaves()[8].low_hz <= pair.low_hz < 500 < 1000 < pair.high_hz
    assert pair.high_hz <= third_octaves()[20].high_hz
    assert sum(other.share for other in others) < 0.001


def test_at_the_threshold_half_is_masked() -> None:
    # Excitation differs by K in the mean: as many frames lie above as below.
    powers = {"a": band_noise(1, 8, 20, -MASKED_BELOW_DB), "b": band_noise(2, 8, 20)}
    assert pair_share(powers, "a", "b") == pytest.approx(0.5, abs=0.05)


def test_bands_two_octaves_apart_leave_one_another_alone() -> None:
    low, high = band_noise(1, 8, 10), band_noise(2, 17, 19)
    for low_db, high_db in ((0, 0), (-20, 0), (0, -20)):
        powers = {"low": low * 10 ** (low_db / 10), "high": high * 10 ** (high_db / 10)}
        assert max(covered_shares(powers).values()) < 0.02


def test_a_loud_neighbour_covers_what_it_spreads_to() -> None:
    # From 1 kHz to the next band the filters lose 11.8 dB less 3.4, by `spreading`.
    lost_db = 10 * math.log10(spreading()[17, 17] / spreading()[17, 16])
    loud, soft = np.zeros((2, FRAMES, 30))
    loud[:, 16] = 1.0
    shares = []
    for over_threshold_db in (3.0, -3.0):
        soft[:, 17] = 10 ** ((over_threshold_db - lost_db - MASKED_BELOW_DB) / 10)
        shares.append(pair_share({"loud": loud, "soft": soft}, "soft", "loud"))
    # The band itself is the largest single part of what the soft one is heard by.
    assert shares[1] - shares[0] > 0.25


def test_equal_tracks_cover_little_of_one_another() -> None:
    powers = {"a": band_noise(1, 8, 20), "b": band_noise(2, 8, 20)}
    assert 0.0 < pair_share(powers, "a", "b") < 0.1
    assert pair_share(powers, "a", "b") == pytest.approx(pair_share(powers, "b", "a"), abs=0.02)
    assert most_masked_pairs({"a": powers["a"], "b": powers["a"]}) == ()


def test_several_cover_what_none_does_alone() -> None:
    powers = {"voice": band_noise(0, 8, 20)}
    powers |= {f"guitar {seed}": band_noise(seed, 8, 20, 1.0) for seed in range(1, 6)}
    alone = max(pair_share(powers, "voice", masker) for masker in powers if masker != "voice")
    assert alone < 0.2
    assert covered_share(powers, "voice") > 0.9


@pytest.mark.parametrize("gain_db", [-90.0, -13.0, 40.0])
def test_making_everything_louder_changes_nothing(gain_db: float) -> None:
    powers = {"a": band_noise(1, 2, 20, -9.0), "b": band_noise(2, 8, 28), "c": band_noise(3, 0, 29)}
    louder = {name: power * 10 ** (gain_db / 10) for name, power in powers.items()}
    found, again = most_masked_pairs(powers), most_masked_pairs(louder)
    assert [(pair.masked, pair.masker) for pair in again] == [(p.masked, p.masker) for p in found]
    assert [pair.share for pair in again] == pytest.approx([pair.share for pair in found])
    assert covered_shares(louder) == pytest.approx(covered_shares(powers))


def test_a_cut_in_the_masker_uncovers_the_masked() -> None:
    keys, guitar = band_noise(1, 10, 16, -12.0), band_noise(2, 8, 22)
    shares = []
    for cut_db in range(0, 13, 2):
        gain = np.ones(30)
        gain[11:16] = 10 ** (-cut_db / 10)
        shares.append(pair_share({"keys": keys, "guitar": guitar * gain}, "keys", "guitar"))
    assert all(before > after for before, after in pairwise(shares))
    assert shares[0] > 0.95
    assert shares[-1] < 0.6


def test_the_range_is_where_it_happens() -> None:
    # A masker of 1 to 2 kHz under a full-range track covers just these bands of it.
    masker = np.full((FRAMES, 30), 1e-9)
    masker[:, 16:20] = 10.0
    pair = most_masked_pairs({"full": band_noise(1, 4, 26), "beep": masker}, 1)[0]
    assert (pair.masked, pair.masker) == ("full", "beep")
    assert 0.1 < pair.share < 0.5
    assert third_octaves()[15].low_hz <= pair.low_hz < pair.high_hz <= third_octaves()[20].high_hz


def test_only_what_sounds_at_the_same_time_is_covered() -> None:
    loud, soft = band_noise(1, 8, 20), band_noise(2, 8, 20, -15.0)
    soft[: FRAMES // 2] = 0.0
    beside = loud.copy()
    beside[FRAMES // 2 :] = 0.0
    assert pair_share({"soft": soft, "loud": loud}, "soft", "loud") > 0.98
    assert most_masked_pairs({"soft": soft, "loud": beside}) == ()


def test_pauses_with_bleed_count_for_nothing() -> None:
    voice = band_noise(1, 8, 20)
    voice[::2] *= 10 ** (-30 / 10)
    assert covered_share({"voice": voice, "pad": band_noise(2, 8, 20, -10.0)}, "voice") < 0.01


def test_what_cannot_be_heard_alone_is_not_masked() -> None:
    # 100 dB under a mix at 80 dB SPL: below the threshold in quiet, which no one covers.
    powers = {"dust": band_noise(1, 8, 20, -100.0), "mix": band_noise(2, 8, 20)}
    assert most_masked_pairs(powers) == ()
    assert covered_shares(powers) == {"dust": 0.0, "mix": 0.0}


@pytest.mark.parametrize("frames", [0, 1, 7])
def test_silence_is_neither_masked_nor_masks(frames: int) -> None:
    silence, tone = np.zeros((frames, 30)), np.ones((frames, 30))
    assert most_masked_pairs({"a": silence, "b": silence}) == ()
    assert covered_shares({"a": silence, "b": tone}) == {"a": 0.0, "b": 0.0}
    assert covered_shares({"b": tone}) == {"b": 0.0}
    assert most_masked_pairs({}) == ()


def test_shapes_have_to_agree() -> None:
    with pytest.raises(ValueError, match="expected one of"):
        most_masked_pairs({"a": np.zeros((3, 30)), "b": np.zeros((4, 30))})
    with pytest.raises(ValueError, match="expected one of"):
        most_masked_pairs({"a": np.zeros((3, 10))})


def test_real_sound_by_way_of_the_meter() -> None:
    # Soft noise about 500 Hz under loud noise of 200 Hz to 2 kHz, and a bell of 6 to 9 kHz alone.
    random = np.random.default_rng(3)
    powers = {}
    for name, low, high, gain in (
        ("keys", 400.0, 650.0, 0.005),
        ("guitar", 200.0, 2000.0, 0.1),
        ("bell", 6000.0, 9000.0, 0.01),
    ):
        sections = signal.butter(4, [low, high], "bandpass", fs=48000, output="sos")
        noise = signal.sosfilt(sections, random.standard_normal(96000))
        meter = SpectrumMeter(48000, 1, hop_s=1 / 24)
        meter.feed((gain * noise / noise.std())[:, None])
        powers[name] = meter.band_powers()
    pair = most_masked_pairs(powers, 1)[0]
    assert (pair.masked, pair.masker) == ("keys", "guitar")
    assert pair.share > 0.9
    assert 250 < pair.low_hz < 500 < pair.high_hz < 1000
    # Of the bell, the skirt of the filter it is made with.
    assert covered_share(powers, "bell") < 0.1
    assert covered_share(powers, "guitar") < 0.05
