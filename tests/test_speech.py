"""Audibility of a voice against ANSI S3.5-1997 where it is defined, and against its own laws."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mixwright.meters.bands import nominal_third_octaves
from mixwright.meters.speech import (
    BAND_IMPORTANCE,
    audibility_of_phrase,
    lacking_db,
)

FRAMES = 72
ALL = np.full(FRAMES, True)
FLAT = np.ones((FRAMES, 30))


def raised(powers: NDArray[np.float64], by_db: float) -> NDArray[np.float64]:
    return np.asarray(powers * 10.0 ** (by_db / 10.0))


def fluctuating(seed: int, slope_db: float = 0.0) -> NDArray[np.float64]:
    """Powers that go up and down, as those of syllables do, falling by `slope_db` a band."""
    random = np.random.default_rng(seed)
    syllables = 10.0 ** (-2.0 * random.uniform(0.0, 1.0, (FRAMES, 1)))
    spectrum = 10.0 ** (-slope_db / 10.0 * np.arange(30))
    return np.asarray(syllables * random.chisquare(8, (FRAMES, 30)) / 8 * spectrum)


def audibility(voice: NDArray[np.float64], rest: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much of the voice is heard in each frame, by itself."""
    return np.array(
        [
            audibility_of_phrase(own[None], other[None], np.full(1, True))
            for own, other in zip(voice, rest, strict=True)
        ]
    )


def test_importance_is_that_of_the_standard() -> None:
    # ANSI S3.5-1997, Table 3: sums as worked out from it.
    hz, importance = np.array(BAND_IMPORTANCE).T
    assert importance.sum() == pytest.approx(1.0, abs=1e-12)
    assert importance[hz >= 1000].sum() == pytest.approx(0.7001, abs=1e-9)
    assert importance[(hz >= 500) & (hz <= 4000)].sum() == pytest.approx(0.7867, abs=1e-9)
    assert tuple(hz) == nominal_third_octaves()[8:26]


@pytest.mark.parametrize(
    ("over_db", "expected"), [(-15, 0.0), (-5, 1 / 3), (0, 0.5), (5, 2 / 3), (15, 1.0), (40, 1.0)]
)
def test_a_flat_ratio_reads_as_in_the_standard(over_db: float, expected: float) -> None:
    # clip((E - D + 15) / 30, 0, 1) in every band, whatever the spectrum they share.
    for spectrum in (FLAT, FLAT * 10.0 ** (-0.05 * np.arange(30))):
        assert audibility(raised(spectrum, over_db), spectrum) == pytest.approx([expected] * FRAMES)
        found = audibility_of_phrase(raised(spectrum, over_db), spectrum, ALL)
        assert found == pytest.approx(expected)


@pytest.mark.parametrize("band", [0, 7, 17])
def test_a_covered_band_costs_its_importance(band: int) -> None:
    rest = raised(FLAT, -20.0)
    rest[:, 8 + band] = 1000.0
    expected = 1.0 - BAND_IMPORTANCE[band][1]
    assert audibility(FLAT, rest) == pytest.approx([expected] * FRAMES)
    assert audibility_of_phrase(FLAT, rest, ALL) == pytest.approx(expected)


def test_what_lies_beside_the_bands_of_speech_does_not_count() -> None:
    rest = raised(FLAT, -20.0)
    rest[:, :8] = rest[:, 26:] = 1e6
    assert audibility(FLAT, rest) == pytest.approx([1.0] * FRAMES)


def test_a_dull_voice_that_nothing_covers_is_heard() -> None:
    # Nothing above 1 kHz, where 0.62 of the importance lies, and loud cymbals there.
    dull, cymbals = np.zeros((2, FRAMES, 30))
    dull[:, 8:17], cymbals[:, 17:] = 1.0, 100.0
    assert audibility_of_phrase(dull, cymbals, ALL) == pytest.approx(1.0)
    # The same with bleed of the cymbals 35 dB down; from 30 dB on it counts as voice.
    assert audibility_of_phrase(dull + raised(cymbals, -55), cymbals, ALL) == pytest.approx(1.0)
    assert audibility_of_phrase(dull + raised(cymbals, -45), cymbals, ALL) < 0.4


def test_the_ups_and_downs_of_syllables_are_not_counted_twice() -> None:
    # A second of voice counts with its mean power: half of the time on is 3.01 dB less.
    syllables = FLAT * (np.arange(FRAMES) % 6 < 3)[:, None]
    found = audibility_of_phrase(syllables, raised(FLAT, -5.0), ALL)
    assert found == pytest.approx((5.0 - 3.0103 + 15.0) / 30.0, abs=1e-4)
    # Frame by frame, half of the frames would have nothing.
    assert audibility(syllables, raised(FLAT, -5.0)).mean() == pytest.approx(1 / 3)


