"""Musical time. Note lengths are checked against the arithmetic 60000 / BPM."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixwright.timeline import Position, Section, TempoChange, Timeline, note_to_beats

tempos = st.lists(
    st.tuples(st.integers(1, 30), st.floats(30, 300), st.integers(2, 7)), min_size=1, max_size=5
)


def built(changes: list[tuple[int, float, int]]) -> Timeline:
    bar, out = 1, []
    for step, bpm, beats in changes:
        out.append(TempoChange(bar, bpm, beats))
        bar += step
    return Timeline(48000, tuple(out))


@pytest.mark.parametrize(
    ("bpm", "note", "ms"),
    [  # note lengths in ms at 96 and 120 BPM: quarter = 60000/BPM, dotted x 3/2, triplet x 2/3
        (96, "1/1", 2500),
        (96, "1/4 dotted", 937.5),
        (96, "1/8 triplet", 208.333333),
        (120, "1/8 dotted", 375),
        (120, "1/16", 125),
        (120, "1/16 triplet", 83.333333),
    ],
)
def test_note_values_match_the_arithmetic(bpm: float, note: str, ms: float) -> None:
    assert 60000 / bpm * note_to_beats(note) == pytest.approx(ms, abs=1e-5)


@pytest.mark.parametrize("bad", ["1/3", "1/8 swung", "", "1/8 dotted dotted", "eighth"])
def test_other_words_are_no_note_values(bad: str) -> None:
    with pytest.raises(ValueError, match="not a note value"):
        note_to_beats(bad)


def test_a_bar_after_a_tempo_change_is_exact() -> None:
    timeline = Timeline(48000, (TempoChange(1, 120, 4), TempoChange(3, 60, 3)))
    assert timeline.seconds_at_bar(3) == 4.0
    assert timeline.seconds_at_bar(5, 2.5) == 4.0 + 2 * 3 + 1.5
    assert timeline.sample_at(Position(bar=3)) == 192000


@given(tempos, st.integers(1, 120), st.floats(0, 0.999))
def test_bars_and_seconds_are_inverse(
    changes: list[tuple[int, float, int]], bar: int, share: float
) -> None:
    timeline = built(changes)
    beats = timeline.tempo_at(timeline.seconds_at_bar(bar)).beats_per_bar
    beat = 1.0 + share * (beats - 0.001)
    back = timeline.bar_and_beat_at(timeline.seconds_at_bar(bar, beat))
    assert (back[0] - bar) * beats + back[1] - beat == pytest.approx(0.0, abs=1e-6)


@given(tempos, st.lists(st.integers(1, 200), min_size=2, max_size=10, unique=True))
def test_time_rises_with_bars(changes: list[tuple[int, float, int]], bars: list[int]) -> None:
    timeline = built(changes)
    seconds = [timeline.seconds_at_bar(bar) for bar in sorted(bars)]
    assert seconds == sorted(set(seconds))


@given(tempos, st.floats(0, 60), st.floats(0, 40), st.floats(0, 40))
def test_lengths_in_beats_add_up(
    changes: list[tuple[int, float, int]], start: float, first: float, second: float
) -> None:
    timeline = built(changes)
    one = timeline.beats_to_seconds(start, first)
    two = timeline.beats_to_seconds(start + one, second)
    assert one + two == pytest.approx(timeline.beats_to_seconds(start, first + second), abs=1e-6)


def test_sections_reach_to_the_next_one() -> None:
    timeline = Timeline(48000, sections=(Section("verse", 1), Section("chorus", 3)))
    bounds = timeline.section_bounds(480000)
    assert [(s.name, a, b) for s, a, b in bounds] == [
        ("verse", 0, 192000),
        ("chorus", 192000, 480000),
    ]
    assert timeline.section_at(191999) == Section("verse", 1)
    assert timeline.section_at(192000) == Section("chorus", 3)
