"""From a sheet that fits the schema to one that is sound: names that exist, times that fit."""

from __future__ import annotations

import math
import random
from typing import Any

from fuzzing.sheet_grammar import Caps, Grammar
from fuzzing.sheet_words import SECTIONS, STEMS, words_for
from fuzzing.sound_variants import mend_deliverables
from mixwright.timeline import Position, Section, TempoChange, Timeline, note_to_beats

Part = dict[str, Any]
HIGHEST = 0.48  # of the sample rate; the engine takes 0.49
# How full sheets are: most are small, which is quick.
SHARES = (0.05, 0.05, 0.1, 0.2, 0.35, 0.6)
# Songs that render in a second: short rooms and repeats, nothing far beyond the stems.
SMALL: Caps = {
    "sample_rate_hz": (44100, 48000),
    "decay_s": (0.1, 1.2),
    "time_ms": (1.0, 300.0),
    "feedback_db": (-60.0, -6.0),
    "offset_ms": (-400.0, 800.0),
    "head_s": (0.0, 1.0),
    "tail_s": (0.0, 1.0),
    "fade_in_s": (0.0, 1.0),
    "fade_out_s": (0.0, 1.0),
    "over_ms": (0.0, 3000.0),
    "over_beats": (0.0, 8.0),
    "s": (0.0, 4.0),
}


def shaped_sheet(dice: random.Random, caps: Caps | None = None) -> Part:
    """A sheet that fits the schema; what it means may not."""
    return Grammar(dice, words_for, dice.choice(SHARES), caps).sheet()


def sound_sheet(dice: random.Random, caps: Caps | None = None) -> Part:
    """A sheet that must be taken as it is, with the files of :mod:`fuzzing.sheet_words` beside."""
    return Mender(dice, shaped_sheet(dice, caps)).sheet


