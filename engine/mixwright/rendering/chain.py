"""The chain of one strip: EQ -> gate -> compressor -> de-esser -> inserts, a block at a time.

Level changes that were measured are taken back after the part that made them. What a part lags by
(look-ahead, an insert's own latency) adds up to the latency of the chain, which the strip or the
engine makes up for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mixwright.dsp.align import RunningAlign
from mixwright.dsp.contract import Running
from mixwright.dsp.inserts import InsertSettings
from mixwright.meters import LoudnessMeter
from mixwright.problem import Problem
from mixwright.rendering.following import ON_ITS_OWN, Following, Heard
from mixwright.rendering.parts import ChainPlan, Stretch
from mixwright.rendering.placed_faults import NodeError, at_node
from mixwright.rendering.reductions import MeasuredReduction, Reducing, Reduction
from mixwright.units import Block, db_to_gain

# Measured level changes to take back, in dB, by (strip, part of the chain).
Matches = Mapping[tuple[str, str], float]
Keys = Mapping[str, Block]
NO_KEYS: Keys = {}
EVEN_FRAMES = 65536


@dataclass(frozen=True)
class Span:
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


class Chain:
    """A chain at work. `watch` names the part whose change of level is to be measured.

    `path` is its place in the sheet, `start` the song sample of the first frame it will see.
    `heard` is None unless others follow it: what each dynamics processor hears is kept there.
    """

    def __init__(
        self,
        path: tuple[str, ...],
        plan: ChainPlan,
        matches: Matches,
        rate_hz: int,
        channels: int,
        span: Span,
        start: int,
        watch: str | None = None,
        following: Following = ON_ITS_OWN,
    ) -> None:
        self.name, self.plan, self._path = path[-1], plan, path
        self._following = following
        self.heard: Heard | None = None
        if following.lead is not None:
            following.lead.heard = following.lead.heard or Heard()
        self._eq = plan.eq.start(rate_hz, channels, start)
        self._gains = {
            part: match_gain(matches.get((self.name, part), 0.0)) for part in ("eq", "inserts")
        }
        makeup = 0.0 if plan.makeup == "matched" else plan.makeup
        self._gains["compressor"] = match_gain(matches.get((self.name, "compressor"), makeup))
        self._dynamics: dict[str, MeasuredReduction] = {}
        for part in ("gate", "compressor", "de_esser"):
            settings = getattr(plan, part)
            if settings is not None:
                running: Reducing = settings.start(rate_hz, channels)
                self._dynamics[part] = MeasuredReduction(
                    running, span.sections, span.measure_from, span.measured_end
                )
        self._inserts = started_inserts(plan.inserts, path, rate_hz, channels)
        self._key_align: RunningAlign | None = None
        self._watch, self._span, self._start = watch, span, start
        self._before = _EvenMeter(rate_hz, channels)
        self._after = _EvenMeter(rate_hz, channels)

    @property
    def latency(self) -> int:
        """Samples by which `treat` lags; `equalise` never does."""
        parts: list[MeasuredReduction | Running] = [*self._dynamics.values(), *self._inserts]
        return sum(part.latency for part in parts)

    def equalise(self, block: Block) -> Block:
        """EQ and its level match, in place."""
        if self._watch == "eq":
            self._before.feed(self._within(block, self._start))
        self._eq.process(block)
        if self._watch == "eq":
            self._after.feed(self._within(block, self._start))
            self._start += len(block)
        return scaled(block, self._gains["eq"])

    def treat(self, block: Block, at: int, keys: Keys = NO_KEYS) -> Block:
        """Everything after the EQ, in place, on the block at song sample `at`.

        `keys` holds the blocks of the tracks that this chain listens to, at the same place.
        """
        if "gate" in self._dynamics:
            self._reduce("gate", block, at, keys.get(self.plan.gate_key or ""))
        if "compressor" in self._dynamics:
            self._compress(block, at, keys.get(self.plan.compressor_key or ""))
        if "de_esser" in self._dynamics:
            self._reduce("de_esser", block, at, None)
        if self._inserts:
            self._insert(block, at)
        return block

    def _reduce(self, part: str, block: Block, at: int, key: Block | None) -> None:
        """Let a dynamics processor work by its key, by itself, or by what its lead hears."""
        lead = self._following.lead
        if lead is not None and lead.heard is not None:
            key = lead.heard.of(part)
        elif self.heard is not None:
            self.heard.keep(part, block if key is None else key)
        self._dynamics[part].process(block, at, key)

    def _compress(self, block: Block, at: int, key: Block | None) -> None:
        if self._watch == "compressor":
            self._before.feed(self._within(block, at))
        self._reduce("compressor", block, at, self._after_the_gate(key))
        if self._watch == "compressor":
            self._after.feed(self._within(block, at))
        scaled(block, self._gains["compressor"])

    def _after_the_gate(self, key: Block | None) -> Block | None:
        """The key as late as the sound is that has come through the gate."""
        gate = self._dynamics.get("gate")
        if key is None or gate is None or gate.latency == 0:
            return key
        if self._key_align is None:
            self._key_align = RunningAlign(gate.latency, key.shape[1])
        return self._key_align.process(key.copy())

    def _within(self, block: Block, at: int) -> Block:
        """What of a block lies in the song: its level must not depend on what lags elsewhere."""
        return block[max(0, self._span.start - at) : max(0, self._span.end - at)]

    def _insert(self, block: Block, at: int) -> None:
        if self._watch == "inserts":
            self._before.feed(self._within(block, at))
        additions = self._following.additions
        if additions is None:
            run_inserts(self._inserts, self._path, block)
        else:
            inserts, path = self._inserts, self._path
            first = self._following.is_first
            additions.add(block, first, lambda whole: run_inserts(inserts, path, whole))
        if self._watch == "inserts":
            self._after.feed(self._within(block, at))
        scaled(block, self._gains["inserts"])

    @property
    def watched_match_db(self) -> float:
        """The gain in dB that takes the watched change of level back, as :func:`match_db`."""
        return match_db(self._before.integrated_lufs, self._after.integrated_lufs)

    @property
    def reductions(self) -> dict[str, Reduction]:
        """What each dynamics processor did so far, by ``strip.part``."""
        return {f"{self.name}.{part}": log.reduction for part, log in self._dynamics.items()}


def started_inserts(
    inserts: Sequence[InsertSettings], path: tuple[str, ...], rate_hz: int, channels: int
) -> list[Running]:
    """Start inserts in order; what is wrong with one is said at its place in the sheet."""
    running: list[Running] = []
    for index, settings in enumerate(inserts):
        place: tuple[str | int, ...] = (*path, "inserts", index)
        try:
            with at_node(*place):
                running.append(settings.start(rate_hz, channels))
        except ValueError as error:
            problem = Problem("render/insert", str(error))
            raise NodeError([problem], place) from error
    return running


def run_inserts(inserts: Sequence[Running], path: tuple[str, ...], block: Block) -> None:
    """Run a block through inserts in order; one that fails is named by its place in the sheet."""
    for index, insert in enumerate(inserts):
        try:
            insert.process(block)
        except (ValueError, RuntimeError) as error:
            problem = Problem("render/insert-failed", str(error))
            raise NodeError([problem], (*path, "inserts", index)) from error


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
