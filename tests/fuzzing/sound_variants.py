"""Variants that are sound: members that exist, parts that add up, files with a name each."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fuzzing.sound_sheets import Mender

Part = dict[str, Any]
OF_OTHERS = (
    "only",
    "without",
    "mute",
    "offset_db",
    "clean",
    "bus_gain",
    "split_by",
    "stems",
    "sum",
)
NOT_EXACT = ("only", "without", "mute", "offset_db", "clean", "bus_gain", "loudness")


def mend_deliverables(mender: Mender) -> None:
    """Mend release and variants of a sheet whose tracks and groups are sound."""
    release, variants = mender.sheet.get("release", {}), mender.sheet.get("variants", {})
    _date(release)
    taken: set[str] = set()
    for name in list(variants):
        if name.casefold() in taken:
            del variants[name]
        taken.add(name.casefold())
    _pattern(mender, release, None)
    for name, variant in variants.items():
        if name == "main":
            for key in OF_OTHERS:
                variant.pop(key, None)
        _members(mender, variant)
        _covers(mender, variant)
        _parts(mender, variant)
        _formats(mender, variant)
        _date(variant.get("labels", {}))
        _pattern(mender, variant, variant.get("labels", {}))


def _date(labels: Part) -> None:
    if re.search(r"-(29|3.)$", str(labels.get("date", ""))):
        labels["date"] = labels["date"][:-2] + "28"


def _pattern(mender: Mender, part: Part, labels: Part | None) -> None:
    """A pattern of which every placeholder stands for something."""
    said = {**mender.sheet.get("release", {}), **(labels or {})}
    said["artist"] = mender.sheet["song"].get("artist")
    used = re.findall(r"\{(\w+)\}", part.get("file_name", ""))
    if any(name in used and not said.get(name) for name in ("artist", "album", "track_number")):
        del part["file_name"]


def _members(mender: Mender, variant: Part) -> None:
    """Members that exist, at least one track left, offsets of those that are in."""
    known = [*mender.tracks, *mender.groups]
    for key in ("only", "without", "mute"):
        allowed = known + list(mender.returns) if key == "mute" else known
        if key in variant:
            names = [name for name in variant[key] if name in allowed]
            variant[key] = names or [mender.dice.choice(allowed)]
    if not (held := _held(mender, variant)):
        for key in ("only", "without", "mute"):
            variant.pop(key, None)
        held = list(mender.tracks)
    inside = {*held, *(mender.tracks[name].get("group", "") for name in held)}
    offsets = {name: v for name, v in variant.get("offset_db", {}).items() if name in inside}
    variant.pop("offset_db", None)
    if offsets:
        variant["offset_db"] = offsets


def _held(mender: Mender, variant: Part) -> list[str]:
    kept = set(variant.get("only", ()))
    out = {*variant.get("without", ()), *variant.get("mute", ())}
    sides = {name: {name, track.get("group")} for name, track in mender.tracks.items()}
    return [n for n, own in sides.items() if not own & out and (not kept or own & kept)]


def _covers(mender: Mender, variant: Part) -> None:
    """Words within the song, each with one length, and stand-ins that are not covered."""
    known = [*mender.tracks, *mender.groups]
    covers = variant.get("clean", [])
    for cover in covers:
        if cover["name"] not in known:
            cover["name"] = mender.dice.choice(known)
        mender.place(cover)
        if "for_beats" in cover:
            cover.pop("for_ms", None)
        else:
            cover.setdefault("for_ms", 250)
    covered = {cover["name"] for cover in covers}
    for cover in covers:
        if cover.get("instead") not in set(mender.tracks) - covered:
            cover.pop("instead", None)


def _parts(mender: Mender, variant: Part) -> None:
    """One way to split, each track in one stem, and parts that can add up."""
    if "split_by" in variant:
        variant.pop("stems", None)
    if "stems" in variant:
        _stems(mender, variant)
    if "split_by" not in variant and "stems" not in variant:
        variant.pop("sum", None)
        return
    variant.pop("loudness", None)
    if variant.get("sum") == "exact":
        for key in NOT_EXACT:
            variant.pop(key, None)


def _stems(mender: Mender, variant: Part) -> None:
    left = list(mender.tracks)
    mender.dice.shuffle(left)
    stems: Part = {}
    for number, name in enumerate(variant["stems"]):
        if not left:
            break
        is_last = number == len(variant["stems"]) - 1
        count = len(left) if is_last else mender.dice.randint(1, len(left))
        stems[name], left = left[:count], left[count:]
    if len(stems) > 1 and variant.get("sum") != "exact" and mender.dice.random() < 0.3:
        stems.popitem()
    if groups := _whole_groups(mender, stems):
        name, group = mender.dice.choice(groups)
        stems[name] = [group, *(t for t in stems[name] if mender.tracks[t].get("group") != group)]
    variant["stems"] = stems


def _whole_groups(mender: Mender, stems: Part) -> list[tuple[str, str]]:
    """Groups whose tracks are all in one stem: the stem may name the group instead."""
    found = []
    for stem, members in stems.items():
        for group in mender.groups:
            tracks = [n for n, track in mender.tracks.items() if track.get("group") == group]
            if tracks and set(tracks) <= set(members):
                found.append((stem, group))
    return found


def _formats(mender: Mender, variant: Part) -> None:
    """Formats that can hold what is asked for."""
    rates = variant.get("sample_rates_hz", [mender.rate_hz])
    formats = variant.get("formats", ["wav24"])
    if any(rate != 48000 for rate in rates):
        formats = [form for form in formats if form != "opus"]
    if any(rate > 48000 for rate in rates):
        formats = [form for form in formats if form != "mp3"]
    if "formats" in variant:
        variant["formats"] = formats or ["flac16"]
    has_16_bits = any(form.endswith("16") for form in variant.get("formats", ()))
    if variant.get("dither") == "shaped" and not has_16_bits:
        del variant["dither"]
    loudness = variant.get("loudness", {})
    if "true_peak_dbtp" in loudness and len(loudness) == 1:
        loudness["integrated_lufs"] = -16
