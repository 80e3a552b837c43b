"""One strip at work: stem -> EQ -> compressor -> fader -> pan, a block at a time.

`front` ends after the EQ, which is where another track's compressor may listen; `place` does the
rest. Both work in buffers that the strip owns and reuses.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.audio import StemReader
from mixwright.dsp.compressor import GainReduction, RunningCompressor
from mixwright.dsp.pan import balance_gains, pan_gains, width_matrix
from mixwright.meters import LoudnessMeter
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.plan import BusPlan, ChainPlan, TrackPlan
from mixwright.units import Block, db_to_gain, scratch_block

# Measured level changes to take back, in dB, by (strip, "eq" or "compressor").
Matches = Mapping[tuple[str, str], float]
CUT_FADE_MS = 10.0


@dataclass(frozen=True)
class Span:
    """Samples of the song to measure (`measure_from` to `measure_to`) and where it is cut off."""

    start: int
    measure_from: int
    measure_to: int | None


class Chain:
    """EQ and compressor of a strip, with the measured level changes taken back.

    `watch` names the part whose change of level is to be measured: "eq" or "compressor".
    """

    def __init__(
        self,
        name: str,
        plan: ChainPlan,
        matches: Matches,
        rate_hz: int,
        channels: int,
        watch: str | None = None,
    ) -> None:
        self.name, self.plan = name, plan
        self._eq = plan.eq.start(rate_hz, channels)
        self._eq_gain = db_to_gain(matches.get((name, "eq"), 0.0))
        self._compressor: RunningCompressor | None = None
        if plan.compressor is not None:
            self._compressor = plan.compressor.start(rate_hz, channels)
        makeup = 0.0 if plan.makeup == "matched" else plan.makeup
        self._makeup = db_to_gain(matches.get((name, "compressor"), makeup))
        self._watch = watch
        self._before = LoudnessMeter(rate_hz, channels)
        self._after = LoudnessMeter(rate_hz, channels)

    def equalise(self, block: Block) -> Block:
        """EQ and its level match, in place."""
        if self._watch == "eq":
            self._before.feed(block)
            self._eq.process(block)
            self._after.feed(block)
        else:
            self._eq.process(block)
        return _scaled(block, self._eq_gain)

    def compress(self, block: Block, key: Block | None = None) -> Block:
        """Compressor and its make-up, in place."""
        if self._compressor is None:
            return block
        if self._watch == "compressor":
            self._before.feed(block)
            self._compressor.process(block, key)
            self._after.feed(block)
        else:
            self._compressor.process(block, key)
        return _scaled(block, self._makeup)

    @property
    def watched_match_db(self) -> float:
        """The gain in dB that takes the watched change of level back; 0 where there is no sound."""
        return match_db(self._before.integrated_lufs, self._after.integrated_lufs)

    @property
    def reduction(self) -> GainReduction | None:
        """What the compressor did so far."""
        return None if self._compressor is None else self._compressor.reduction


class TrackStrip:
    """A track from its file to its place in the mix.

    `heard_elsewhere` keeps the block as the EQ left it, for another track's compressor.
    """

    def __init__(
        self,
        plan: TrackPlan,
        matches: Matches,
        rate_hz: int,
        span: Span,
        frames: int,
        heard_elsewhere: bool = False,
        watch: str | None = None,
    ) -> None:
        self.plan, self.name = plan, plan.name
        self._reader = StemReader(plan.stem, rate_hz, plan.offset, span.start)
        channels = plan.stem.channels
        self.chain = Chain(plan.name, plan.chain, matches, rate_hz, channels, watch)
        self.meter = LoudnessMeter(rate_hz, 2)
        self.peak = 0.0
        self._span, self._heard_elsewhere = span, heard_elsewhere
        self._cut_fade = max(1, round(CUT_FADE_MS * rate_hz / 1000.0))
        self._matrix = width_matrix(plan.width_percent)
        self._channels = channels
        # Only what another track listens to has to outlive the work on this track.
        self._front = np.zeros((frames, channels)) if heard_elsewhere else None
        self._placed = np.zeros((frames, 2))
        self._fronted = -1
        self._still: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None

    def front(self, at: int, frames: int) -> Block:
        """Return the block at song sample `at` after the EQ; worked out once for each block."""
        if self._front is None:
            return self.chain.equalise(self.source(at, frames))
        if self._fronted != at:
            self.chain.equalise(self.source(at, frames))
            self._fronted = at
        return self._front[:frames]

    def source(self, at: int, frames: int) -> Block:
        """Read the block at song sample `at`: the stem with its polarity and trim, nothing else."""
        try:
            into = scratch_block(frames, self._channels, "front")
            block = self._reader.read(into if self._front is None else self._front[:frames])
        except ProblemError as error:
            raise NodeError(error.problems, ("tracks", self.name, "file")) from error
        self._cut(block, at)
        return _scaled(block, self.plan.input_gain)

    def new_front(self) -> Block:
        """Return a buffer of the shape that `front` yields."""
        return np.zeros((len(self._placed), self._channels))

    def compressed(self, at: int, frames: int, key: Block | None) -> Block:
        """Return the block after the compressor."""
        block = self.front(at, frames)
        if self.plan.chain.compressor is None:
            return block
        return self.chain.compress(block.copy() if self._heard_elsewhere else block, key)

    def place(self, at: int, frames: int, key: Block | None) -> Block:
        """Return the block (frames, 2) as it goes to its group and sends."""
        from mixwright.dsp.kernels.place import place

        block = self.compressed(at, frames, key)
        placed = self._placed[:frames]
        left, right = self._gains(at, frames, mono=block.shape[1] == 1)
        peak = place(block, self._matrix, left, right, int(len(left) > 1), placed)
        measured = kept_part(placed, at, self._span)
        self.peak = max(
            self.peak, peak if len(measured) == frames else np.abs(measured).max(initial=0)
        )
        check_finite(self.meter.feed(measured), f"track {self.name}", ("tracks", self.name))
        return placed

    def _cut(self, block: Block, at: int) -> None:
        """Where the song ends before the stem does, fade it out just before."""
        end = self.plan.cut_at
        if end is not None and at + len(block) > end - self._cut_fade:
            left = end - np.arange(at, at + len(block))
            block *= np.clip(left / self._cut_fade, 0.0, 1.0)[:, None]

    def _gains(
        self, at: int, frames: int, mono: bool
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Fader, mute and pan as left and right gains, all of one length: `frames` or 1."""
        if self._still is not None:
            return self._still
        plan = self.plan
        gain = plan.gain.values(at, frames) * plan.mute.values(at, frames)
        pan = plan.pan.values(at, frames)
        left, right = pan_gains(pan) if mono else balance_gains(pan)
        if all(curve.is_constant for curve in (plan.gain, plan.mute, plan.pan)):
            self._still = gain * left, gain * right
        return gain * left, gain * right

    def close(self) -> None:
        """Close the stem."""
        self._reader.close()


