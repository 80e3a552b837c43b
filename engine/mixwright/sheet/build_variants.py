"""From a tree without faults to what is made of a mix: the release and its variants."""

from __future__ import annotations

from typing import Any

from mixwright.sheet.deliverables import Cover, Labels, Loudness, Release, Variant
from mixwright.sheet.times import position_of
from mixwright.sheet.tree import Entry
from mixwright.sheet.values import level_db, numbers_of, plain_of

_LISTS = ("formats", "sample_rates_hz", "only", "without", "mute")
_WORDS = ("dither", "bus_gain", "split_by", "sum", "file_name", "why")
_SECONDS = ("head_s", "tail_s", "fade_in_s", "fade_out_s")
_TEXTS = (
    "album",
    "genre",
    "copyright",
    "comment",
    "description",
    "originator",
    "originator_reference",
)


def release_of(node: Entry) -> Release:
    """Return what all variants have in common; nothing where `node` is empty."""
    return Release(node.child("file_name").text, _labels(node))


def variants_of(node: Entry) -> tuple[Variant, ...]:
    """Return the variants in the sheet's order."""
    return tuple(_variant(name, part) for name, part in node.entries())


def _variant(name: str, node: Entry) -> Variant:
    lists: dict[str, Any] = {key: tuple(node.value[key]) for key in _LISTS if key in node}
    if "sample_rates_hz" in lists:
        lists["sample_rates_hz"] = tuple(int(rate_hz) for rate_hz in lists["sample_rates_hz"])
    return Variant(
        name=name,
        **lists,
        **plain_of(node, *_WORDS),
        **numbers_of(node, *_SECONDS),
        offset_db={name: float(db.value) for name, db in node.child("offset_db").entries()},
        clean=tuple(_cover(cover) for cover in node.child("clean").items()),
        stems={name: tuple(stem.value) for name, stem in node.child("stems").entries()},
        loudness=_loudness(node.child("loudness")) if "loudness" in node else None,
        labels=_labels(node.child("labels")),
    )


def _cover(node: Entry) -> Cover:
    said = numbers_of(node, "for_beats", "for_ms") | plain_of(node, "instead", "why")
    if "level_db" in node:
        said["level_db"] = level_db(node.value["level_db"])
    return Cover(node.value["name"], position_of(node), **said)


def _loudness(node: Entry) -> Loudness:
    numbers = numbers_of(node, "integrated_lufs", "true_peak_dbtp")
    return Loudness(**plain_of(node, "standard"), **numbers)


def _labels(node: Entry) -> Labels:
    said = plain_of(node, *_TEXTS) | numbers_of(node, "time_reference_s")
    if "track_number" in node:
        said["track_number"] = int(node.value["track_number"])
    if "date" in node:
        # A year may be written as a number.
        date = node.value["date"]
        said["date"] = date if isinstance(date, str) else f"{date:.0f}"
    if "isrc" in node:
        said["isrc"] = node.value["isrc"].replace("-", "")
    return Labels(**said)
