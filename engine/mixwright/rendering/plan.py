"""The plan: everything that will happen to the sound, worked out before any of it does.

Built from a sheet, a step and a span; printable, comparable, no audio in it. Musical time has
become samples, steps that come later have been left out, and each stem has been probed.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from mixwright.audio import StemInfo, probe
from mixwright.dsp.curve import DECLICK_MS, Curve, Move
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.eq import EqSettings
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.parts import BusPlan, ChainPlan, Makeup, ReturnPlan, TrackPlan
from mixwright.rendering.settle import Paths
from mixwright.sheet import STEPS, Sheet, StepName, check_length
from mixwright.sheet.model import Band, Compressor, Group, MixBus, Point, Points, Return, Track
from mixwright.timeline import Position, Timeline, note_to_beats
from mixwright.units import SILENCE_DB, ms_to_samples


@dataclass(frozen=True)
class Plan:
    """A whole render. Positions are samples of the song; `start <= keep_from < keep_to`.

    Rendering begins at `start` (before `keep_from`, so that compressors and tails have settled),
    and `tail` is how long the sound may ring on after `end`, the end of the song.
    """

    rate_hz: int
    through: StepName
    tracks: tuple[TrackPlan, ...]
    groups: tuple[BusPlan, ...]
    returns: tuple[ReturnPlan, ...]
    mix_bus: BusPlan
    start: int
    keep_from: int
    keep_to: int | None
    end: int
    tail: int

    @property
    def is_whole(self) -> bool:
        """Whether it covers the whole song."""
        return self.keep_from == 0 and self.keep_to is None

    @property
    def notes(self) -> list[str]:
        """What a person should be told about the stems: rates that are converted."""
        return [
            f"{track.name}: converted from {track.stem.rate_hz} Hz to {self.rate_hz} Hz"
            for track in self.tracks
            if track.stem.rate_hz != self.rate_hz
        ]


def make_plan(
    sheet: Sheet,
    through: StepName = "automation",
    span: tuple[Position | None, Position | None] = (None, None),
) -> Plan:
    """Work out a render of `sheet` through a step, whole or from one position to another.

    Raises ProblemError, with the sheet's line, for stems that can't be read and for positions
    beyond the end of the song.
    """
    stems = probe_stems(sheet)
    timeline = sheet.timeline
    length = song_length(sheet, stems)
    if length < 1:
        message = f"the song ends at {sheet.song.end}, expected an end after its start"
        raise ProblemError([Problem("sheet/end", message, sheet.span_of("song", "end"))])
    if problems := check_length(sheet, length):
        raise ProblemError(problems)
    drawn = _Drawer(timeline, STEPS.index(through))
    tracks = tuple(drawn.track(t, s, length) for t, s in zip(sheet.tracks, stems, strict=True))
    returns = tuple(drawn.returned(r) for r in sheet.returns) if drawn.has("effects") else ()
    groups = tuple(drawn.bus(group, "eq", "dynamics") for group in sheet.groups)
    mix_bus = drawn.bus(sheet.mix_bus, "mixbus", "mixbus")
    returns = tuple(r for r in returns if any(_is_sent_to(r.name, track) for track in tracks))
    keep_from, keep_to = _span(timeline, span, length)
    paths = Paths(tracks, groups, returns, mix_bus, timeline.rate_hz)
    return Plan(
        rate_hz=timeline.rate_hz,
        through=through,
        tracks=tracks,
        groups=groups,
        returns=returns,
        mix_bus=mix_bus,
        start=max(0, keep_from - paths.settling) if keep_from else 0,
        keep_from=keep_from,
        keep_to=keep_to,
        end=length,
        tail=paths.ring_out,
    )


def probe_stems(sheet: Sheet) -> list[StemInfo]:
    """Return every stem's header in sheet order; ProblemError names each one that fails."""
    stems: list[StemInfo] = []
    problems: list[Problem] = []
    for track in sheet.tracks:
        span = sheet.span_of("tracks", track.name, "file")
        try:
            stems.append(probe(sheet.folder / track.file))
        except ProblemError as error:
            problems += [dataclasses.replace(p, span=span) for p in error.problems]
    if problems:
        raise ProblemError(problems)
    return stems


def song_length(sheet: Sheet, stems: Sequence[StemInfo]) -> int:
    """Return the song's length in samples: its `end`, or the end of its longest track."""
    timeline = sheet.timeline
    if sheet.song.end is not None:
        return timeline.sample_at(sheet.song.end)
    pairs = zip(sheet.tracks, stems, strict=True)
    return max(1, *(_stem_end(track, stem, timeline.rate_hz) for track, stem in pairs))


def _stem_end(track: Track, stem: StemInfo, rate_hz: int) -> int:
    return _offset(track, rate_hz) + math.ceil(stem.frames * rate_hz / stem.rate_hz)


def _offset(track: Track, rate_hz: int) -> int:
    return round(ms_to_samples(track.offset_ms, rate_hz))


