"""What one mix sheet says that another does not, by meaning and in the trade's words.

Sheets are compared as models: layout, comments and the order of keys say nothing. Nothing that a
model holds can change in silence, see :mod:`mixwright.comparing.fields`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import replace

from mixwright.comparing.change import ORDER, Change, Kind, Place, Reason, Sheets
from mixwright.comparing.fields import anything_told
from mixwright.comparing.parts import GROUPS, RETURNS, TRACKS, bus_told, named_told, parts_told
from mixwright.comparing.release import delivery_told, part_words, release_told, variant_told
from mixwright.comparing.renames import Renamed, renamed
from mixwright.comparing.song import accepted_told, limits_told, references_told, song_told
from mixwright.sheet import Sheet, Variant

__all__ = ["ORDER", "Change", "Kind", "Reason", "changes_between"]

TOLD = (
    *("song", "tracks", "groups", "returns", "mix_bus", "references", "delivery", "release"),
    *("limits", "accept", "variants"),
)


def changes_between(old: Sheet, new: Sheet) -> tuple[Change, ...]:
    """Return what changed, in the order of the steps and within a step in that of the new sheet.

    There is none if and only if both say the same, wherever their files lie.

    >>> from pathlib import Path
    >>> from mixwright.sheet import Song, Track
    >>> song = Song("Lanterns at Low Tide", 48000)
    >>> old, new = (
    ...     Sheet(Path("mix.yaml"), song, (Track("lead_vocal", "lead.wav", gain_db=gain_db),))
    ...     for gain_db in (-4.5, -3.7)
    ... )
    >>> [str(change) for change in changes_between(old, new)]
    ['balance: lead_vocal: fader -4.5 -> -3.7 dB (+0.8)']
    """
    if replace(old, path=new.path) == new:
        return ()
    known = renamed(old, new)
    sheets = Sheets(known.sheet, new, {name: was for was, name in known.parts.items()})
    found = [*_parts(sheets), *_around(sheets, known), *_unknown(sheets)]
    return tuple(sorted(found, key=lambda change: ORDER.index(change.step)))


def _parts(sheets: Sheets) -> Iterator[Change]:
    """What sound runs through."""
    old, new = sheets.old, sheets.new
    yield from parts_told(sheets, TRACKS, old.tracks, new.tracks)
    yield from parts_told(sheets, GROUPS, old.groups, new.groups)
    yield from parts_told(sheets, RETURNS, old.returns, new.returns)
    yield from bus_told(sheets, old.mix_bus, new.mix_bus)


def _around(sheets: Sheets, known: Renamed) -> Iterator[Change]:
    """What the song is, what it is held against and what is made of it."""
    old, new = sheets.old, sheets.new
    yield from song_told(sheets, old.song, new.song, known.sections)
    yield from references_told(sheets, old.references, new.references)
    yield from limits_told(sheets, old.limits, new.limits)
    yield from accepted_told(sheets, old.accept, new.accept)
    yield from delivery_told(sheets, old.delivery, new.delivery)
    yield from release_told(sheets, old.release, new.release)
    yield from _variants(sheets, known.variants)


def _variants(sheets: Sheets, renames: Mapping[str, str]) -> Iterator[Change]:
    # Variants have names of their own: one may be called what a track is called.
    by_name = replace(sheets, old_names={name: was for was, name in renames.items()})
    place = Place(by_name, "delivery", "", ("variants",), ("variants",))

    def tell(at: Place, was: Variant, now: Variant) -> list[Change]:
        return variant_told(replace(at, sheets=sheets), was, now)

    old, new = sheets.old.variants, sheets.new.variants
    yield from named_told(place, "variant", "delivery", old, new, part_words, tell)


def _unknown(sheets: Sheets) -> Iterator[Change]:
    """What a later model holds and nobody here has heard of."""
    place = Place(sheets, "song", "song")
    for entry in dataclasses.fields(sheets.new):
        was, now = getattr(sheets.old, entry.name), getattr(sheets.new, entry.name)
        if entry.compare and entry.name not in ("path", *TOLD) and was != now:
            yield from anything_told(place, entry.name, was, now)
