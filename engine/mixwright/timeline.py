"""Musical time to exact samples, over tempo and meter changes.

A :class:`Timeline` is built once from the sheet. Bars and beats count from 1 and beats may be
fractional; a tempo holds from the first beat of its bar until the next change (steps, no
gradual change). A beat is a quarter note, whatever the meter: 6/8 has three of them to the bar.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

NOTE_NAMES = ("1/1", "1/2", "1/4", "1/8", "1/16", "1/32")
NOTE_FEELS = {"straight": 1.0, "dotted": 1.5, "triplet": 2.0 / 3.0}


@dataclass(frozen=True)
class TempoChange:
    """From the first beat of `bar` on: `bpm` quarter notes a minute, `beats_per_bar` to a bar."""

    bar: int
    bpm: float
    beats_per_bar: int


@dataclass(frozen=True)
class Section:
    """A named stretch of the song that starts at the first beat of `bar`."""

    name: str
    bar: int


@dataclass(frozen=True)
class Position:
    """Where something happens: exactly one of `section`, `bar` (with `beat`) or `seconds`."""

    section: str | None = None
    bar: int | None = None
    beat: float = 1.0
    seconds: float | None = None

    def __str__(self) -> str:
        if self.section is not None:
            return f"section {self.section}"
        if self.bar is not None:
            return f"bar {self.bar}" + (f" beat {self.beat:g}" if self.beat != 1.0 else "")
        return f"{self.seconds:g} s"


@dataclass(frozen=True)
class Timeline:
    """Tempo changes (first at bar 1, bars rising) and sections (bars rising) at a sample rate."""

    rate_hz: int
    tempo: tuple[TempoChange, ...] = (TempoChange(1, 120.0, 4),)
    sections: tuple[Section, ...] = ()

    def __post_init__(self) -> None:
        bars = [change.bar for change in self.tempo]
        if not bars or bars[0] != 1 or any(a >= b for a, b in itertools.pairwise(bars)):
            raise ValueError("tempo changes start at bar 1 and their bars rise")

    @cached_property
    def _change_seconds(self) -> tuple[float, ...]:
        """The time in seconds of each tempo change."""
        seconds = [0.0]
        for here, after in zip(self.tempo, self.tempo[1:], strict=False):
            beats = (after.bar - here.bar) * here.beats_per_bar
            seconds.append(seconds[-1] + beats * 60.0 / here.bpm)
        return tuple(seconds)

    def seconds_at_bar(self, bar: int, beat: float = 1.0) -> float:
        """Return the time in seconds of a beat (from 1.0, fractional) of a bar (from 1).

        >>> Timeline(48000).seconds_at_bar(2, 2.5)
        2.75
        """
        if bar < 1 or beat < 1.0:
            raise ValueError(f"bars and beats count from 1, not bar {bar} beat {beat:g}")
        index = bisect.bisect_right([change.bar for change in self.tempo], bar) - 1
        change = self.tempo[index]
        beats = (bar - change.bar) * change.beats_per_bar + (beat - 1.0)
        return self._change_seconds[index] + beats * 60.0 / change.bpm

    def tempo_at(self, seconds: float) -> TempoChange:
        """Return the tempo that holds at a time in seconds."""
        return self.tempo[max(0, bisect.bisect_right(self._change_seconds, seconds + 1e-9) - 1)]

    def bar_and_beat_at(self, seconds: float) -> tuple[int, float]:
        """Return the bar (from 1) and fractional beat (from 1.0) at a time in seconds.

        >>> Timeline(48000).bar_and_beat_at(2.75)
        (2, 2.5)
        """
        index = max(0, bisect.bisect_right(self._change_seconds, seconds + 1e-9) - 1)
        change = self.tempo[index]
        beats = max(0.0, (seconds - self._change_seconds[index]) * change.bpm / 60.0)
        bars = int((beats + 1e-9) // change.beats_per_bar)
        return change.bar + bars, 1.0 + max(0.0, beats - bars * change.beats_per_bar)

    def section_named(self, name: str) -> Section:
        """Return the section of that name; KeyError when there is none."""
        for section in self.sections:
            if section.name == name:
                return section
        raise KeyError(name)

    def seconds_at(self, position: Position) -> float:
        """Return the time in seconds of a position; KeyError for an unknown section."""
        if position.section is not None:
            return self.seconds_at_bar(self.section_named(position.section).bar)
        if position.bar is not None:
            return self.seconds_at_bar(position.bar, position.beat)
        if position.seconds is None:
            raise ValueError("a position needs a section, a bar or a time in seconds")
        return position.seconds

    def sample_at(self, position: Position) -> int:
        """Return the sample nearest to a position (half up)."""
        return self.nearest_sample(self.seconds_at(position))

    def nearest_sample(self, seconds: float) -> int:
        """Return the sample nearest to a time in seconds (half up)."""
        return int(seconds * self.rate_hz + 0.5)

    def beats_to_seconds(self, start_seconds: float, beats: float) -> float:
        """Return how long so many beats last from a time on, across tempo changes."""
        now, left = start_seconds, beats
        for index, change in enumerate(self.tempo):
            end = self._change_seconds[index + 1] if index + 1 < len(self.tempo) else None
            if end is not None and now >= end - 1e-12:
                continue
            span = left * 60.0 / change.bpm
            if end is None or now + span <= end:
                return now + span - start_seconds
            left -= (end - now) * change.bpm / 60.0
            now = end
        return now - start_seconds

    def section_bounds(self, end_sample: int) -> list[tuple[Section, int, int]]:
        """Return each section with its first sample and the one after its last."""
        starts = [self.nearest_sample(self.seconds_at_bar(s.bar)) for s in self.sections]
        ends = [*starts[1:], *(max(end_sample, last) for last in starts[-1:])]
        return list(zip(self.sections, starts, ends, strict=True))

    def section_at(self, sample: int) -> Section | None:
        """Return the section that a sample lies in, or None before the first one."""
        found = None
        for section in self.sections:
            if self.nearest_sample(self.seconds_at_bar(section.bar)) <= sample:
                found = section
        return found


def note_to_beats(note: str) -> float:
    """Return the length in quarter notes of a note value such as ``1/8 dotted``.

    Raises ValueError for anything that is not ``1/1 ... 1/32`` with an optional
    ``dotted`` or ``triplet``.

    >>> note_to_beats("1/8 dotted")
    0.75
    """
    words: Sequence[str] = note.split()
    feel = words[1] if len(words) == 2 else "straight"
    if not 1 <= len(words) <= 2 or words[0] not in NOTE_NAMES or feel not in NOTE_FEELS:
        raise ValueError(f"not a note value: {note!r}")
    return 4.0 / int(words[0][2:]) * NOTE_FEELS[feel]
