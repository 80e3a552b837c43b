"""The song itself, and what a check holds it against: references, limits, accepted findings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from mixwright.checks.limits import default_limits
from mixwright.comparing.change import ORDER, Change, Place, Sheets
from mixwright.comparing.fields import fields_told, listed_told
from mixwright.comparing.words import change_words
from mixwright.sheet import Accept, Reference, Song
from mixwright.timeline import Section, TempoChange
from mixwright.words import named, number, value_words


def song_told(sheets: Sheets, old: Song, new: Song, sections: Mapping[str, str]) -> list[Change]:
    """Tell the song's title and map in time; `sections` are new names of sections by old ones."""
    place = Place(sheets, "song", "song", ("song",), ("song",))

    def sections_told(at: Place, key: str, old: Song, new: Song) -> Iterator[Change]:
        alike = (lambda one: one.name,)
        yield from listed_told(
            at.at(key), old.sections, new.sections, _section_words, alike, _section
        )

    found = []
    for was, name in sections.items():
        at = place.at("sections").of(_index(old.sections, name), _index(new.sections, name))
        found.append(at.told(f"section {was} renamed {name}", "renamed"))
    tellers = {"tempo": _tempo, "sections": sections_told}
    return found + fields_told(place, old, new, tellers)


def _index(sections: Sequence[Section], name: str) -> int | None:
    return next((i for i, section in enumerate(sections) if section.name == name), None)


def _section_words(section: Section) -> str:
    return f"section {section.name} at bar {section.bar}"


def _section(place: Place, old: Section, new: Section) -> Iterator[Change]:
    if old.bar != new.bar:
        text = f"section {new.name} moved from bar {old.bar} to bar {new.bar}"
        yield place.at("bar").told(text, "moved")
    yield from fields_told(place.leading(f"section {new.name}: "), old, new, elsewhere=("bar",))


def _tempo(place: Place, key: str, old: Song, new: Song) -> Iterator[Change]:
    alike = (lambda one: one.bar, lambda one: (one.bpm, one.beats_per_bar))
    yield from listed_told(place.at(key), old.tempo, new.tempo, _tempo_words, alike, _tempo_change)


def _tempo_words(change: TempoChange) -> str:
    said = f"tempo {number(change.bpm)} bpm from bar {change.bar}"
    return f"{said}, {change.beats_per_bar} beats to the bar"


def _tempo_change(place: Place, old: TempoChange, new: TempoChange) -> Iterator[Change]:
    if old.bar != new.bar:
        text = f"tempo {number(new.bpm)} bpm moved from bar {old.bar} to bar {new.bar}"
        yield place.at("bar").told(text, "moved")
    here = place.leading(f"tempo from bar {new.bar}: ")
    yield from fields_told(here, old, new, elsewhere=("bar",))


# ---- what a check holds it against ----


def references_told(
    sheets: Sheets, old: Sequence[Reference], new: Sequence[Reference]
) -> Iterator[Change]:
    """Tell the finished mixes to compare with."""

    def words(one: Reference) -> str:
        return f"reference {one.file}" + (f" over {one.section}" if one.section else "")

    def tell(place: Place, old: Reference, new: Reference) -> list[Change]:
        return fields_told(place.leading(f"reference {new.file}: "), old, new)

    place = Place(sheets, "song", "references", ("references",), ("references",))
    alike = (lambda one: one, lambda one: (one.file, one.section), lambda one: one.file)
    yield from listed_told(place, old, new, words, alike, tell)


def limits_told(
    sheets: Sheets, old: Mapping[str, float], new: Mapping[str, float]
) -> Iterator[Change]:
    """Tell the limits of this song, against what holds where none is given."""
    place = Place(sheets, "song", "limits", ("limits",), ("limits",))
    keys = (*new, *(key for key in old if key not in new))
    for key in (key for key in keys if old.get(key) != new.get(key)):
        limit, by_default = f"limit {named(key)}", default_limits().get(key)
        default = "" if by_default is None else f"by default {value_words(key, by_default)}"
        if key not in old:
            beside = f" ({default})" if default else ""
            text = f"{limit} new at {value_words(key, new[key])}{beside}"
            yield place.of(None, key).told(text, "added")
        elif key not in new:
            said = ", ".join(filter(None, (f"was {value_words(key, old[key])}", default)))
            yield place.of(key, None).told(f"{limit} removed ({said})", "removed")
        else:
            yield place.at(key).told(change_words(key, old[key], new[key], limit))


def accepted_told(sheets: Sheets, old: Sequence[Accept], new: Sequence[Accept]) -> list[Change]:
    """Tell what rules find and the song lives with, each in the step of its rule."""

    def words(one: Accept) -> str:
        of = f" of {one.name}" if one.name else ""
        return f"accepted: {one.rule}{of}" + (f" in {one.section}" if one.section else "")

    def tell(place: Place, old: Accept, new: Accept) -> list[Change]:
        return fields_told(in_step(place, new).leading(f"{words(new)}: "), old, new)

    def in_step(place: Place, one: Accept) -> Place:
        step = one.rule.partition("/")[0]
        return replace(place, step=step if step in ORDER else "song")

    place = Place(sheets, "song", "accept", ("accept",), ("accept",))
    alike = (lambda one: one, lambda one: (one.rule, one.name, one.section))
    return list(listed_told(place, old, new, words, alike, tell))
