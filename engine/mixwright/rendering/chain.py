"""The chain of one strip at work: stage after stage, a block at a time.

Level changes that were measured are taken back after the part that made them. What a part lags by
(look-ahead, an insert's own latency) adds up to the latency of the chain, which the strip or the
engine makes up for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from mixwright.dsp.align import RunningAlign
from mixwright.dsp.reduction import CountedReduction
from mixwright.meters import LoudnessMeter
from mixwright.rendering.following import ON_ITS_OWN, Following, Heard
from mixwright.rendering.parts import ChainPlan, Stretch
from mixwright.rendering.reductions import MeasuredReduction, Reduction
from mixwright.rendering.stages import RunningStage, Stage
from mixwright.units import Block, db_to_gain

# Measured level changes to take back, in dB, by (strip, part of the chain).
Matches = Mapping[tuple[str, str], float]
Keys = Mapping[str, Block]
NO_KEYS: Keys = {}
EVEN_FRAMES = 65536


@dataclass(frozen=True)
class SampleSpan:
    """Samples of the song: where work starts, what is kept and measured, where the song ends."""

    start: int
    measure_from: int
    measure_to: int | None
    end: int
    sections: tuple[Stretch, ...] = ()

    @property
    def measured_end(self) -> int:
        """Where the measured part of the song ends; what rings on after it does not count."""
        return self.end if self.measure_to is None else self.measure_to


class _EvenMeter:
    """A loudness meter that always gets as much at a time, however its blocks are cut.

    Sums are rounded by how they are cut, and a make-up must not depend on what lags elsewhere.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._meter = LoudnessMeter(rate_hz, channels)
        self._piece, self._filled = np.zeros((0, channels)), 0

    def feed(self, block: Block) -> None:
        """Take a block (frames, channels)."""
        if not len(self._piece):  # most chains are never watched
            self._piece = np.zeros((EVEN_FRAMES, self._piece.shape[1]))
        while len(block):
            part = block[: EVEN_FRAMES - self._filled]
            self._piece[self._filled : self._filled + len(part)] = part
            self._filled += len(part)
            block = block[len(part) :]
            if self._filled == EVEN_FRAMES:
                self._flush()

    def _flush(self) -> None:
        self._meter.feed(self._piece[: self._filled])
        self._filled = 0

    @property
    def integrated_lufs(self) -> float:
        """Gated loudness of all that was fed; to be asked at the end."""
        if self._filled:
            self._flush()
        return self._meter.integrated_lufs


@dataclass
class _Link:
    """A stage at work in its chain, and the gain after it; `log` if it turns down by a level.

    The stages before it lag by `lag` samples: its key is held back by as much.
    """

    stage: Stage
    running: RunningStage
    gain: float
    lag: int
    log: MeasuredReduction | None
    key_align: RunningAlign | None = None


class Chain:
    """A chain at work. `watch` names the part whose change of level is to be measured.

    `path` is its place in the sheet, `start` the song sample of the first frame it will see.
    `heard` is None unless others follow it: what each stage that listens hears is kept there.
    """

    def __init__(
        self,
        path: tuple[str, ...],
        plan: ChainPlan,
        matches: Matches,
        rate_hz: int,
        channels: int,
        span: SampleSpan,
        start: int,
        watch: str | None = None,
        following: Following = ON_ITS_OWN,
    ) -> None:
        self.name, self.plan = path[-1], plan
        self._following, self._watch, self._span = following, watch, span
        self.heard: Heard | None = None
        if following.lead is not None:
            following.lead.heard = following.lead.heard or Heard()
        self.latency = 0  # samples by which `treat` lags; `equalise` never does
        self._links: list[_Link] = []
        for stage in plan.stages:
            running = stage.start(path, rate_hz, channels, start - self.latency)
            self._links.append(self._link(stage, running, matches))
            self.latency += running.latency
        self._fronts = len(plan.stages) - len(plan.after_eq)
        self._before = _EvenMeter(rate_hz, channels)
        self._after = _EvenMeter(rate_hz, channels)

    def _link(self, stage: Stage, running: RunningStage, matches: Matches) -> _Link:
        set_db = 0.0 if stage.makeup == "matched" else stage.makeup
        gain = match_gain(matches.get((self.name, stage.kind), set_db))
        span, log = self._span, None
        if isinstance(running, CountedReduction):
            log = MeasuredReduction(running, span.sections, span.measure_from, span.measured_end)
        return _Link(stage, running, gain, self.latency, log)

    def equalise(self, block: Block, at: int) -> Block:
        """EQ and its level match, in place, on the block at song sample `at`."""
        for link in self._links[: self._fronts]:
            self._run(link, block, at)
        return block

    def treat(self, block: Block, at: int, keys: Keys = NO_KEYS) -> Block:
        """Everything after the EQ, in place, on the block at song sample `at`.

        `keys` holds the blocks of the tracks that this chain listens to, at the same place.
        """
        for link in self._links[self._fronts :]:
            self._run(link, block, at, keys.get(link.stage.key or ""))
        return block

    def _run(self, link: _Link, block: Block, at: int, key: Block | None = None) -> None:
        """One stage and the gain after it."""
        is_watched = link.stage.kind == self._watch
        if is_watched:
            self._before.feed(self._within(block, at))
        if link.stage.listens:
            key = self._heard_by(link, block, key)
            if link.log is None:
                link.running.process(block, key)
            else:
                link.log.process(block, at, key)
        elif link.stage.is_added and self._following.additions is not None:
            additions, first = self._following.additions, self._following.is_first
            additions.add(block, first, link.running.process)
        else:
            link.running.process(block)
        if is_watched:
            self._after.feed(self._within(block, at))
        scaled(block, link.gain)

    def _heard_by(self, link: _Link, block: Block, key: Block | None) -> Block | None:
        """What a stage goes by: its key, what its lead hears, or None for itself."""
        lead, kind = self._following.lead, link.stage.kind
        if lead is not None and lead.heard is not None:
            return lead.heard.of(kind)
        if key is not None and link.lag:
            link.key_align = link.key_align or RunningAlign(link.lag, key.shape[1])
            key = link.key_align.process(key.copy())
        if self.heard is not None:
            self.heard.keep(kind, block if key is None else key)
        return key

    def _within(self, block: Block, at: int) -> Block:
        """What of a block lies in the song: its level must not depend on what lags elsewhere."""
        return block[max(0, self._span.start - at) : max(0, self._span.end - at)]

    @property
    def watched_match_db(self) -> float:
        """The gain in dB that takes the watched change of level back, as :func:`match_db`."""
        return match_db(self._before.integrated_lufs, self._after.integrated_lufs)

    @property
    def reductions(self) -> dict[str, Reduction]:
        """What each dynamics processor did so far, by ``strip.part``."""
        logs = ((link.stage.kind, link.log) for link in self._links)
        return {f"{self.name}.{kind}": log.reduction for kind, log in logs if log is not None}


def scaled(block: Block, gain: float) -> Block:
    """Multiply in place; 1.0 leaves every bit alone."""
    if gain != 1.0:
        block *= gain
    return block


def match_db(before_lufs: float, after_lufs: float) -> float:
    """Return the gain in dB from the level after to the level before.

    0 where there was no sound to begin with; NaN where too little is left of it to be measured.
    """
    if not math.isfinite(before_lufs):
        return 0.0
    return before_lufs - after_lufs if math.isfinite(after_lufs) else math.nan


def match_gain(level_db: float) -> float:
    """Return a match as an amplitude; one that could not be measured changes nothing."""
    return 1.0 if math.isnan(level_db) else db_to_gain(level_db)