class BusStrip:
    """A group or the mix bus: chain, then gain, in place on its sum."""

    def __init__(
        self, plan: BusPlan, matches: Matches, rate_hz: int, watch: str | None = None
    ) -> None:
        self.plan = plan
        self.name = plan.name
        self.chain = Chain(plan.name, plan.chain, matches, rate_hz, 2, watch)

    def fade(self, block: Block, at: int) -> Block:
        """Apply gain and mute, in place."""
        return apply_gain(
            block,
            self.plan.gain.values(at, len(block)) * self.plan.mute.values(at, len(block)),
        )


def apply_gain(block: Block, gain: NDArray[np.float64]) -> Block:
    """Multiply in place by one gain, or by one gain per frame; 1.0 leaves every bit alone."""
    from mixwright.dsp.kernels.place import scale

    if len(gain) > 1 or gain[0] != 1.0:
        scale(block, gain, int(len(gain) > 1))
    return block


def _scaled(block: Block, gain: float) -> Block:
    if gain != 1.0:
        block *= gain
    return block


def match_db(before_lufs: float, after_lufs: float) -> float:
    """Return the gain in dB from the level after to the level before; 0 where there is no sound."""
    level = before_lufs - after_lufs
    return level if math.isfinite(level) else 0.0


def kept_part(block: Block, at: int, span: Span) -> Block:
    """Return the part of a block at song sample `at` that lies inside the measured span."""
    stop = len(block) if span.measure_to is None else span.measure_to - at
    return block[max(0, span.measure_from - at) : max(0, stop)]


def check_finite(energy: float, what: str, path: tuple[str, ...]) -> None:
    """Stop at the first NaN or infinity and name the node; `path` is its place in the sheet."""
    if not math.isfinite(energy):
        message = f"{what} became NaN or infinite, expected finite samples"
        raise NodeError([Problem("render/not-finite", message)], path)


class NodeError(ProblemError):
    """A ProblemError that knows the sheet path of the node, for who can turn it into a place."""

    def __init__(self, problems: Iterable[Problem], path: tuple[str, ...]) -> None:
        super().__init__(problems)
        self.path = path
