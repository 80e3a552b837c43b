"""What a shape can't say of deliverables: who is in them, covers, parts that add up, files.

Reads the tree without trust, as :mod:`mixwright.sheet.meaning` does.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from mixwright.problem import Problem
from mixwright.sheet.deliverables import MAIN
from mixwright.sheet.file_names import check_pattern
from mixwright.sheet.names import PARTS, Names
from mixwright.sheet.shape import as_written
from mixwright.sheet.stems_meaning import check_parts
from mixwright.sheet.times import PositionCheck
from mixwright.sheet.tree import Entry

# What makes a variant another mix than the main mix.
_OF_OTHERS = (
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
# Opus knows five rates (IETF RFC 6716), of which a sheet can ask for one.
_OPUS_HZ = 48000
# The highest rate of MPEG-1 layer III (ISO/IEC 11172-3).
_MP3_HIGHEST_HZ = 48000


def check_deliverables(sheet: Entry, names: Names, times: PositionCheck) -> Iterator[Problem]:
    """Every fault of the release and its variants that a shape can't say."""
    release, check = sheet.child("release"), _VariantCheck(sheet, names, times)
    yield from check_pattern(release.child("file_name"))
    yield from _date(release.child("date"))
    yield from _alike(sheet.child("variants"))
    for name, node in sheet.child("variants").entries():
        if name == MAIN:
            yield from _main(node)
        yield from check.members(name, node)
        covers = node.child("clean").items()
        for cover in covers:
            yield from check.cover(cover)
        yield from _covered_stand_ins(covers, sheet.child("tracks"))
        yield from check_parts(node, sheet, names)
        yield from check.files(node)
        yield from check_pattern(node.child("file_name"))
        yield from _date(node.child("labels").child("date"))


def _main(node: Entry) -> Iterator[Problem]:
    """The main mix, which holds everything."""
    for key in (key for key in _OF_OTHERS if key in node):
        message = f"{MAIN} takes no {key}: it is the mix itself"
        help = "give the variant another name"
        yield Problem("sheet/main-is-the-mix", message, node.child(key).key_span, help)


def _alike(variants: Entry) -> Iterator[Problem]:
    """Names that are one name to some disks."""
    seen: dict[str, str] = {}
    for name, node in variants.entries():
        other = seen.setdefault(name.casefold(), name)
        if other != name:
            message = f"the variants {other} and {name} differ in capitals alone"
            problem = f"{message}, expected names that every disk tells apart"
            yield Problem("sheet/names-alike", problem, node.key_span)


def _covered_stand_ins(covers: Sequence[Entry], tracks: Entry) -> Iterator[Problem]:
    """A track that sounds instead of a word is silent otherwise: it can't be covered as well."""
    pairs = [(cover.child("name"), cover.child("instead")) for cover in covers]
    instead = {other.text for name, other in pairs if other.text not in (None, name.text)}
    for name, _ in pairs:
        if name.text in instead and name.text in tracks:
            message = f"{name.text} is covered here and sounds instead of another word"
            problem = f"{message}, expected another track for one of the two"
            yield Problem("sheet/covered-replacement", problem, name.span)


def _date(node: Entry) -> Iterator[Problem]:
    """A day that the calendar has."""
    if node.text is None or node.text.count("-") != 2:
        return
    try:
        datetime.date.fromisoformat(node.text)
    except ValueError:
        message = f"date is {node.text}, expected a day that the calendar has"
        yield Problem("sheet/bad-value", message, node.span)


