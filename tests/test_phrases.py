"""Phrases of made voices, whose ends are known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from mixwright.meters.loudness import to_mean_square
from mixwright.meters.phrases import VoicePhrase, find_phrases

HOP_S = 0.01
WITHIN_S = 0.15
SECONDS = 40.0
LEVEL = to_mean_square(-20.0)
Ends = list[tuple[float, float]]


def at_db(level_db: float) -> float:
    return float(LEVEL * 10.0 ** (level_db / 10.0))


def times_s(hop_s: float = HOP_S) -> NDArray[np.float64]:
    return (np.arange(round(SECONDS / hop_s)) + 0.5) * hop_s


def phrase_ends(seed: int) -> Ends:
    """Phrases of 1.5 to 3 s with pauses of 0.6 to 1 s, the first after 2 s."""
    random, ends = np.random.default_rng(seed), []
    at = 2.0
    while at + 3.0 < SECONDS - 1.0:
        ends.append((at, at + random.uniform(1.5, 3.0)))
        at = ends[-1][1] + random.uniform(0.6, 1.0)
    return ends


def sung(ends: Ends, seed: int, levels_db: dict[int, float] | None = None) -> NDArray[np.float64]:
    """Syllables, 4 to 5 a second and some dB apart, between gaps of 30 to 120 ms, 40 dB down.

    Their mean, gaps included, is about `LEVEL`.
    """
    random, powers, time = np.random.default_rng(seed), np.zeros(len(times_s())), times_s()
    for index, (start, end) in enumerate(ends):
        at = start
        while at < end - 0.05:
            length = min(random.uniform(1 / 5, 1 / 4), end - at)
            gap = random.uniform(0.03, 0.12) if at + length < end else 0.0
            level_db = random.uniform(0.0, 8.0) + (levels_db or {}).get(index, 0.0)
            on = (time >= at) & (time < at + length)
            powers[on] += at_db(level_db - 40.0)
            # A syllable swells and falls by 6 dB.
            swell_db = -6.0 * np.abs(2.0 * (time - at) / (length - gap) - 1.0)
            on &= time < at + length - gap
            powers[on] += LEVEL * 10.0 ** ((level_db + swell_db[on]) / 10.0)
            at += length
    return powers


def noisy(level_db: float, seed: int = 9) -> NDArray[np.float64]:
    """A steady noise in hops of 10 ms, give or take a decibel or two."""
    return np.asarray(
        at_db(level_db) * np.random.default_rng(seed).chisquare(20, len(times_s())) / 20
    )


def assert_found(powers: NDArray[np.float64], ends: Ends, hop_s: float = HOP_S) -> None:
    found = find_phrases(powers, hop_s)
    assert len(found) == len(ends), found
    for phrase, (start, end) in zip(found, ends, strict=True):
        assert phrase.start_s == pytest.approx(start, abs=WITHIN_S)
        assert phrase.end_s == pytest.approx(end, abs=WITHIN_S)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("floor_db", [None, -60.0, -32.0, -26.0])
def test_phrases_over_a_noise_floor(seed: int, floor_db: float | None) -> None:
    ends = phrase_ends(seed)
    powers = sung(ends, seed)
    assert_found(powers + (0.0 if floor_db is None else noisy(floor_db)), ends)


@pytest.mark.parametrize("hop_s", [0.02, 0.05, 0.1])
def test_longer_hops_find_the_same(hop_s: float) -> None:
    ends, together = phrase_ends(3), round(hop_s / HOP_S)
    powers = (sung(ends, 3) + noisy(-50.0)).reshape(-1, together).mean(axis=1)
    assert_found(powers, ends, hop_s)


@pytest.mark.parametrize("seed", range(4))
def test_breaths_are_no_phrases_and_bridge_none(seed: int) -> None:
    # Breaths of 0.25 s, 20 dB under the voice, end 0.05 s before the next phrase.
    ends = phrase_ends(seed)
    powers, time = sung(ends, seed) + noisy(-60.0), times_s()
    for start, _ in ends:
        powers[(time >= start - 0.3) & (time < start - 0.05)] += at_db(-20.0)
    assert_found(powers, ends)


@pytest.mark.parametrize("seed", range(4))
def test_bleed_30_db_down_is_no_voice(seed: int) -> None:
    # Drum hits every 0.25 s, 30 dB under the voice in the mean and some 6 dB more as they strike.
    ends, time = phrase_ends(seed), times_s()
    hits = at_db(-24.0) * np.exp(-np.fmod(time, 0.25) / 0.06)
    assert 10 * np.log10(hits.mean() / LEVEL) == pytest.approx(-30.0, abs=0.5)
    assert_found(sung(ends, seed) + hits, ends)


def test_a_sparse_voice_in_bleed() -> None:
    # One short phrase in 40 s: the pauses have a third of the energy.
    ends = [(20.0, 21.5)]
    assert_found(sung(ends, 1) + noisy(-26.0), ends)


@pytest.mark.parametrize("soft_db", [-8.0, -12.0])
def test_a_soft_phrase_among_loud_ones(soft_db: float) -> None:
    ends = phrase_ends(5)
    assert_found(sung(ends, 5, {2: soft_db, 3: soft_db}) + noisy(-50.0), ends)


def test_a_voice_that_never_pauses_is_one_phrase() -> None:
    ends = [(0.0, SECONDS)]
    assert_found(sung(ends, 4), ends)
    assert_found(np.full(4000, LEVEL), ends)


def test_gaps_are_bridged_up_to_a_third_of_a_second() -> None:
    powers, time = np.full(4000, LEVEL), times_s()
    for start, length in ((5.0, 0.15), (10.0, 0.30), (15.0, 0.45), (20.0, 0.60)):
        powers[(time >= start) & (time < start + length)] = 0.0
    assert_found(powers, [(0.0, 15.0), (15.45, 20.0), (20.6, SECONDS)])


def test_blips_are_dropped_and_short_words_kept() -> None:
    ends = [(5.0, 8.0), (20.0, 20.4), (30.0, 32.0)]
    powers, time = sung(ends, 2) + noisy(-50.0), times_s()
    for start, length in ((12.0, 0.02), (14.0, 0.15), (25.0, 0.1)):
        powers[(time >= start) & (time < start + length)] += LEVEL
    assert_found(powers, ends)


def test_a_fade_out_ends_the_last_phrase_once() -> None:
    # From 20 s on, 6 dB a second down: the threshold is 18 to 26 dB under the voice.
    powers, time = sung([(2.0, 10.0), (11.0, SECONDS)], 7), times_s()
    powers *= 10.0 ** (-6.0 * np.maximum(time - 20.0, 0.0) / 10.0)
    first, last = find_phrases(powers + noisy(-60.0), HOP_S)
    assert (first.start_s, first.end_s) == pytest.approx((2.0, 10.0), abs=WITHIN_S)
    assert last.start_s == pytest.approx(11.0, abs=WITHIN_S)
    assert 22.5 < last.end_s < 24.5


def test_a_fade_in_of_half_a_second_is_heard_from_its_middle() -> None:
    time = times_s()
    powers = np.where((time > 5.0) & (time < 10.0), LEVEL, 0.0)
    powers *= 10.0 ** (-4.0 * np.clip(1.0 - (time - 5.0) / 0.5, 0.0, 1.0))
    (found,) = find_phrases(powers, HOP_S)
    # 40 dB over half a second: 18 dB down is 0.275 s in.
    assert found.start_s == pytest.approx(5.275, abs=0.05)


@pytest.mark.parametrize("gain_db", [-30.0, 17.0])
def test_the_level_of_the_track_does_not_matter(gain_db: float) -> None:
    powers = sung(phrase_ends(1), 1) + noisy(-40.0)
    assert find_phrases(powers * 10 ** (gain_db / 10), HOP_S) == find_phrases(powers, HOP_S)


def test_digital_silence_around_it_does_not_matter() -> None:
    powers = sung(phrase_ends(1), 1) + noisy(-40.0)
    moved = find_phrases(np.concatenate([np.zeros(2000), powers, np.zeros(9000)]), HOP_S)
    expected = [(p.start_s + 20.0, p.end_s + 20.0) for p in find_phrases(powers, HOP_S)]
    assert len(moved) == len(expected) > 5
    for phrase, ends in zip(moved, expected, strict=True):
        assert (phrase.start_s, phrase.end_s) == pytest.approx(ends)


@pytest.mark.parametrize("hops", [0, 1, 500])
def test_silence_and_hiss_hold_no_phrase(hops: int) -> None:
    assert find_phrases(np.zeros(hops), HOP_S) == ()
    assert find_phrases(np.full(hops, to_mean_square(-75.0)), HOP_S) == ()


@pytest.mark.parametrize("hop_s", [0.0, -0.01, 0.4])
def test_hops_have_to_be_short(hop_s: float) -> None:
    with pytest.raises(ValueError, match="expected more than 0"):
        find_phrases(np.ones(10), hop_s)


def test_frames_of_a_phrase() -> None:
    inside = VoicePhrase(1.0, 2.0).frames(100, 1 / 24)
    assert np.flatnonzero(inside).tolist() == list(range(24, 48))
    assert not VoicePhrase(5.0, 6.0).frames(100, 1 / 24).any()
