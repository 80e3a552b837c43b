"""What a shape can't say: names that must exist, times that must fit, keys that fit together.

Reads the tree without trust, so that it can go over a sheet whose shape has faults and still
say everything else that is wrong with it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from mixwright.dsp.contract import Bounds, bounds_of
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.reverb import ReverbSettings
from mixwright.problem import Problem
from mixwright.sheet.files import FileCheck
from mixwright.sheet.nearest import similar
from mixwright.sheet.shape import as_written
from mixwright.sheet.times import PositionCheck, check_section, check_song, tempo_of, timeline_of
from mixwright.sheet.tree import Node, Tree
from mixwright.timeline import note_to_beats

# Filters are designed up to here; beyond it there is no frequency left to shape.
HIGHEST_OF_RATE = 0.49
# Reports call the bus by this name.
RESERVED_NAMES = ("mix_bus",)
_PARTS = ("tracks", "groups", "returns")
# What only a synthesised room has: a recorded one brings its own.
_OF_DECAY = ("decay_by_band", "seed", "size_m", "early_db")
_RIDDEN_GAIN = ("bell", "low_shelf", "high_shelf")


def check_meaning(tree: Tree, folder: Path, allow_outside: bool = False) -> list[Problem]:
    """Return every fault of names, times and files; paths are relative to `folder`.

    Positions beyond the end of the song need its length: see
    :func:`mixwright.sheet.length.check_length`.
    """
    sheet = Node(tree, tree.value)
    song = sheet.child("song")
    names = {part: [name for name, _ in sheet.child(part).entries()] for part in _PARTS}
    check = _Check(sheet, names, PositionCheck(song, timeline_of(song)))
    problems = [*check_song(song), *check.names_unique(), *check.parts(), *check.variants()]
    if "end" in song:
        problems += check.times.position(song.child("end"), "the end")
    files = FileCheck(folder, allow_outside)
    for name, track in sheet.child("tracks").entries():
        problems += files.check(track.child("file"), name)
    for _, part in sheet.child("returns").entries():
        problems += files.check(part.child("impulse"))
    for reference in sheet.child("references").items():
        problems += files.check(reference.child("file"))
        problems += check_section(reference.child("section"), song)
    for accepted in sheet.child("accept").items():
        if accepted.child("name").text not in RESERVED_NAMES:
            problems += check.known(accepted.child("name"), *_PARTS)
        problems += check_section(accepted.child("section"), song)
    return problems


@dataclass(frozen=True)
class _Check:
    """The whole sheet, the names in it by part, and its times."""

    sheet: Node
    names: dict[str, list[str]]
    times: PositionCheck

    def names_unique(self) -> Iterator[Problem]:
        """A track, group or return by a name that is taken."""
        taken: dict[str, str] = {}
        for part in _PARTS:
            for name, node in self.sheet.child(part).entries():
                if name in RESERVED_NAMES:
                    message = f"{name} is a name with a meaning of its own"
                    yield Problem("sheet/name-taken", message, node.key_span, "choose another name")
                other = taken.setdefault(name, part)
                if other != part:
                    message = f"{name} names a {other[:-1]} and a {part[:-1]}"
                    help = "rename one of them"
                    yield Problem("sheet/name-taken", message, node.key_span, help)

    def parts(self) -> Iterator[Problem]:
        """Everything that sound runs through."""
        for name, track in self.sheet.child("tracks").entries():
            yield from self.known(track.child("group"), "groups")
            for send, node in track.child("sends_db").entries():
                yield from self.known_key(node, send, ("returns",))
            yield from self.strip(track, name)
        for _, group in self.sheet.child("groups").entries():
            yield from self.strip(group, None)
        for _, part in self.sheet.child("returns").entries():
            yield from self.strip(part, None)
            yield from self.below_limit(part.child("low_pass_hz"))
            yield from self.delay(part)
            yield from self.reverb(part)
        yield from self.strip(self.sheet.child("mix_bus"), None)

    def strip(self, node: Node, track: str | None) -> Iterator[Problem]:
        """EQ, dynamics and rides of a track (by its name), group, return or mix bus."""
        for band in node.child("eq").items():
            yield from self.band(band, track)
        for part in ("gate", "compressor"):
            yield from self.below_limit(node.child(part).child("detector_low_pass_hz"))
            yield from self.key(node.child(part).child("key"), part, track)
        rms = node.child("compressor").child("rms_ms")
        if rms.number is not None and node.child("compressor").child("detector").text != "rms":
            message = "rms_ms does nothing without detector: rms"
            yield Problem("sheet/no-effect", message, rms.key_span)
        for ridden, points in node.child("automation").entries():
            if ridden.startswith("sends_db."):
                yield from self.known_key(points, ridden.partition(".")[2], ("returns",))
            yield from self.times.ride(points)

    def key(self, key: Node, part: str, track: str | None) -> Iterator[Problem]:
        """The track that a gate or compressor listens to."""
        if key.text is not None and key.text == track:
            help = f"leave key out: a {part} goes by its own track then"
            message = f"{track} is its own key, expected another track"
            yield Problem("sheet/own-key", message, key.span, help)
        else:
            yield from self.known(key, "tracks")

    def band(self, band: Node, track: str | None) -> Iterator[Problem]:
        """One band of the EQ of a track (by its name) or of something with two sides."""
        kind, on, rides = band.child("type").text, band.child("on"), band.child("automation")
        yield from self.below_limit(band.child("freq_hz"))
        if track is not None and on.text in ("mid", "side"):
            message = f"a track's EQ takes no on: {on.text}, expected a group, return or mix_bus"
            yield Problem("sheet/no-effect", message, on.span)
        if "q" in band and "slope" in band:
            message = "q and slope are both given, expected one of them"
            yield Problem("sheet/two-slopes", message, band.child("slope").key_span)
        if "gain_db" in rides and kind is not None and kind not in _RIDDEN_GAIN:
            message = f"a {kind} band has no gain_db to ride"
            yield Problem("sheet/no-effect", message, rides.child("gain_db").key_span)
        for _, points in rides.entries():
            yield from self.times.ride(points)
        for point in rides.child("freq_hz").items():
            yield from self.below_limit(point.child("value"), "freq_hz")

    def known(self, node: Node, *parts: str) -> Iterator[Problem]:
        """A value that names a track, group or return."""
        if node.text is not None and (problem := self._unknown(node.text, parts)):
            yield Problem("sheet/unknown-" + parts[0][:-1], problem[0], node.span, problem[1])

    def known_key(self, node: Node, name: str, parts: tuple[str, ...]) -> Iterator[Problem]:
        """A key that names a track, group or return."""
        if problem := self._unknown(name, parts):
            yield Problem("sheet/unknown-" + parts[0][:-1], problem[0], node.key_span, problem[1])

    def _unknown(self, name: str, parts: tuple[str, ...]) -> tuple[str, str | None] | None:
        known = [known for part in parts for known in self.names[part]]
        if name in known:
            return None
        kind = " or ".join(part[:-1] for part in parts)
        for part in _PARTS:
            if name in self.names[part]:
                return f"unknown {kind} {name}, {name} is a {part[:-1]}", None
        return f"unknown {kind} {name}", similar(kind, name, known)

    def below_limit(self, node: Node, name: str | None = None) -> Iterator[Problem]:
        """A frequency that the sample rate can hold."""
        rate_hz = self.sheet.child("song").child("sample_rate_hz").number
        if node.number is None or rate_hz is None or node.number < HIGHEST_OF_RATE * rate_hz:
            return
        limit = as_written(round(HIGHEST_OF_RATE * rate_hz, 1))
        name = name or str(node.path[-1])
        said = f"{name} is {as_written(node.number)}, expected below {limit} Hz"
        message = f"{said} ({HIGHEST_OF_RATE} of the sample rate)"
        yield Problem("sheet/above-limit", message, node.span)

    def delay(self, node: Node) -> Iterator[Problem]:
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

    def reverb(self, node: Node) -> Iterator[Problem]:
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

    def _note_fits(self, node: Node, note: str, bounds: Bounds) -> Iterator[Problem]:
        for change in tempo_of(self.sheet.child("song")):
            time_ms = 60000.0 / change.bpm * note_to_beats(note)
            if not bounds.low <= time_ms <= bounds.high:
                said = f"{note} at {as_written(change.bpm)} bpm is {time_ms:.0f} ms"
                message = f"{said}, expected between {bounds.low:g} and {bounds.high:g} ms"
                yield Problem("sheet/out-of-bounds", message, node.span)
                return

    def variants(self) -> Iterator[Problem]:
        """Deliverables: members that exist, and at least one of them left."""
        for name, node in self.sheet.child("variants").entries():
            only, without = node.child("only"), node.child("without")
            if "only" in node and "without" in node:
                message = "only and without are both given, expected one of them"
                second = max(only, without, key=lambda n: (n.key_span.line, n.key_span.column))
                yield Problem("sheet/only-and-without", message, second.key_span)
            faults = [
                problem
                for member in (*only.items(), *without.items())
                for problem in self.known(member, "tracks", "groups")
            ]
            for member, offset in node.child("offset_db").entries():
                faults += self.known_key(offset, member, ("tracks", "groups"))
            yield from faults
            if not faults and not self._members(only, without):
                yield Problem(
                    "sheet/no-tracks", f"the variant {name} holds no track", node.key_span
                )

    def _members(self, only: Node, without: Node) -> list[str]:
        """The tracks that a variant holds."""
        kept = {item.text for item in only.items()}
        dropped = {item.text for item in without.items()}
        found = []
        for name, track in self.sheet.child("tracks").entries():
            parts = {name, track.child("group").text}
            if not parts & dropped and (not kept or parts & kept):
                found.append(name)
        return found