@dataclass(frozen=True)
class _VariantCheck:
    """The whole sheet, the names in it, and its times."""

    sheet: Entry
    names: Names
    times: PositionCheck

    def members(self, name: str, node: Entry) -> Iterator[Problem]:
        """Names that exist, and at least one track left."""
        faults: list[Problem] = []
        for key in ("only", "without"):
            for member in node.child(key).items():
                faults += self.names.known(member, "tracks", "groups")
        for member in node.child("mute").items():
            faults += self.names.known(member, *PARTS)
        for member_name, offset in node.child("offset_db").entries():
            faults += self.names.known_key(offset, member_name, "tracks", "groups")
        yield from faults
        held = self._held(node)
        for member_name, offset in node.child("offset_db").entries():
            if name != MAIN and not faults and held and not self._holds(member_name, held):
                message = f"{member_name} is not in the variant {name}: its offset does nothing"
                yield Problem("sheet/no-effect", message, offset.key_span)
        if not faults and not held:
            yield Problem("sheet/no-tracks", f"the variant {name} holds no track", node.key_span)

    def _holds(self, name: str, held: list[str]) -> bool:
        """Whether a track, or one of a group, is among those that a variant holds."""
        tracks = self.sheet.child("tracks")
        return any(name in (one, tracks.child(one).child("group").text) for one in held)

    def _held(self, node: Entry) -> list[str]:
        """The tracks that a variant holds: first only, then what is out is taken away."""
        kept = {item.text for item in node.child("only").items()}
        out = {item.text for key in ("without", "mute") for item in node.child(key).items()}
        found = []
        for name, track in self.sheet.child("tracks").entries():
            parts = {name, track.child("group").text}
            if not parts & out and (not kept or parts & kept):
                found.append(name)
        return found

    def cover(self, node: Entry) -> Iterator[Problem]:
        """A word that is covered: what, when, for how long, and what sounds instead."""
        yield from self.names.known(node.child("name"), "tracks", "groups")
        yield from self.names.known(node.child("instead"), "tracks")
        yield from self.times.position(node, "a cover")
        lengths = [key for key in ("for_beats", "for_ms") if key in node]
        if len(lengths) == 2:
            message = "for_beats and for_ms are both given, expected one of them"
            yield Problem("sheet/two-lengths", message, node.child("for_ms").key_span)
        elif not lengths and isinstance(node.value, dict):
            message = "a cover has no length, expected for_beats or for_ms"
            yield Problem("sheet/no-length", message, node.key_span)
        instead = node.child("instead")
        if instead.text is not None and instead.text == node.child("name").text:
            message = f"{instead.text} is its own replacement, expected another track"
            help = "leave instead out for silence"
            yield Problem("sheet/own-replacement", message, instead.span, help)

    def files(self, node: Entry) -> Iterator[Problem]:
        """Formats that can hold what is asked for, and a loudness that is one."""
        dither, formats = node.child("dither"), node.child("formats").items()
        if dither.text == "shaped" and not any((f.text or "").endswith("16") for f in formats):
            message = "dither: shaped does nothing without a format of 16 bits"
            yield Problem("sheet/no-effect", message, dither.span)
        for form in formats:
            yield from self._rates(form, node.child("sample_rates_hz"), len(formats) == 1)
        loudness = node.child("loudness")
        if "true_peak_dbtp" in loudness and len(loudness.value) == 1:
            message = "the loudness has no level, expected standard or integrated_lufs"
            yield Problem("sheet/no-loudness", message, loudness.key_span)

    def _rates(self, form: Entry, rates: Entry, alone: bool) -> Iterator[Problem]:
        """A format that goes with each sample rate it is to be written at."""
        song_hz = self.sheet.child("song").child("sample_rate_hz").number
        for rate_hz in [rate.number for rate in rates.items()] or [song_hz]:
            if rate_hz is None:
                continue
            if form.text == "opus" and rate_hz != _OPUS_HZ:
                expected = f"{_OPUS_HZ} Hz"
            elif form.text == "mp3" and rate_hz > _MP3_HIGHEST_HZ:
                expected = f"{_MP3_HIGHEST_HZ} Hz or less"
            else:
                continue
            message = f"{form.text} at {as_written(rate_hz)} Hz, expected {expected}"
            where = "" if alone else " in a variant of its own"
            help = f"write sample_rates_hz: [48000]{where}"
            yield Problem("sheet/format-and-rate", message, form.span, help)
            return
