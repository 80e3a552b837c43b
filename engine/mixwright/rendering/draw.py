"""From parts of the sheet to parts of the plan: musical time becomes samples, later steps go."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from mixwright.audio import StemInfo
from mixwright.dsp.contract import bounds_of
from mixwright.dsp.curve import DECLICK_MS, Curve, CurveMove, Unit
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.eq import BandRide, EqSettings
from mixwright.dsp.impulse import ImpulseSettings
from mixwright.dsp.inserts import InsertSettings, PluginSettings
from mixwright.dsp.limiter import LimiterSettings
from mixwright.dsp.reverb import ReverbSettings
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.parts import BusPlan, ChainPlan, TrackPlan
from mixwright.rendering.plugin_list import plugin_list_path, unknown_plugin
from mixwright.rendering.probing import probed
from mixwright.rendering.stages import (
    EffectStage,
    EqStage,
    InsertsStage,
    Makeup,
    ProcessorStage,
    Stage,
)
from mixwright.sheet import STEPS, Sheet, StepName
from mixwright.sheet.deliverables import Cover
from mixwright.sheet.model import (
    Band,
    Bus,
    Group,
    Insert,
    Point,
    Points,
    RecordedRoom,
    Return,
    Track,
    processors_of,
)
from mixwright.timeline import Timeline, note_to_beats
from mixwright.units import SILENCE_DB, ms_to_samples


@dataclass(frozen=True)
class Drawer:
    """Draws the plan of one sheet through the step of index `last`, and collects faults."""

    sheet: Sheet
    timeline: Timeline
    last: int
    plugins: Mapping[str, Path] | None
    probe: Callable[[Path], StemInfo] = probed
    problems: list[Problem] = field(default_factory=list)

    def raise_faults(self) -> None:
        """Raise ProblemError for everything found wrong while drawing."""
        if self.problems:
            raise ProblemError(dict.fromkeys(self.problems))

    def has(self, step: StepName) -> bool:
        """Whether a step is part of the plan."""
        return STEPS.index(step) <= self.last

    def track(self, track: Track, stem: StemInfo, length: int) -> TrackPlan:
        """One track; `length` is the song's in samples."""
        sign = -1.0 if track.polarity == "invert" else 1.0
        rides = track.automation
        sends = [
            (name, self.curve("dB", track.sends_db.get(name, SILENCE_DB), rides.sends_db.get(name)))
            for name in dict.fromkeys([*track.sends_db, *rides.sends_db])
        ]
        return TrackPlan(
            name=track.name,
            stem=stem,
            offset=_offset(track, self.timeline.rate_hz),
            input_gain=sign * 10.0 ** (track.trim_db / 20.0),
            chain=self.chain(track, ("tracks", track.name)),
            fader=self.fader(track.gain_db, rides.gain_db),
            mute=self.muted(track.mute, rides.mute),
            pan=self.curve("plain", track.pan, rides.pan),
            width_percent=track.width_percent,
            group=track.group,
            sends=tuple(sends) if self.has("effects") else (),
            cut_at=length if stem_end(track, stem, self.timeline.rate_hz) > length else None,
            cover=self.cover(track),
        )

    def cover(self, track: Track) -> Curve:
        """What a clean version does to a track, as a gain beside its fader.

        A word is covered from its first sample to its last: the gain is down before and comes up
        after. What sounds instead is there as long.
        """
        is_instead = any(cover.instead == track.name for cover in track.covers)
        rest_db = SILENCE_DB if is_instead else 0.0
        ramp = max(1, round(DECLICK_MS * self.timeline.rate_hz / 1000.0))
        initial_db, moves = rest_db, []
        for start, end, level_db in self._covered(track.covers, ramp):
            value = 0.0 if is_instead else level_db
            if start <= ramp:
                initial_db = value
            else:
                moves.append(CurveMove(start - ramp, ramp, value))
            moves.append(CurveMove(end, ramp, rest_db))
        return Curve("dB", initial_db, tuple(moves))

    def _covered(self, covers: Sequence[Cover], ramp: int) -> list[tuple[int, int, float]]:
        """First and last sample and level of each stretch; what meets becomes one, at the lower."""
        stretches: list[tuple[int, int, float]] = []
        for start, end, level_db in sorted(map(self._stretch_of, covers)):
            if stretches and start - 2 * ramp <= stretches[-1][1]:
                before = stretches.pop()
                start, end = before[0], max(end, before[1])
                level_db = min(level_db, before[2])
            stretches.append((start, end, level_db))
        return stretches

    def _stretch_of(self, cover: Cover) -> tuple[int, int, float]:
        start_s = self.timeline.seconds_at(cover.at)
        length_s = cover.for_ms / 1000.0
        if cover.for_beats:
            length_s = self.timeline.beats_to_seconds(start_s, cover.for_beats)
        start, end = (self.timeline.nearest_sample(s) for s in (start_s, start_s + length_s))
        return start, end, cover.level_db

    def group(self, group: Group) -> BusPlan:
        """One group."""
        rides = group.automation
        return BusPlan(
            group.name,
            self.chain(group, ("groups", group.name)),
            self.fader(group.gain_db, rides.gain_db),
            self.muted(group.mute, rides.mute),
            group.width_percent,
        )

    def mix_bus(self, bus: Bus, mono: bool) -> BusPlan:
        """The mix bus, all of it in its own step; `mono` folds the mix down."""
        own = self.has("bus")
        chain = ChainPlan(tuple(self._stages(bus, lambda _: True))) if own else ChainPlan()
        width = bus.width_percent if own else 100.0
        fader = self.fader(bus.gain_db if own else 0.0, bus.automation.gain_db)
        muted = self.muted(False, bus.automation.mute)
        return BusPlan("mix_bus", chain, fader, muted, 0.0 if mono else width)

    def limiter(self, bus: Bus) -> LimiterSettings | None:
        """The limiter: of the finished mix only, so that every step before it can be judged."""
        finished = self.last == len(STEPS) - 1
        return bus.limiter.settings if bus.limiter is not None and finished else None

    def chain(self, strip: Track | Group, path: tuple[str, ...]) -> ChainPlan:
        """EQ, processors and inserts of a track or group, each in its step."""
        stages = list(self._stages(strip, self.has))
        if self.has("effects") and strip.inserts:
            stages.append(InsertsStage(self.inserts(strip.inserts, path), strip.level_match))
        return ChainPlan(tuple(stages))

    def _stages(
        self, strip: Track | Group | Bus, has: Callable[[StepName], bool]
    ) -> Iterator[Stage]:
        """EQ and processors."""
        if strip.eq and has("eq"):
            yield EqStage(self.eq(strip.eq), strip.level_match)
        for kind, one in processors_of(strip):
            if has(kind.step):
                makeup: Makeup = "matched" if one.makeup_db is None else one.makeup_db
                yield ProcessorStage(kind.id, one.settings, one.key, makeup)

    def eq(self, bands: tuple[Band, ...]) -> EqSettings:
        """An EQ with the rides of its bands.

        A band that moves is one of its own kind in every step, at rest before the last.
        """
        rides = []
        for index, band in enumerate(bands):
            freq, gain = band.automation.freq_hz, band.automation.gain_db
            if freq or gain:
                settings = band.settings
                rides.append(
                    BandRide(
                        index,
                        self.curve("octaves", settings.freq_hz, freq) if freq else None,
                        self.curve("plain", settings.gain_db, gain) if gain else None,
                    )
                )
        return EqSettings(tuple(band.settings for band in bands), tuple(rides))

    def inserts(
        self, inserts: tuple[Insert, ...], path: tuple[str, ...]
    ) -> tuple[InsertSettings, ...]:
        """Inserts in order; plug-ins by where this machine has them."""
        drawn = (self._insert(one.settings, (*path, "inserts", i)) for i, one in enumerate(inserts))
        return tuple(drawn)

    def _insert(self, settings: InsertSettings, path: tuple[str | int, ...]) -> InsertSettings:
        if not isinstance(settings, PluginSettings):
            return settings
        place = self.sheet.span_of(*path, "plugin")
        if self.plugins is None:
            message = f"the plug-in {settings.plugin} was not loaded, being third-party code"
            help = "render with --allow-plugins if you trust it"
            self.problems.append(Problem("render/plugins-not-allowed", message, place, help))
        elif settings.plugin not in self.plugins:
            problem = unknown_plugin(settings.plugin, self.plugins, plugin_list_path())
            self.problems.append(dataclasses.replace(problem, span=place))
        else:
            return dataclasses.replace(settings, path=str(self.plugins[settings.plugin]))
        return settings

    def returned(self, part: Return) -> BusPlan:
        """One return: effect, inserts, EQ."""
        stages: list[Stage] = [EffectStage(*self._effect(part))]
        if part.inserts:
            stages.append(InsertsStage(self.inserts(part.inserts, ("returns", part.name))))
        if part.eq:
            stages.append(EqStage(self.eq(part.eq)))
        return BusPlan(
            part.name,
            ChainPlan(tuple(stages)),
            self.fader(part.gain_db, part.automation.gain_db),
            self.muted(part.mute, part.automation.mute),
            part.width_percent,
        )

    def _effect(
        self, part: Return
    ) -> tuple[ReverbSettings | ImpulseSettings | DelaySettings, StemInfo | None]:
        effect = part.effect
        if isinstance(effect, DelaySettings):
            if part.note is not None:
                first, *later = self._times_of(part.note)
                effect = dataclasses.replace(effect, time_ms=first[1], later_times_ms=tuple(later))
            return effect, None
        later_ms: tuple[tuple[float, float], ...] = ()
        if part.pre_delay_note is not None:
            first, *later = self._times_of(part.pre_delay_note)
            effect, later_ms = dataclasses.replace(effect, pre_delay_ms=first[1]), tuple(later)
        if isinstance(effect, ReverbSettings):
            return dataclasses.replace(effect, later_pre_delays_ms=later_ms), None
        return self._recorded(part.name, effect, later_ms)

    def _recorded(
        self, name: str, room: RecordedRoom, later_ms: tuple[tuple[float, float], ...]
    ) -> tuple[ImpulseSettings, StemInfo]:
        span = self.sheet.span_of("returns", name, "impulse")
        try:
            info = self.probe(self.sheet.folder / room.impulse)
            bounds = bounds_of(ImpulseSettings)["seconds"]
            if not bounds.low <= info.seconds <= bounds.high:
                lasts = f"{info.path.name} lasts {info.seconds:.3f} s"
                raise ValueError(f"{lasts}, expected {bounds.low:g} to {bounds.high:g} s")
            cuts = (room.pre_delay_ms, room.high_pass_hz, room.low_pass_hz)
            return ImpulseSettings(info.frames / info.rate_hz, *cuts, later_ms), info
        except ProblemError as error:
            placed = [dataclasses.replace(p, span=span) for p in error.problems]
            raise ProblemError(placed) from error
        except ValueError as error:
            raise ProblemError([Problem("audio/bad-impulse", str(error), span)]) from error

    def _times_of(self, note: str) -> list[tuple[float, float]]:
        """A note value in ms from each tempo change on (in seconds)."""
        return [
            (self.timeline.seconds_at_bar(t.bar), 60000.0 / t.bpm * note_to_beats(note))
            for t in self.timeline.tempo
        ]

    def fader(self, gain_db: float, points: Points) -> Curve:
        """A fader with rides: the points add to it."""
        shifted = tuple(dataclasses.replace(p, value=p.value + gain_db) for p in points)
        return self.curve("dB", gain_db, shifted)

    def muted(self, mute: bool, points: Points) -> Curve:
        """0 dB or silence; a track is back in full at the place where it is unmuted."""
        as_db = tuple(dataclasses.replace(p, value=_mute_db(p.value)) for p in points)
        curve = self.curve("dB", _mute_db(float(mute)), as_db)
        moves: list[CurveMove] = []
        for move in curve.moves:
            earliest = moves[-1].start if moves else 0
            early = move.start if move.value == SILENCE_DB else move.start - move.length
            moves.append(dataclasses.replace(move, start=max(earliest, early)))
        return dataclasses.replace(curve, moves=tuple(moves))

    def curve(self, unit: Unit, initial: float, points: Points | None) -> Curve:
        """A value over the song; without the automation step it stays what it is."""
        if not points or not self.has("automation"):
            return Curve(unit, initial)
        moves: list[CurveMove] = []
        for move in map(self._move, reversed(points)):
            # A point that holds until after the next one begins is overtaken by it.
            if not moves or move.start <= moves[0].start:
                moves.insert(0, move)
        if moves[0].start == 0 and not (points[0].over_beats or points[0].over_ms):
            initial = moves.pop(0).value  # it starts there: there is nothing to move from
        return Curve(unit, initial, tuple(moves))

    def _move(self, point: Point) -> CurveMove:
        seconds = self.timeline.seconds_at(point.at)
        over_s = point.over_ms / 1000.0
        if point.over_beats:
            over_s = self.timeline.beats_to_seconds(seconds, point.over_beats)
        if point.shape == "hold":  # stays, and steps at the end of its time
            seconds, over_s = seconds + over_s, 0.0
        length = max(1, round(max(over_s, DECLICK_MS / 1000.0) * self.timeline.rate_hz))
        shape: Literal["line", "smooth"] = "smooth" if point.shape == "smooth" else "line"
        return CurveMove(self.timeline.nearest_sample(seconds), length, point.value, shape)


def stem_end(track: Track, stem: StemInfo, rate_hz: int) -> int:
    """Return the song sample after a stem's last."""
    return _offset(track, rate_hz) + math.ceil(stem.frames * rate_hz / stem.rate_hz)


def _offset(track: Track, rate_hz: int) -> int:
    return round(ms_to_samples(track.offset_ms, rate_hz))


def _mute_db(muted: float) -> float:
    return SILENCE_DB if muted else 0.0
