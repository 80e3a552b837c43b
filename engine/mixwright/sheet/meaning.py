"""What a shape can't say: names that must exist, times that must fit, keys that fit together.

Reads the tree without trust, so that it can go over a sheet whose shape has faults and still
say everything else that is wrong with it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from mixwright.dsp.band import GAIN_TYPES
from mixwright.dsp.contract import Bounds, bounds_of
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.reverb import ReverbSettings
from mixwright.problem import Problem
from mixwright.sheet.files import FileCheck
from mixwright.sheet.model import PROCESSORS
from mixwright.sheet.names import PARTS, RESERVED_NAMES, Names
from mixwright.sheet.shape import as_written
from mixwright.sheet.times import PositionCheck, check_song, tempo_of, timeline_of
from mixwright.sheet.tree import Entry
from mixwright.sheet.variants_meaning import check_deliverables
from mixwright.timeline import note_to_beats

# Filters are designed up to here; beyond it there is no frequency left to shape.
HIGHEST_OF_RATE = 0.49
# What only a synthesised room has: a recorded one brings its own.
_OF_DECAY = ("decay_by_band", "seed", "size_m", "early_db")


def check_meaning(sheet: Entry, folder: Path, allow_outside: bool = False) -> list[Problem]:
    """Return every fault of names, times and files; paths are relative to `folder`.

    Positions beyond the end of the song need its length: see
    :func:`mixwright.sheet.length.check_length`.
    """
    song = sheet.child("song")
    names, times = Names(sheet), PositionCheck(song, timeline_of(song))
    check = _PartCheck(sheet, names, times)
    problems = [*check_song(song), *names.unique(), *check.parts()]
    problems += check_deliverables(sheet, names, times)
    if "end" in song:
        problems += times.position(song.child("end"), "the end")
    files = FileCheck(folder, allow_outside)
    for name, track in sheet.child("tracks").entries():
        problems += files.check(track.child("file"), name)
    for _, part in sheet.child("returns").entries():
        problems += files.check(part.child("impulse"))
    for reference in sheet.child("references").items():
        problems += files.check(reference.child("file"))
        problems += times.section(reference.child("section"))
    for accepted in sheet.child("accept").items():
        if accepted.child("name").text not in RESERVED_NAMES:
            problems += names.known(accepted.child("name"), *PARTS)
        problems += times.section(accepted.child("section"))
    return problems


@dataclass(frozen=True)
class _PartCheck:
    """The whole sheet, the names in it, and its times."""

    sheet: Entry
    names: Names
    times: PositionCheck

    def parts(self) -> Iterator[Problem]:
        """Everything that sound runs through."""
        for name, track in self.sheet.child("tracks").entries():
            yield from self.names.known(track.child("group"), "groups")
            for send, node in track.child("sends_db").entries():
                yield from self.names.known_key(node, send, "returns")
            yield from self.strip(track, name)
        for _, group in self.sheet.child("groups").entries():
            yield from self.strip(group, None)
        for _, part in self.sheet.child("returns").entries():
            yield from self.strip(part, None)
            yield from self.below_limit(part.child("low_pass_hz"))
            yield from self.delay(part)
            yield from self.reverb(part)
        yield from self.strip(self.sheet.child("mix_bus"), None)

    def strip(self, node: Entry, track: str | None) -> Iterator[Problem]:
        """EQ, dynamics and rides of a track (by its name), group, return or mix bus."""
        for band in node.child("eq").items():
            yield from self.band(band, track)
        for part in (kind.id for kind in PROCESSORS if kind.takes_key):
            yield from self.below_limit(node.child(part).child("detector_low_pass_hz"))
            yield from self.key(node.child(part).child("key"), part, track)
        rms = node.child("compressor").child("rms_ms")
        if rms.number is not None and node.child("compressor").child("detector").text != "rms":
            message = "rms_ms does nothing without detector: rms"
            yield Problem("sheet/no-effect", message, rms.key_span)
        for ridden, points in node.child("automation").entries():
            if ridden.startswith("sends_db."):
                yield from self.names.known_key(points, ridden.partition(".")[2], "returns")
            yield from self.times.ride(points)

    def key(self, key: Entry, part: str, track: str | None) -> Iterator[Problem]:
        """The track that a processor listens to."""
        if key.text is not None and key.text == track:
            help = f"leave key out: a {part} goes by its own track then"
            message = f"{track} is its own key, expected another track"
            yield Problem("sheet/own-key", message, key.span, help)
        else:
            yield from self.names.known(key, "tracks")

    def band(self, band: Entry, track: str | None) -> Iterator[Problem]:
        """One band of the EQ of a track (by its name) or of something with two sides."""
        kind, on, rides = band.child("type").text, band.child("on"), band.child("automation")
        yield from self.below_limit(band.child("freq_hz"))
        if track is not None and on.text in ("mid", "side"):
            message = f"a track's EQ takes no on: {on.text}, expected a group, return or mix_bus"
            yield Problem("sheet/no-effect", message, on.span)
        if "q" in band and "slope" in band:
            message = "q and slope are both given, expected one of them"
            yield Problem("sheet/two-slopes", message, band.child("slope").key_span)
        if "gain_db" in rides and kind is not None and kind not in GAIN_TYPES:
            message = f"a {kind} band has no gain_db to ride"
            yield Problem("sheet/no-effect", message, rides.child("gain_db").key_span)
        for _, points in rides.entries():
            yield from self.times.ride(points)
        for point in rides.child("freq_hz").items():
            yield from self.below_limit(point.child("value"), "freq_hz")

    def below_limit(self, node: Entry, name: str | None = None) -> Iterator[Problem]:
        """A frequency that the sample rate can hold."""
        rate_hz = self.sheet.child("song").child("sample_rate_hz").number
        if node.number is None or rate_hz is None or node.number < HIGHEST_OF_RATE * rate_hz:
            return
        limit = as_written(round(HIGHEST_OF_RATE * rate_hz, 1))
        name = name or str(node.path[-1])
        said = f"{name} is {as_written(node.number)}, expected below {limit} Hz"
        message = f"{said} ({HIGHEST_OF_RATE} of the sample rate)"
        yield Problem("sheet/above-limit", message, node.span)

    def delay(self, node: Entry) -> Iterator[Problem]:
        """A delay that is timed once, by ms or by a note that is not too long."""
        if node.child("type").text != "delay":
            return
        note = node.child("note")
        if "time_ms" in node and "note" in node:
            message = "time_ms and note are both given, expected one of them"
            yield Problem("sheet/two-times", message, note.key_span)
        elif "time_ms" not in node and "note" not in node:
            message = f"the delay {node.path[-1]} has no time, expected time_ms or note"
            yield Problem("sheet/no-time", message, node.key_span)
        elif note.text is not None:
            yield from self._note_fits(note, note.text, bounds_of(DelaySettings)["time_ms"])

    def reverb(self, node: Entry) -> Iterator[Problem]:
        """A reverb that is either synthesised or recorded, with one pre-delay."""
        if node.child("type").text != "reverb":
            return
        impulse, note = node.child("impulse"), node.child("pre_delay_note")
        if "impulse" in node and "decay_s" in node:
            message = "decay_s and impulse are both given, expected one of them"
            yield Problem("sheet/two-rooms", message, impulse.key_span)
        elif "impulse" not in node and "decay_s" not in node:
            message = f"the reverb {node.path[-1]} has no room, expected decay_s or impulse"
            yield Problem("sheet/no-room", message, node.key_span)
        elif "impulse" in node:
            for key in (key for key in _OF_DECAY if key in node):
                message = f"{key} does nothing with impulse: a recorded room has its own"
                yield Problem("sheet/no-effect", message, node.child(key).key_span)
        if "pre_delay_ms" in node and "pre_delay_note" in node:
            message = "pre_delay_ms and pre_delay_note are both given, expected one of them"
            yield Problem("sheet/two-times", message, note.key_span)
        elif note.text is not None:
            bounds = bounds_of(ReverbSettings)["pre_delay_ms"]
            yield from self._note_fits(note, note.text, bounds)

    def _note_fits(self, node: Entry, note: str, bounds: Bounds) -> Iterator[Problem]:
        for change in tempo_of(self.sheet.child("song")):
            time_ms = 60000.0 / change.bpm * note_to_beats(note)
            if not bounds.low <= time_ms <= bounds.high:
                said = f"{note} at {as_written(change.bpm)} bpm is {time_ms:.0f} ms"
                message = f"{said}, expected between {bounds.low:g} and {bounds.high:g} ms"
                yield Problem("sheet/out-of-bounds", message, node.span)
                return