def test_the_rest_counts_by_how_long_it_covers() -> None:
    drums = raised(FLAT, -20.0)
    drums[::8] = 1e4
    assert audibility_of_phrase(FLAT, drums, ALL) == pytest.approx(7 / 8)


def test_a_lost_second_shows_in_a_long_phrase() -> None:
    voice, active = np.ones((240, 30)), np.full(240, True)
    voice[100:148] = 0.001
    found = audibility_of_phrase(voice, raised(np.ones((240, 30)), -15.0), active)
    assert 0.8 < found < 0.9
    # Counted as one, the phrase would have lost 1 dB.
    as_one = audibility_of_phrase(voice, raised(np.ones((240, 30)), -15.0), active, 240)
    assert as_one > 0.95


def test_only_active_frames_are_heard() -> None:
    voice, rest = fluctuating(1), fluctuating(2)
    active = np.arange(FRAMES) % 5 > 1
    other_voice, other_rest = voice.copy(), rest.copy()
    other_voice[~active], other_rest[~active] = 77.0, 1e9
    for ask in (audibility_of_phrase, lambda *a: lacking_db(*a, limit=0.8)):
        assert ask(voice, rest, active) == ask(other_voice, other_rest, active)
        assert ask(voice, rest, active) == ask(
            voice[active], rest[active], np.full(active.sum(), True)
        )


@settings(max_examples=25)
@given(st.integers(0, 10**6), st.floats(-30.0, 30.0), st.floats(0.0, 2.0))
def test_louder_is_never_heard_less(seed: int, gain_db: float, slope_db: float) -> None:
    voice, rest = fluctuating(seed, slope_db), fluctuating(seed + 1)
    heard = [
        audibility_of_phrase(raised(voice, gain_db + step), rest, ALL) for step in range(0, 9, 2)
    ]
    assert all(0.0 <= a <= b <= 1.0 + 1e-12 for a, b in pairwise(heard))
    # Both louder is no change.
    both = audibility_of_phrase(raised(voice, gain_db), raised(rest, gain_db), ALL)
    assert both == pytest.approx(audibility_of_phrase(voice, rest, ALL))


@settings(max_examples=25)
@given(st.integers(0, 10**6), st.floats(0.05, 0.95))
def test_what_is_lacking_is_exactly_what_has_to_be_added(seed: int, limit: float) -> None:
    voice, rest = raised(fluctuating(seed, 1.0), -8.0), fluctuating(seed + 1, 0.5)
    lacking = lacking_db(voice, rest, ALL, limit)
    found = audibility_of_phrase(voice, rest, ALL)
    assert (lacking == 0.0) == (found >= limit)
    if lacking > 0.0:
        after = audibility_of_phrase(raised(voice, lacking), rest, ALL)
        assert after == pytest.approx(limit, abs=1e-7)


@pytest.mark.parametrize(
    ("over_db", "limit", "expected"),
    [(0, 0.6, 3.0), (-20, 0.5, 20.0), (0, 0.5, 0.0), (9, 0.5, 0.0), (-39, 0.6, math.inf)],
)
def test_what_is_lacking_to_a_flat_ratio(over_db: float, limit: float, expected: float) -> None:
    # The ratio for an audibility of K is 30 K - 15 dB.
    found = lacking_db(raised(FLAT, over_db), FLAT, ALL, limit)
    assert found == pytest.approx(expected, abs=1e-7)


def test_silence_and_no_frames() -> None:
    silence = np.zeros_like(FLAT)
    assert audibility(silence, FLAT) == pytest.approx([0.0] * FRAMES)
    assert audibility(silence, silence) == pytest.approx([0.0] * FRAMES)
    assert audibility(FLAT, silence) == pytest.approx([1.0] * FRAMES)
    assert lacking_db(silence, FLAT, ALL, 0.5) == math.inf
    assert lacking_db(FLAT, silence, ALL, 0.5) == 0.0
    assert lacking_db(FLAT, FLAT, ALL, 1.1) == math.inf
    for ask in (audibility_of_phrase, lambda *a: lacking_db(*a, limit=0.5)):
        with pytest.raises(ValueError, match="expected one or more"):
            ask(FLAT, FLAT, ~ALL)
