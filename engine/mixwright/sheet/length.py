"""What lies beyond the end of the song, once its length is known."""

from __future__ import annotations

from collections.abc import Iterator

from mixwright.problem import Problem
from mixwright.sheet.model import Band, PathKey, Points, Sheet
from mixwright.timeline import Position, Timeline
from mixwright.words import bar_and_beat, clock


def check_length(sheet: Sheet, length_samples: int) -> list[Problem]:
    """Return a problem for each section, point and cover at or after the end of the song.

    `length_samples` counts from the start of the song. What is at a section that is itself
    beyond the end is not said again.

    >>> check_length(sheet, 48000 * 180)  # doctest: +SKIP
    []
    """
    timeline = sheet.timeline
    end = f"is beyond the end of the song ({end_in_words(timeline, length_samples)})"
    problems: list[Problem] = []
    gone: set[str] = set()
    for index, section in enumerate(sheet.song.sections):
        if timeline.sample_at(Position(bar=section.bar)) >= length_samples:
            gone.add(section.name)
            span = sheet.span_of("song", "sections", index, "bar")
            message = f"section {section.name} (bar {section.bar}) {end}"
            problems.append(Problem("sheet/beyond-end", message, span))
    for path, places in _placed(sheet):
        for index, at in enumerate(places):
            if at.section in gone or timeline.sample_at(at) < length_samples:
                continue
            span = sheet.span_of(*path, index, _anchor(at))
            problems.append(Problem("sheet/beyond-end", f"{at} {end}", span))
    return problems


def end_in_words(timeline: Timeline, length_samples: int) -> str:
    """Return the end of a song as a person finds it.

    >>> end_in_words(Timeline(48000), 48000 * 90)
    'bar 46 beat 1, 1:30.0'
    """
    seconds = length_samples / timeline.rate_hz
    return f"{bar_and_beat(*timeline.bar_and_beat_at(seconds))}, {clock(seconds)}"


def _anchor(position: Position) -> str:
    if position.section is not None:
        return "section"
    return "bar" if position.bar is not None else "s"


def _placed(sheet: Sheet) -> Iterator[tuple[PathKey, list[Position]]]:
    """Every list of things that happen at a position, with its path."""
    for path, points in _rides(sheet):
        yield path, [point.at for point in points]
    for variant in sheet.variants:
        yield ("variants", variant.name, "clean"), [cover.at for cover in variant.clean]


def _rides(sheet: Sheet) -> Iterator[tuple[PathKey, Points]]:
    """Every ride in the sheet with its path."""
    for track in sheet.tracks:
        path: PathKey = ("tracks", track.name, "automation")
        yield (*path, "gain_db"), track.automation.gain_db
        yield (*path, "pan"), track.automation.pan
        yield (*path, "mute"), track.automation.mute
        for name, points in track.automation.sends_db.items():
            yield (*path, f"sends_db.{name}"), points
    equalised: list[tuple[PathKey, tuple[Band, ...]]] = [
        *((("tracks", track.name), track.eq) for track in sheet.tracks),
        *((("groups", group.name), group.eq) for group in sheet.groups),
        *((("returns", part.name), part.eq) for part in sheet.returns),
        (("mix_bus",), sheet.mix_bus.eq),
    ]
    for owner, bands in equalised:
        for index, band in enumerate(bands):
            yield (*owner, "eq", index, "automation", "freq_hz"), band.automation.freq_hz
            yield (*owner, "eq", index, "automation", "gain_db"), band.automation.gain_db
    buses = [
        *((("groups", group.name), group.automation) for group in sheet.groups),
        *((("returns", part.name), part.automation) for part in sheet.returns),
        (("mix_bus",), sheet.mix_bus.automation),
    ]
    for owner, automation in buses:
        yield (*owner, "automation", "gain_db"), automation.gain_db
        yield (*owner, "automation", "mute"), automation.mute
