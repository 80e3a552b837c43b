"""Times in a sheet: tempo, sections, positions and the points of rides."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from mixwright.problem import Problem
from mixwright.sheet.nearest import Hints
from mixwright.sheet.shape import as_written
from mixwright.sheet.tree import Entry
from mixwright.timeline import Position, Section, TempoChange, Timeline

_ANCHORS = ("section", "bar", "s")


def position_of(node: Entry) -> Position:
    """Return the position that a mapping with `section`, `bar` and `beat`, or `s` stands for."""
    bar, beat = node.child("bar").number, node.child("beat").number
    return Position(
        section=node.child("section").text,
        bar=None if bar is None else int(bar),
        beat=1.0 if beat is None else beat,
        seconds=node.child("s").number,
    )


def tempo_of(song: Entry) -> tuple[TempoChange, ...]:
    """Return the tempo changes that are whole; beats per bar come from the entry before."""
    found: list[TempoChange] = []
    beats_per_bar = 4
    for entry in song.child("tempo").items():
        bar, bpm = entry.child("bar").number, entry.child("bpm").number
        beats_per_bar = int(entry.child("beats_per_bar").number or beats_per_bar)
        if bar is not None and bpm is not None:
            found.append(TempoChange(int(bar), bpm, beats_per_bar))
    return tuple(found) or Timeline(1).tempo


def sections_of(song: Entry) -> tuple[Section, ...]:
    """Return the sections that have both a name and a bar."""
    pairs = [(s.child("name").text, s.child("bar").number) for s in song.child("sections").items()]
    return tuple(Section(n, int(bar)) for n, bar in pairs if n is not None and bar is not None)


def timeline_of(song: Entry) -> Timeline | None:
    """Return the song's timeline, or None where tempo or sample rate can't be relied on."""
    entries, rate_hz = song.child("tempo").items(), song.child("sample_rate_hz").number
    changes = tempo_of(song)
    if rate_hz is None or ("tempo" in song and len(entries) != len(changes)):
        return None
    try:
        return Timeline(int(rate_hz), changes, sections_of(song))
    except ValueError:
        # Tempo changes that don't rise: check_song says so.
        return None


def check_song(song: Entry) -> Iterator[Problem]:
    """The song's map: bars that rise, section names that are unique."""
    yield from _rising_bars(song.child("tempo").items(), "tempo change")
    first = next(iter(song.child("tempo").items()), None)
    if first is not None and (bar := first.child("bar")).number not in (None, 1.0):
        message = f"the first tempo change is at bar {as_written(bar.number)}, expected bar 1"
        yield Problem("sheet/tempo-start", message, bar.span)
    sections = song.child("sections").items()
    yield from _rising_bars(sections, "section")
    seen: set[str] = set()
    for section in sections:
        name = section.child("name")
        if name.text is not None and name.text in seen:
            message = f"two sections are named {name.text}, expected a name for each"
            help = "number them, such as verse 1 and verse 2"
            yield Problem("sheet/section-twice", message, name.span, help)
        seen.add(name.text or "")
    yield from _known(song.child("loudest_section"), section_names(song), Hints())


def _rising_bars(entries: list[Entry], kind: str) -> Iterator[Problem]:
    last = 0.0
    for entry in entries:
        bar = entry.child("bar")
        if bar.number is None:
            continue
        if bar.number <= last:
            said = f"bar {as_written(bar.number)} is not after bar {as_written(last)}"
            message = f"{said} of the {kind} before it, expected bars that rise"
            yield Problem("sheet/bars-not-rising", message, bar.span)
        last = max(last, bar.number)


def section_names(song: Entry) -> tuple[str, ...]:
    """Return the names of the sections that have one."""
    names = (section.child("name").text for section in song.child("sections").items())
    return tuple(name for name in names if name is not None)


def _known(node: Entry, known: Sequence[str], hints: Hints) -> Iterator[Problem]:
    if node.text is not None and node.text not in known:
        help = hints.similar("section", node.text, known)
        yield Problem("sheet/unknown-section", f"unknown section {node.text}", node.span, help)


@dataclass(frozen=True)
class PositionCheck:
    """Checks positions and rides against a song; `timeline` is None where it is not sound."""

    song: Entry
    timeline: Timeline | None
    hints: Hints = field(default_factory=Hints, repr=False)

    @cached_property
    def _sections(self) -> tuple[str, ...]:
        return section_names(self.song)

    def section(self, node: Entry) -> Iterator[Problem]:
        """A section's name that is used somewhere."""
        yield from _known(node, self._sections, self.hints)

    def position(self, node: Entry, what: str) -> Iterator[Problem]:
        """Exactly one anchor, a section that exists, a beat within its bar."""
        given = (
            [key for key in node.value if key in _ANCHORS] if isinstance(node.value, dict) else []
        )
        if not given and isinstance(node.value, dict) and "beat" not in node:
            message = f"{what} has no position, expected section, bar or s"
            yield Problem("sheet/no-position", message, node.key_span)
        if len(given) > 1:
            message = f"{given[0]} and {given[1]} are both given, expected one position"
            yield Problem("sheet/two-positions", message, node.child(given[1]).key_span)
            return
        yield from self.section(node.child("section"))
        yield from self._beat(node)

    def _beat(self, node: Entry) -> Iterator[Problem]:
        bar, beat = node.child("bar").number, node.child("beat")
        if self.timeline is None or bar is None or beat.number is None:
            return
        beats = self.timeline.tempo_at(self.timeline.seconds_at_bar(int(bar))).beats_per_bar
        if beat.number >= beats + 1:
            said = f"beat is {as_written(beat.number)}, expected below {beats + 1}"
            message = f"{said} (bar {as_written(bar)} has {beats} beats)"
            yield Problem("sheet/beat-beyond-bar", message, beat.span)

    def ride(self, points: Entry) -> Iterator[Problem]:
        """Points with positions that rise strictly and one kind of length each."""
        before: tuple[int, Position] | None = None
        for point in points.items():
            faults = list(self.position(point, "an automation point"))
            yield from faults
            if "over_beats" in point and "over_ms" in point:
                message = "over_beats and over_ms are both given, expected one of them"
                yield Problem("sheet/two-lengths", message, point.child("over_ms").key_span)
            shape = point.child("shape")
            if shape.text not in (None, "line") and not _takes_time(point):
                message = f"shape: {shape.text} does nothing without over_beats or over_ms"
                yield Problem("sheet/no-effect", message, shape.key_span)
            if faults or (at := self._sample(point)) is None:
                continue
            here = position_of(point)
            if before is not None and at <= before[0]:
                message = f"{here} is not after the point before it ({before[1]})"
                yield Problem("sheet/points-not-rising", message, anchor_of(point).span)
            before = max(before or (at, here), (at, here), key=lambda pair: pair[0])

    def _sample(self, point: Entry) -> int | None:
        """The sample of a point, or None where its value or the timeline is not sound."""
        anchor = anchor_of(point)
        if self.timeline is None or anchor.value is None:
            return None
        if "beat" in point and point.child("beat").number is None:
            return None
        try:
            return self.timeline.sample_at(position_of(point))
        except KeyError:
            # A section whose bar is at fault: check_song or the shape says so.
            return None


def _takes_time(point: Entry) -> bool:
    return any(point.child(key).number != 0.0 for key in ("over_beats", "over_ms") if key in point)


def anchor_of(point: Entry) -> Entry:
    """Return the entry that says where a point is."""
    given = [key for key in _ANCHORS if key in point]
    return point.child(given[0] if given else "bar")
