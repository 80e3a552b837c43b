"""Variants: sheets made from the sheet, and the mixes and files that each becomes.

A variant is the sheet with some tracks muted, moved or covered. What plays it is the same as what
renders the mix, so a variant on its own is to the bit what rendering such a sheet gives.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from mixwright.rendering.plan import Plan, PlanOf, sounding
from mixwright.sheet import Cover, Group, Return, Sheet, Track, Variant

MutedStrip = TypeVar("MutedStrip", Track, Return)
MovedStrip = TypeVar("MovedStrip", Track, Group)


@dataclass(frozen=True)
class Version:
    """One mix of a variant, `stem` being its part where the variant is split.

    `follows_main` is whether its shared dynamics go by the main mix; `in_exact_set` whether it is
    one of the parts of that variant that add up to the main mix, in this order.
    """

    variant: Variant
    stem: str | None
    plan: Plan
    follows_main: bool
    in_exact_set: bool

    @property
    def spoken(self) -> str:
        """What it is called in messages: its variant, and its part where that is split."""
        return self.variant.name if self.stem is None else f"{self.variant.name}, {self.stem}"


def versions_of(sheet: Sheet, variant: Variant, plan_of: PlanOf) -> list[Version]:
    """Return the mixes that a variant consists of: one, or one for each part that sounds.

    `plan_of` plans a sheet; it raises ProblemError.
    """
    changed = sheet_of(sheet, variant)
    exact = variant.is_split and variant.sum == "exact"
    follows = exact or variant.bus_gain == "from_main"
    if not variant.is_split:
        return [Version(variant, None, sounding(plan_of(changed)), follows, False)]
    found = []
    for stem, names in parts_of(sheet, variant):
        plan = sounding(plan_of(_with_only(changed, names)))
        if plan.tracks:
            found.append(Version(variant, stem, plan, follows, exact))
    return found


def sheet_of(sheet: Sheet, variant: Variant) -> Sheet:
    """Return the sheet as a variant wants it: covered, moved, muted, in this order."""
    changed = _covered(sheet, variant.clean)
    changed = _offset(changed, variant)
    for name in variant.mute:
        changed = _muted(changed, name)
    kept = {t.name for t in sheet.tracks} if not variant.only else _tracks_of(sheet, variant.only)
    kept |= {cover.instead for cover in variant.clean if cover.instead is not None}
    return _with_only(changed, kept - _tracks_of(sheet, variant.without))


def parts_of(sheet: Sheet, variant: Variant) -> list[tuple[str, set[str]]]:
    """Return the parts that a variant is split into: a name and the tracks in it.

    By group, a track that is in none is a part of its own.

    >>> from pathlib import Path
    >>> from mixwright.sheet import Song
    >>> tracks = (Track("kick", "k.wav", group="drums"), Track("bass", "b.wav"))
    >>> sheet = Sheet(Path("mix.yaml"), Song("A", 48000), tracks, (Group("drums"),))
    >>> parts_of(sheet, Variant("stems", split_by="group"))
    [('drums', {'kick'}), ('bass', {'bass'})]
    """
    if variant.stems:
        return [(name, _tracks_of(sheet, members)) for name, members in variant.stems.items()]
    if variant.split_by == "track":
        return [(track.name, {track.name}) for track in sheet.tracks]
    parts: dict[str, set[str]] = {}
    for track in sheet.tracks:
        parts.setdefault(track.group or track.name, set()).add(track.name)
    return list(parts.items())


def _tracks_of(sheet: Sheet, names: Iterable[str]) -> set[str]:
    """The tracks that are named, or whose group is."""
    named = set(names)
    return {track.name for track in sheet.tracks if {track.name, track.group} & named}


def _with_only(sheet: Sheet, kept: set[str]) -> Sheet:
    tracks = (track if track.name in kept else _mute(track) for track in sheet.tracks)
    return replace(sheet, tracks=tuple(tracks))


def _muted(sheet: Sheet, name: str) -> Sheet:
    """A track, all tracks of a group, or a return, silent throughout."""
    tracks = (_mute(t) if name in (t.name, t.group) else t for t in sheet.tracks)
    returns = (_mute(part) if part.name == name else part for part in sheet.returns)
    return replace(sheet, tracks=tuple(tracks), returns=tuple(returns))


def _mute(strip: MutedStrip) -> MutedStrip:
    return replace(strip, mute=True, automation=replace(strip.automation, mute=()))


def _offset(sheet: Sheet, variant: Variant) -> Sheet:
    """Faders moved; that of a group takes the sends of its tracks along."""

    def moved(strip: MovedStrip) -> MovedStrip:
        by_db = variant.offset_db.get(strip.name, 0.0)
        return replace(strip, gain_db=strip.gain_db + by_db) if by_db else strip

    tracks, groups = tuple(map(moved, sheet.tracks)), tuple(map(moved, sheet.groups))
    return replace(sheet, tracks=tracks, groups=groups)


def _covered(sheet: Sheet, covers: Sequence[Cover]) -> Sheet:
    """Every track with the covers it is in; one that sounds instead of a word is not muted."""

    def covered(track: Track) -> Track:
        instead = tuple(cover for cover in covers if cover.instead == track.name)
        if instead:
            automation = replace(track.automation, mute=())
            return replace(track, mute=False, automation=automation, covers=instead)
        own = tuple(cover for cover in covers if cover.name in (track.name, track.group))
        return replace(track, covers=own)

    return replace(sheet, tracks=tuple(map(covered, sheet.tracks)))
