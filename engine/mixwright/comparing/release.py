"""What is made of the mix: its delivery, the release that files belong to, covers and variants."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Any

from mixwright.comparing.change import Change, Place, Sheets
from mixwright.comparing.fields import (
    Teller,
    anything_told,
    entries_told,
    fields_told,
    given,
    listed_told,
)
from mixwright.sheet import Cover, Delivery, Release
from mixwright.words import named, value_words


def delivery_told(sheets: Sheets, old: Delivery | None, new: Delivery | None) -> list[Change]:
    """Tell what the finished mix is to have."""
    if old == new:
        return []
    place = Place(sheets, "delivery", "delivery", ("delivery",), ("delivery",))
    if old is not None and new is not None:
        return fields_told(place, old, new)
    if new is None:
        return [dataclasses.replace(place, new=None).told("delivery removed", "removed")]
    text = f"delivery added: {part_words(new)}".removesuffix(": ")
    return [dataclasses.replace(place, old=None).because(None, new).told(text, "added")]


def release_told(sheets: Sheets, old: Release, new: Release) -> list[Change]:
    """Tell what all variants have in common."""
    place = Place(sheets, "delivery", "release", ("release",), ("release",))
    return fields_told(place, old, new)


def part_words(part: Any) -> str:
    """Return any part in words: its fields that are not as they are by default.

    >>> from mixwright.sheet import Variant
    >>> part_words(Variant("tv", without=("vocals",), head_s=0.5))
    'without vocals, head 0.5 s'
    """
    return ", ".join(
        ", ".join(map(cover_words, value))
        if key == "clean"
        else f"{named(key)} {value_words(key, value)}"
        for key, value in given(part)
    )


# ---- covers ----


def cover_words(cover: Cover) -> str:
    """Return what is covered in a clean version, in words.

    >>> from mixwright.timeline import Position
    >>> cover_words(Cover("lead_vocal", Position(bar=9), for_beats=1.0, instead="beep"))
    'cover of lead_vocal at bar 9: off, for beats 1, instead beep'
    """
    settings = {
        entry.name: getattr(cover, entry.name)
        for entry in dataclasses.fields(cover)
        if entry.name not in ("name", "at", "level_db", "why")
    }
    said = [value_words("level_db", cover.level_db)]
    said += [f"{named(k)} {value_words(k, v)}" for k, v in settings.items() if v]
    return f"{_cover_name(cover)}: {', '.join(said)}"


def _cover_name(cover: Cover) -> str:
    return f"cover of {cover.name} at {cover.at}"


def covers_told(place: Place, key: str, old: Any, new: Any) -> Iterator[Change]:
    """Tell the words that a clean version covers."""
    was, now = getattr(old, key), getattr(new, key)
    alike = (lambda one: one, lambda one: (one.name, one.at), lambda one: _moved_cover(one))
    yield from listed_told(place.at(key), was, now, cover_words, alike, _cover)


def _moved_cover(cover: Cover) -> Any:
    return dataclasses.replace(cover, at=None, why=None)  # type: ignore[arg-type]


def _cover(place: Place, old: Cover, new: Cover) -> list[Change]:
    here = place.leading(f"{_cover_name(new)}: ")
    return fields_told(here, old, new, {"at": _cover_at})


def _cover_at(place: Place, key: str, old: Cover, new: Cover) -> list[Change]:
    at = dataclasses.replace(place, lead="")
    return [at.told(f"cover of {new.name} moved from {old.at} to {new.at}", "moved")]


# ---- variants ----


def variant_told(place: Place, old: Any, new: Any) -> list[Change]:
    """Tell what changed in a variant."""
    return fields_told(place, old, new, _VARIANT)


def _offsets(place: Place, key: str, old: Any, new: Any) -> list[Change]:
    return entries_told(place.at(key), key, getattr(old, key), getattr(new, key), "offset of ")


def _stems(place: Place, key: str, old: Any, new: Any) -> list[Change]:
    return entries_told(place.at(key), key, getattr(old, key), getattr(new, key), "stem ")


def _loudness(place: Place, key: str, old: Any, new: Any) -> list[Change]:
    was, now = getattr(old, key), getattr(new, key)
    if was is None:
        text = f"loudness added: {part_words(now)}".removesuffix(": ")
        return [place.of(None, key).told(text, "added")]
    return anything_told(place, key, was, now)


_VARIANT: Mapping[str, Teller] = {
    "clean": covers_told,
    "loudness": _loudness,
    "offset_db": _offsets,
    "stems": _stems,
}
