"""One strip at work: stem -> EQ -> compressor -> fader -> pan, a block at a time.

`front` ends after the EQ, which is where another track's compressor may listen; `place` does the
rest. Both work in buffers that the strip owns and reuses.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.audio import StemReader
from mixwright.dsp.compressor import GainReduction, RunningCompressor
from mixwright.dsp.pan import balance_gains, pan_gains, width_matrix
from mixwright.meters import LoudnessMeter
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.parts import BusPlan, ChainPlan, TrackPlan
from mixwright.units import Block, db_to_gain, scratch_block

# Measured level changes to take back, in dB, by (strip, "eq" or "compressor").
Matches = Mapping[tuple[str, str], float]
CUT_FADE_MS = 10.0


@dataclass(frozen=True)
class Span:
    """Samples of the song: where work starts, what is kept and measured, where the song ends."""

    start: int
    measure_from: int
    measure_to: int | None
    end: int

    @property
    def measured_end(self) -> int:
        """Where the measured part of the song ends; what rings on after it does not count."""
        return self.end if self.measure_to is None else self.measure_to


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
        span: Span,
        watch: str | None = None,
    ) -> None:
        self.name, self.plan = name, plan
        self._eq = plan.eq.start(rate_hz, channels)
        self._eq_gain = match_gain(matches.get((name, "eq"), 0.0))
        self._compressor: RunningCompressor | None = None
        if plan.compressor is not None:
            self._compressor = plan.compressor.start(rate_hz, channels)
        makeup = 0.0 if plan.makeup == "matched" else plan.makeup
        self._makeup = match_gain(matches.get((name, "compressor"), makeup))
        self._watch = watch
        self._span = span
        self._read: GainReduction | None = None
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

    def compress(self, block: Block, at: int, key: Block | None = None) -> Block:
        """Compressor and its make-up on the block at song sample `at`, in place."""
        if self._compressor is None:
            return block
        if self._watch == "compressor":
            self._before.feed(block)
        self._compress_by_span(self._compressor, block, at, key)
        if self._watch == "compressor":
            self._after.feed(block)
        return _scaled(block, self._makeup)

    def _compress_by_span(
        self, compressor: RunningCompressor, block: Block, at: int, key: Block | None
    ) -> None:
        """Run it, and read its reduction from the start of the measured span to its end."""
        first, last = self._span.measure_from - at, self._span.measured_end - at
        cuts = sorted({0, len(block), *(cut for cut in (first, last) if 0 < cut < len(block))})
        for begin, end in itertools.pairwise(cuts):
            if begin == first:
                compressor.forget_readings()
            compressor.process(block[begin:end], None if key is None else key[begin:end])
            if end == last:
                self._read = compressor.reduction

    @property
    def watched_match_db(self) -> float:
        """The gain in dB that takes the watched change of level back, as :func:`match_db`."""
        return match_db(self._before.integrated_lufs, self._after.integrated_lufs)

    @property
    def reduction(self) -> GainReduction | None:
        """What the compressor did so far."""
        if self._compressor is None:
            return None
        return self._read or self._compressor.reduction


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
        with at_node("tracks", plan.name, "file"):
            self._reader = StemReader(plan.stem, rate_hz, plan.offset, span.start)
        channels = plan.stem.channels
        self.chain = Chain(plan.name, plan.chain, matches, rate_hz, channels, span, watch)
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
        into = scratch_block(frames, self._channels, "front")
        with at_node("tracks", self.name, "file"):
            block = self._reader.read(into if self._front is None else self._front[:frames])
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
        return self.chain.compress(block.copy() if self._heard_elsewhere else block, at, key)

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
        self, plan: BusPlan, matches: Matches, rate_hz: int, span: Span, watch: str | None = None
    ) -> None:
        self.plan = plan
        self.name = plan.name
        self.chain = Chain(plan.name, plan.chain, matches, rate_hz, 2, span, watch)

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
    """Return the gain in dB from the level after to the level before.

    0 where there was no sound to begin with; NaN where too little is left of it to be measured.
    """
    if not math.isfinite(before_lufs):
        return 0.0
    return before_lufs - after_lufs if math.isfinite(after_lufs) else math.nan


def match_gain(level_db: float) -> float:
    """Return a match as an amplitude; one that could not be measured changes nothing."""
    return 1.0 if math.isnan(level_db) else db_to_gain(level_db)


def kept_part(block: Block, at: int, span: Span) -> Block:
    """Return the part of a block at song sample `at` that lies inside the measured span."""
    stop = len(block) if span.measure_to is None else span.measure_to - at
    return block[max(0, span.measure_from - at) : max(0, stop)]


def check_finite(energy: float, what: str, path: tuple[str, ...]) -> None:
    """Stop at the first NaN or infinity and name the node; `path` is its place in the sheet."""
    if not math.isfinite(energy):
        message = f"{what} became NaN or infinite, expected finite samples"
        raise NodeError([Problem("render/not-finite", message)], path)


@contextmanager
def at_node(*path: str) -> Iterator[None]:
    """Say of every problem inside which part of the sheet it belongs to."""
    try:
        yield
    except ProblemError as error:
        raise NodeError(error.problems, path) from error


class NodeError(ProblemError):
    """A ProblemError that knows the sheet path of the node, for who can turn it into a place."""

    def __init__(self, problems: Iterable[Problem], path: tuple[str, ...]) -> None:
        super().__init__(problems)
        self.path = path