@dataclass(frozen=True)
class _Drawer:
    """Turns parts of the sheet into parts of the plan, leaving out steps after `last`."""

    timeline: Timeline
    last: int

    def has(self, step: StepName) -> bool:
        return STEPS.index(step) <= self.last

    def track(self, track: Track, stem: StemInfo, length: int) -> TrackPlan:
        sign = -1.0 if track.polarity == "invert" else 1.0
        rides = track.automation
        chain = self.chain(track.eq, track.level_match, track.compressor, "eq", "dynamics")
        sends = [
            (name, self.curve("dB", track.sends_db.get(name, SILENCE_DB), rides.sends_db.get(name)))
            for name in dict.fromkeys([*track.sends_db, *rides.sends_db])
        ]
        return TrackPlan(
            name=track.name,
            stem=stem,
            offset=_offset(track, self.timeline.rate_hz),
            input_gain=sign * 10.0 ** (track.trim_db / 20.0),
            chain=chain,
            gain=self.ridden(track.gain_db, rides.gain_db),
            mute=self.muted(track.mute, rides.mute),
            pan=self.curve("plain", track.pan, rides.pan),
            width_percent=track.width_percent,
            group=track.group,
            sends=tuple(sends) if self.has("effects") else (),
            cut_at=length if _stem_end(track, stem, self.timeline.rate_hz) > length else None,
        )

    def bus(self, bus: Group | MixBus, eq: StepName, dynamics: StepName) -> BusPlan:
        chain = self.chain(bus.eq, bus.level_match, bus.compressor, eq, dynamics)
        rides = bus.automation
        if isinstance(bus, Group):
            gain, mute = self.ridden(bus.gain_db, rides.gain_db), self.muted(bus.mute, rides.mute)
            return BusPlan(bus.name, chain, gain, mute)
        gain = self.ridden(bus.gain_db if self.has("mixbus") else 0.0, rides.gain_db)
        return BusPlan("mix_bus", chain, gain, self.muted(False, rides.mute))

    def returned(self, part: Return) -> ReturnPlan:
        effect = part.effect
        if part.note is not None and isinstance(effect, DelaySettings):
            effect = self.timed(effect, part.note)
        return ReturnPlan(
            part.name,
            effect,
            EqSettings(tuple(band.settings for band in part.eq)),
            self.ridden(part.gain_db, part.automation.gain_db),
            self.muted(part.mute, part.automation.mute),
        )

    def timed(self, delay: DelaySettings, note: str) -> DelaySettings:
        """A delay whose time is a note value, moved wherever the tempo changes."""
        times = [
            (self.timeline.seconds_at_bar(t.bar), 60000.0 / t.bpm * note_to_beats(note))
            for t in self.timeline.tempo
        ]
        return dataclasses.replace(delay, time_ms=times[0][1], later_times_ms=tuple(times[1:]))

    def chain(
        self,
        bands: tuple[Band, ...],
        level_match: bool,
        compressor: Compressor | None,
        eq_step: StepName,
        dynamics_step: StepName,
    ) -> ChainPlan:
        eq = EqSettings(tuple(b.settings for b in bands) if self.has(eq_step) else ())
        if compressor is None or not self.has(dynamics_step):
            return ChainPlan(eq, level_match)
        makeup: Makeup = "matched" if compressor.makeup_db is None else compressor.makeup_db
        return ChainPlan(eq, level_match, compressor.settings, compressor.key, makeup)

    def ridden(self, gain_db: float, points: Points) -> Curve:
        """A fader with rides: the points add to it."""
        shifted = tuple(dataclasses.replace(p, value=p.value + gain_db) for p in points)
        return self.curve("dB", gain_db, shifted)

    def muted(self, mute: bool, points: Points) -> Curve:
        """0 dB or silence; a track is back in full at the place where it is unmuted."""
        as_db = tuple(dataclasses.replace(p, value=_mute_db(p.value)) for p in points)
        curve = self.curve("dB", _mute_db(float(mute)), as_db)
        moves: list[Move] = []
        for move in curve.moves:
            earliest = moves[-1].start if moves else 0
            early = move.start if move.value == SILENCE_DB else move.start - move.length
            moves.append(dataclasses.replace(move, start=max(earliest, early)))
        return dataclasses.replace(curve, moves=tuple(moves))

    def curve(self, unit: Literal["dB", "plain"], initial: float, points: Points | None) -> Curve:
        if not points or not self.has("automation"):
            return Curve(unit, initial)
        moves = [self._move(point) for point in points]
        if moves[0].start == 0 and not (points[0].over_beats or points[0].over_ms):
            initial = moves.pop(0).value  # it starts there: there is nothing to move from
        return Curve(unit, initial, tuple(moves))

    def _move(self, point: Point) -> Move:
        seconds = self.timeline.seconds_at(point.at)
        ramp = max(point.over_ms, DECLICK_MS) / 1000.0
        if point.over_beats:
            ramp = max(ramp, self.timeline.beats_to_seconds(seconds, point.over_beats))
        length = max(1, round(ramp * self.timeline.rate_hz))
        return Move(self.timeline.nearest_sample(seconds), length, point.value)


def _is_sent_to(name: str, track: TrackPlan) -> bool:
    """Whether anything of a track ever reaches a return."""
    return any(
        target == name and not (level.is_constant and level.initial == SILENCE_DB)
        for target, level in track.sends
    )


def _mute_db(muted: float) -> float:
    return SILENCE_DB if muted else 0.0


def _span(
    timeline: Timeline, span: tuple[Position | None, Position | None], length: int
) -> tuple[int, int | None]:
    try:
        start = 0 if span[0] is None else timeline.sample_at(span[0])
        stop = None if span[1] is None else timeline.sample_at(span[1])
    except KeyError as error:
        raise _span_fault(f"unknown section {error}") from error
    except ValueError as error:
        raise _span_fault(str(error)) from error
    if start >= length or (stop is not None and stop > length):
        which = span[0] if start >= length else span[1]
        raise _span_fault(
            f"{which} is beyond the end of the song ({length / timeline.rate_hz:.3f} s)"
        )
    if stop is not None and stop <= start:
        raise _span_fault(f"the span ends ({span[1]}) before it begins ({span[0]})")
    return start, stop


def _span_fault(message: str) -> ProblemError:
    return ProblemError([Problem("render/span", message)])