class Mender:
    """Mends a sheet in place, part by part; what can't be mended is left out."""

    def __init__(self, dice: random.Random, sheet: Part) -> None:
        self.dice, self.sheet = dice, sheet
        self.tracks: Part = sheet["tracks"]
        self.groups: Part = sheet.get("groups", {})
        self.returns: Part = sheet.get("returns", {})
        self._names()
        self.rate_hz: int = sheet["song"]["sample_rate_hz"]
        self._files()
        self._song(sheet["song"])
        for name, track in self.tracks.items():
            self._track(name, track)
        for bus in [*self.groups.values(), *self.returns.values(), sheet.get("mix_bus", {})]:
            self._strip(bus, None)
        for part in self.returns.values():
            self._delay(part) if part["type"] == "delay" else self._reverb(part)
        self._remarks()
        mend_deliverables(self)

    def _names(self) -> None:
        """One name for each, also for disks that take capitals for small letters."""
        taken = {"mix_bus"}
        for part in (self.tracks, self.groups, self.returns):
            for name in list(part):
                if name.casefold() in taken:
                    value, name = part.pop(name), f"x{len(taken)}"
                    part[name] = value
                taken.add(name.casefold())

    def _files(self) -> None:
        """Each stem on one track; no more tracks than there are stems."""
        for name in list(self.tracks)[len(STEMS) :]:
            del self.tracks[name]
        files = self.dice.sample(list(STEMS), len(self.tracks))
        for track, file in zip(self.tracks.values(), files, strict=True):
            track["file"] = file

    # Times

    def _song(self, song: Part) -> None:
        bars = sorted({self.dice.choice((2, 3, 5, 9, 99_999)) for _ in song.get("tempo", ())})
        for change, bar in zip(song.get("tempo", ()), [1, *bars], strict=False):
            change["bar"] = bar
        if "tempo" in song:
            song["tempo"] = song["tempo"][: len(bars) + 1]
        self.timeline = self._timeline(song)
        self.length = self._length(song)
        self._sections(song)
        self.timeline = self._timeline(song)

    def _timeline(self, song: Part) -> Timeline:
        beats, changes = 4, []
        for change in song.get("tempo", [{"bar": 1, "bpm": 120.0}]):
            beats = change.get("beats_per_bar", beats)
            changes.append(TempoChange(change["bar"], change["bpm"], beats))
        sections = [Section(one["name"], one["bar"]) for one in song.get("sections", ())]
        return Timeline(self.rate_hz, tuple(changes), tuple(sections))

    def _length(self, song: Part) -> int:
        """The song's length in samples, by its end or its longest track."""
        if "end" in song:
            bar = self.dice.choice((2, 2, 3, 4))
            if self.timeline.seconds_at_bar(bar) < 5.0 and self.dice.random() < 0.5:
                song["end"] = {"bar": bar}
                return self.timeline.sample_at(Position(bar=bar))
            song["end"] = {"s": round(self.dice.uniform(0.5, 4.5), 3)}
            return self.timeline.nearest_sample(song["end"]["s"])
        ends = [0]
        for track in self.tracks.values():
            stem = STEMS[track["file"]]
            offset = round(track.get("offset_ms", 0.0) * self.rate_hz / 1000.0)
            ends.append(offset + math.ceil(stem.frames * self.rate_hz / stem.rate_hz))
        return max(1, *ends)

    def _sections(self, song: Part) -> None:
        """Sections within the song, each with a name and a bar of its own."""
        inside = [bar for bar in range(1, 9) if self._is_inside(Position(bar=bar))]
        count = min(len(song.get("sections", ())), len(inside))
        bars, names = sorted(self.dice.sample(inside, count)), self.dice.sample(SECTIONS, count)
        if "sections" in song:
            pairs = zip(names, bars, strict=True)
            song["sections"] = [{"name": name, "bar": bar} for name, bar in pairs]
        self.sections = names
        self.known_section(song, "loudest_section")

    def _is_inside(self, at: Position) -> bool:
        return self.timeline.sample_at(at) < self.length

    def known_section(self, part: Part, key: str) -> None:
        """A section that exists, or none."""
        if key in part and part[key] not in self.sections:
            part.pop(key)
            if self.sections:
                part[key] = self.dice.choice(self.sections)

    def _position(self) -> Part:
        """Somewhere within the song, said in one of the ways there are."""
        ways: list[Part] = [{"section": name} for name in self.sections]
        bars = [bar for bar in range(1, 9) if self._is_inside(Position(bar=bar))]
        ways += [{"bar": self.dice.choice(bars)} for _ in range(2)]
        with_beat: Part = {"bar": self.dice.choice(bars)}
        beats = self.timeline.tempo_at(self.timeline.seconds_at_bar(with_beat["bar"])).beats_per_bar
        with_beat["beat"] = round(self.dice.uniform(1.0, beats + 0.99), 2)
        if self._is_inside(Position(**with_beat)):
            ways.append(with_beat)
        seconds = math.floor(self.dice.random() * 1000.0 * self.length / self.rate_hz) / 1000.0
        if self.timeline.nearest_sample(seconds) < self.length:
            ways += [{"s": seconds}] * 2
        return self.dice.choice(ways)

    def place(self, part: Part) -> int:
        """Put something somewhere within the song; return the sample."""
        for key in ("section", "bar", "beat", "s"):
            part.pop(key, None)
        at = self._position()
        part.update(at)
        seconds = at.get("s")
        return self.timeline.sample_at(
            Position(at.get("section"), at.get("bar"), at.get("beat", 1.0), seconds)
        )

    def _rides(self, automation: Part) -> None:
        """Points that rise, each with one length."""
        for ridden, points in automation.items():
            placed = {self.place(point): point for point in points}
            automation[ridden] = [placed[sample] for sample in sorted(placed)]
            for point in points:
                if "over_beats" in point and "over_ms" in point:
                    del point[self.dice.choice(("over_beats", "over_ms"))]
                if not (point.get("over_beats") or point.get("over_ms")):
                    point.pop("shape", None)

    # Strips

    def _track(self, name: str, track: Part) -> None:
        if track.get("group", "") not in self.groups:
            track.pop("group", None)
            if self.groups and self.dice.random() < 0.6:
                track["group"] = self.dice.choice(list(self.groups))
        sends = {
            self._return_or(key, ""): level for key, level in track.get("sends_db", {}).items()
        }
        sends.pop("", None)
        if "sends_db" in track:
            track["sends_db"] = sends
        for key in [k for k in track.get("automation", {}) if k.startswith("sends_db.")]:
            points = track["automation"].pop(key)
            if target := self._return_or(key.partition(".")[2], ""):
                track["automation"][f"sends_db.{target}"] = points
        self._strip(track, name)

    def _return_or(self, name: str, other: str) -> str:
        names = list(self.returns)
        return name if name in names else self.dice.choice(names) if names else other

    def _strip(self, part: Part, track: str | None) -> None:
        for band in part.get("eq", ()):
            self._band(band, track)
        others = [name for name in self.tracks if name != track]
        for name in ("gate", "compressor"):
            settings = part.get(name, {})
            self._below(settings, "detector_low_pass_hz")
            if "key" in settings and settings["key"] not in others:
                settings.pop("key")
                if others:
                    settings["key"] = self.dice.choice(others)
            if settings.get("detector") != "rms":
                settings.pop("rms_ms", None)
        self._below(part, "low_pass_hz")
        self._rides(part.get("automation", {}))

    def _below(self, part: Part, key: str) -> None:
        if key in part and part[key] >= HIGHEST * self.rate_hz:
            part[key] = HIGHEST * self.rate_hz

    def _band(self, band: Part, track: str | None) -> None:
        self._below(band, "freq_hz")
        if track is not None:
            band.pop("on", None)
        if "q" in band and "slope" in band:
            del band[self.dice.choice(("q", "slope"))]
        rides = band.get("automation", {})
        if band["type"] not in ("bell", "low_shelf", "high_shelf"):
            rides.pop("gain_db", None)
        self._rides(rides)
        for point in rides.get("freq_hz", ()):
            self._below(point, "value")

    # Returns

    def _note_fits(self, note: str, most_ms: float) -> bool:
        lengths = [60000.0 / one.bpm * note_to_beats(note) for one in self.timeline.tempo]
        return all(1.0 <= length <= most_ms for length in lengths)

    def _delay(self, part: Part) -> None:
        if "note" in part and (not self._note_fits(part["note"], 9999.0) or "time_ms" in part):
            del part["note"]
        if "note" not in part:
            part.setdefault("time_ms", 120.5)

    def _reverb(self, part: Part) -> None:
        if "impulse" in part and "decay_s" in part:
            del part[self.dice.choice(("impulse", "decay_s"))]
        if "impulse" in part:
            for key in ("decay_by_band", "seed", "size_m", "early_db"):
                part.pop(key, None)
        else:
            part.setdefault("decay_s", 0.7)
        if "pre_delay_note" in part:
            part.pop("pre_delay_ms", None)
            if not self._note_fits(part["pre_delay_note"], 499.0):
                del part["pre_delay_note"]

    def _remarks(self) -> None:
        """References and what is accepted: of names and sections that exist."""
        names = [*self.tracks, *self.groups, *self.returns, "mix_bus"]
        for accepted in self.sheet.get("accept", ()):
            if accepted.get("name", "mix_bus") not in names:
                accepted["name"] = self.dice.choice(names)
            self.known_section(accepted, "section")
        for reference in self.sheet.get("references", ()):
            self.known_section(reference, "section")
