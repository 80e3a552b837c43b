"""What only has another name: found by what stays the same, and read by its new name from then on.

A track is known again by its file, a group by its members, a return by its settings, a variant by
its content and a section by its bar. Only what is missing from one sheet and new in the other can
have been renamed, and only where there is one candidate on each side.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from mixwright.sheet import Bus, Group, Sheet, Track, Variant
from mixwright.sheet.model import processors_of
from mixwright.timeline import Position

T = TypeVar("T")
StripKind = TypeVar("StripKind", Track, Group, Bus)
NewNames = Mapping[str, str]  # the new name by the old one


@dataclass(frozen=True)
class Renamed:
    """The old sheet by the new names, and which names those are."""

    sheet: Sheet
    parts: NewNames  # of tracks, groups and returns, which share no names
    variants: NewNames
    sections: NewNames


def renamed(old: Sheet, new: Sheet) -> Renamed:
    """Return the old sheet with everything by the name that the new one has for it."""
    sections = _same(old.song.sections, new.song.sections, lambda section: section.bar)
    sheet = _with_sections(old, sections)
    parts = dict(_same(sheet.tracks, new.tracks, lambda track: track.file))
    sheet = _with_parts(sheet, parts)
    groups = _same(sheet.groups, new.groups, lambda one: _group_key(sheet, one), _group_key_of(new))
    sheet = _with_parts(sheet, groups)
    returns = _same(sheet.returns, new.returns, _content)
    sheet = _with_parts(sheet, returns)
    variants = _same(sheet.variants, new.variants, _content)
    named = tuple(_renamed(variant, variants) for variant in sheet.variants)
    return Renamed(
        replace(sheet, variants=named), {**parts, **groups, **returns}, variants, sections
    )


def _same(
    old: Sequence[T],
    new: Sequence[T],
    key_of: Callable[[T], Any],
    new_key_of: Callable[[T], Any] | None = None,
) -> dict[str, str]:
    """Return new names by old ones, of what has the same key in both and no other has it."""
    gone = [one for one in old if _name(one) not in {_name(other) for other in new}]
    come = [one for one in new if _name(one) not in {_name(other) for other in old}]
    found = {}
    for one in gone:
        key = key_of(one)
        before = [other for other in gone if key_of(other) == key]
        after = [other for other in come if (new_key_of or key_of)(other) == key]
        if len(before) == len(after) == 1:
            found[_name(one)] = _name(after[0])
    return found


def _name(part: Any) -> str:
    return str(part.name)


def _group_key(sheet: Sheet, group: Group) -> Any:
    """Its members; where it has none, its settings."""
    members = {track.name for track in sheet.tracks if track.group == group.name}
    return members or _content(group)


def _group_key_of(sheet: Sheet) -> Callable[[Group], Any]:
    return lambda group: _group_key(sheet, group)


def _content(part: Any) -> Any:
    """Everything but its name and the reason for it."""
    return replace(part, name="", why=None)


def _renamed(part: T, names: NewNames) -> T:
    return replace(part, name=names.get(_name(part), _name(part)))  # type: ignore[type-var]


# ---- references to what was renamed ----


def _with_parts(sheet: Sheet, names: NewNames) -> Sheet:
    """The sheet with other names of tracks, groups and returns, wherever they are used."""
    if not names:
        return sheet
    return replace(
        sheet,
        tracks=tuple(_track(track, names) for track in sheet.tracks),
        groups=tuple(_strip(_renamed(group, names), names) for group in sheet.groups),
        returns=tuple(_renamed(part, names) for part in sheet.returns),
        mix_bus=_strip(sheet.mix_bus, names),
        accept=tuple(replace(one, name=_other(one.name, names)) for one in sheet.accept),
        variants=tuple(_variant(variant, names) for variant in sheet.variants),
    )


def _track(track: Track, names: NewNames) -> Track:
    rides = track.automation
    return replace(
        _strip(_renamed(track, names), names),
        group=_other(track.group, names),
        sends_db=_keys(track.sends_db, names),
        automation=replace(rides, sends_db=_keys(rides.sends_db, names)),
        covers=tuple(_cover(cover, names) for cover in track.covers),
    )


def _strip(part: StripKind, names: NewNames) -> StripKind:
    """A part whose processors listen to tracks by their new names."""
    keyed: dict[str, Any] = {
        kind.id: replace(processor, key=_other(processor.key, names))  # type: ignore[type-var]
        for kind, processor in processors_of(part)
        if kind.takes_key
    }
    return replace(part, **keyed)


def _variant(variant: Variant, names: NewNames) -> Variant:
    return replace(
        variant,
        only=_all(variant.only, names),
        without=_all(variant.without, names),
        mute=_all(variant.mute, names),
        offset_db=_keys(variant.offset_db, names),
        clean=tuple(_cover(cover, names) for cover in variant.clean),
        stems={stem: _all(members, names) for stem, members in variant.stems.items()},
    )


def _cover(cover: Any, names: NewNames) -> Any:
    return replace(
        cover, name=names.get(cover.name, cover.name), instead=_other(cover.instead, names)
    )


def _other(name: str | None, names: NewNames) -> str | None:
    return None if name is None else names.get(name, name)


def _all(some: tuple[str, ...], names: NewNames) -> tuple[str, ...]:
    return tuple(names.get(name, name) for name in some)


def _keys(by_name: Mapping[str, T], names: NewNames) -> dict[str, T]:
    return {names.get(name, name): value for name, value in by_name.items()}


# ---- sections ----


def _with_sections(sheet: Sheet, names: NewNames) -> Sheet:
    """The sheet with other names of sections, wherever something happens in one."""
    if not names:
        return sheet
    song = sheet.song
    song = replace(
        song,
        sections=tuple(_renamed(section, names) for section in song.sections),
        loudest_section=_other(song.loudest_section, names),
    )
    kept = replace(sheet, song=song)
    in_sections: dict[str, Any] = {
        key: tuple(replace(one, section=_other(one.section, names)) for one in getattr(kept, key))
        for key in ("references", "accept")
    }
    moved: dict[str, Any] = {
        entry.name: _positions(getattr(kept, entry.name), names)
        for entry in dataclasses.fields(kept)
        if entry.name not in ("path", "spans", *in_sections)
    }
    return replace(kept, **moved, **in_sections)


def _positions(value: Any, names: NewNames) -> Any:
    """Anything with the positions in it that name a section by its new name."""
    if isinstance(value, Position):
        return replace(value, section=_other(value.section, names))
    if isinstance(value, tuple):
        return tuple(_positions(one, names) for one in value)
    if isinstance(value, Mapping):
        return {key: _positions(one, names) for key, one in value.items()}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return replace(
            value,
            **{
                entry.name: _positions(getattr(value, entry.name), names)
                for entry in dataclasses.fields(value)
            },
        )
    return value
