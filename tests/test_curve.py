"""Curves: straight and eased moves, and no click whatever is asked for."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from mixwright.dsp.curve import (
    DECLICK_MS,
    MOST_STEP_DB,
    MOST_STEP_OCTAVES,
    MOST_STEP_PLAIN,
    Curve,
    CurveMove,
    Shape,
    Unit,
)
from mixwright.dsp.pan import pan_gains
from mixwright.units import SILENCE_DB, db_to_gain

FRAMES = 4000
# 0.1 dB down is 1.14 %, 0.1 dB up 1.16 % (plain arithmetic: 10^(0.1/20)).
STEP_SHARE = 10 ** (0.1 / 20) - 1
VALUES = {
    "dB": st.one_of(st.just(SILENCE_DB), st.floats(-130, 12)),
    "plain": st.floats(-100, 100),
    "octaves": st.floats(20, 20000),
}


@st.composite
def curves(draw: st.DrawFn, unit: Unit) -> Curve:
    """Any curve of a unit; many moves overtake one another."""
    shapes = st.sampled_from(["line", "smooth"])
    moves = st.builds(CurveMove, st.integers(0, 3000), st.integers(1, 900), VALUES[unit], shapes)
    found = sorted(draw(st.lists(moves, max_size=6)), key=lambda move: move.start)
    return Curve(unit, draw(VALUES[unit]), tuple(found))


any_curve = st.sampled_from(["dB", "plain", "octaves"]).flatmap(curves)


def whole(curve: Curve, frames: int = FRAMES, start: int = 0) -> NDArray[np.float64]:
    """Its values, one for each sample."""
    return np.array(np.broadcast_to(curve.values(start, frames), frames))


def outward(unit: Unit, value: float) -> float:
    return db_to_gain(value) if unit == "dB" else value


# --- the way a move takes


def test_a_gain_ramp_is_straight_in_db() -> None:
    curve = Curve("dB", -20.0, (CurveMove(100, 1000, -8.0),))
    levels = 20 * np.log10(curve.values(0, 1200))
    assert levels[99] == pytest.approx(-20.0)
    assert levels[599] == pytest.approx(-14.0)
    assert levels[1099:] == pytest.approx(-8.0)
    assert np.abs(np.diff(levels)).max() == pytest.approx(0.012)


def test_a_fade_to_silence_is_straight_in_amplitude() -> None:
    gains = whole(Curve("dB", -6.0, (CurveMove(0, 1000, SILENCE_DB),)), 1200)
    assert gains[499] == pytest.approx(0.5 * db_to_gain(-6.0))
    assert np.ptp(np.diff(gains[:1000])) < 1e-12
    assert not gains[999:].any()


def test_a_frequency_is_straight_in_octaves() -> None:
    found = whole(Curve("octaves", 100.0, (CurveMove(0, 3000, 800.0),)))
    assert found[[999, 1999]] == pytest.approx([200.0, 400.0])
    assert (found[2999:] == 800.0).all()


@pytest.mark.parametrize(
    ("unit", "initial", "target"),
    [
        ("dB", -20.0, -8.0),
        ("dB", SILENCE_DB, 0.0),
        ("plain", -100.0, 60.0),
        ("octaves", 1000.0, 250.0),
    ],
)
def test_a_smooth_move_is_a_raised_cosine_of_its_unit(
    unit: Unit, initial: float, target: float
) -> None:
    length = 1200
    found = whole(Curve(unit, initial, (CurveMove(1, length, target, "smooth"),)), length + 1)
    in_unit = {
        "dB": lambda v: v if SILENCE_DB in (initial, target) else 20 * np.log10(v),
        "plain": lambda v: v,
        "octaves": np.log2,
    }[unit]
    way = in_unit(found)
    share = (way - way[0]) / (way[-1] - way[0])
    assert share == pytest.approx(
        0.5 - 0.5 * np.cos(np.pi * np.arange(length + 1) / length), abs=1e-9
    )
    # Level at both ends: the first and last steps are of second order, where a line's are 1 / N.
    steps = np.diff(share)
    assert steps[[0, -1]] == pytest.approx(0.25 * (np.pi / length) ** 2, rel=1e-3)
    assert steps.max() <= 0.5 * np.pi / length * (1 + 1e-9)


# --- laws


@given(any_curve)
def test_nothing_clicks_whatever_is_asked_for(curve: Curve) -> None:
    found = whole(curve)
    assert np.isfinite(found).all()
    if curve.unit == "plain":
        assert np.abs(np.diff(found)).max() <= MOST_STEP_PLAIN + 1e-9
    elif curve.unit == "octaves":
        assert np.abs(np.diff(np.log2(found))).max() <= MOST_STEP_OCTAVES + 1e-9
    else:
        # Of the larger end of the move that is on: where it set out, or where it goes.
        larger = np.full(FRAMES, db_to_gain(curve.initial))
        for move in curve.moves:
            larger[move.start :] = max(found[max(0, move.start - 1)], db_to_gain(move.value))
        assert (np.abs(np.diff(found)) <= STEP_SHARE * larger[1:] + 1e-15).all()


@given(curves("dB").filter(lambda c: all(m.value > -200 for m in c.moves) and c.initial > -200))
def test_a_level_never_steps_by_more_than_a_tenth_of_a_decibel(curve: Curve) -> None:
    assert np.abs(np.diff(20 * np.log10(whole(curve)))).max() <= MOST_STEP_DB + 1e-9


def test_the_largest_step_is_used() -> None:
    # The limit itself: without stretching this would be one step of 40 dB.
    found = 20 * np.log10(whole(Curve("dB", 0.0, (CurveMove(10, 1, -40.0),)), 500))
    assert (found[9], found[409]) == pytest.approx((0.0, -40.0))
    assert np.abs(np.diff(found)).max() == pytest.approx(0.1)
    assert found[408] > -39.95


@given(any_curve)
def test_a_curve_ends_exactly_where_it_was_sent(curve: Curve) -> None:
    last = curve.moves[-1].value if curve.moves else curve.initial
    # No way is longer than 142 dB in steps of 0.1 dB, 1.571 times as many when smooth, or than 900.
    found = curve.values(3000 + 2232, 10)
    assert found.shape == (1,)
    assert found[0] == pytest.approx(outward(curve.unit, last), rel=1e-15, abs=0.0)
    if curve.unit != "dB":
        assert found[0] == last


@given(
    st.sampled_from(["dB", "plain", "octaves"]).flatmap(
        lambda unit: st.tuples(st.just(unit), VALUES[unit], VALUES[unit])
    ),
    st.integers(1, 900),
    st.sampled_from(["line", "smooth"]),
)
def test_a_move_only_ever_goes_one_way(
    ends: tuple[Unit, float, float], length: int, shape: Shape
) -> None:
    unit, initial, target = ends
    found = whole(Curve(unit, initial, (CurveMove(0, length, target, shape),)))
    rising = target >= initial
    steps = np.diff(found) if rising else -np.diff(found)
    assert steps.min() >= -1e-12 * np.abs(found).max()
    low, high = sorted(outward(unit, end) for end in (initial, target))
    margin = 1e-12 * max(abs(low), abs(high))
    assert low - margin <= found.min() <= found.max() <= high + margin


@given(any_curve, st.integers(1, 700), st.integers(-300, 3500))
def test_curves_are_the_same_in_any_blocks(curve: Curve, size: int, start: int) -> None:
    # A return that lags asks for samples before the song, too.
    frames = min(40 * size, FRAMES)
    parts = [whole(curve, min(size, frames - at), start + at) for at in range(0, frames, size)]
    assert np.array_equal(np.concatenate(parts), whole(curve, frames, start))


def test_a_move_to_where_it_is_yields_the_same_bits_alone_and_among_others() -> None:
    curve = Curve("octaves", 20.0, (CurveMove(0, 31, 34.0), CurveMove(31, 9, 34.0)))
    assert whole(curve, 50)[31:] == pytest.approx(34.0, rel=0.0, abs=0.0)


@given(curves("plain"))
def test_power_is_constant_under_any_pan_ride(curve: Curve) -> None:
    left, right = pan_gains(whole(curve))
    assert np.abs(left**2 + right**2 - 1.0).max() <= 1e-12


# --- what it costs, and what it refuses


def test_where_nothing_moves_there_is_one_value() -> None:
    curve = Curve("dB", 0.0, (CurveMove(1000, 480, -6.0), CurveMove(3000, 1, -6.0)))
    assert curve.values(-50, 1000).tolist() == [1.0]
    assert curve.values(999, 2).shape == (2,)
    # A move to where it already is moves nothing.
    assert curve.values(1480, 5000).tolist() == [db_to_gain(-6.0)]


def test_a_curve_that_was_asked_is_still_equal_and_can_be_sent() -> None:
    asked, fresh = (Curve("plain", 0.0, (CurveMove(5, 5, 1.0, "smooth"),)) for _ in range(2))
    asked.values(0, 100)
    assert asked == fresh
    assert hash(asked) == hash(fresh)
    assert pickle.loads(pickle.dumps(asked)) == fresh
    assert "Way" not in repr(asked)


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="in order"):
        Curve("dB", 0.0, (CurveMove(5, 1, 0.0), CurveMove(4, 1, 0.0)))
    with pytest.raises(ValueError, match="at least one"):
        Curve("dB", 0.0, (CurveMove(5, 0, 0.0),))
    with pytest.raises(ValueError, match="0 Hz"):
        Curve("octaves", 100.0, (CurveMove(5, 1, 0.0),))


@given(VALUES["dB"], VALUES["dB"], st.sampled_from([44100, 48000, 88200, 96000, 176400, 192000]))
def test_a_step_takes_no_longer_than_it_has_to(from_db: float, to_db: float, rate_hz: int) -> None:
    asked = math.ceil(DECLICK_MS * rate_hz / 1000)
    length = asked  # enough for a step to or from silence
    if math.isfinite(from_db) and math.isfinite(to_db):
        length = max(asked, math.ceil(abs(to_db - from_db) / MOST_STEP_DB - 1e-9))
    for move in (CurveMove(0, asked, to_db), CurveMove(0, length, to_db)):
        found = whole(Curve("dB", from_db, (move,)), length + 1)
        assert found[length - 1] == found[length] == pytest.approx(db_to_gain(to_db), rel=1e-15)
