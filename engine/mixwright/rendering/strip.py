"""One strip at work: stem -> chain -> fader -> pan, a block at a time.

`front` ends after the EQ, which is where another track's processors may listen; `place`
does the rest. A chain that lags is made up for by reading the stem ahead by as much, so that what
`place` returns belongs to the song sample it was asked for. All buffers are owned and reused.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from mixwright.audio import StemReader
from mixwright.dsp.align import RunningAlign
from mixwright.dsp.pan import balance_gains, pan_gains, width_matrix
from mixwright.meters import LoudnessMeter
from mixwright.rendering.chain import NO_KEYS, Chain, Keys, Matches, SampleSpan, scaled
from mixwright.rendering.following import ON_ITS_OWN, Following
from mixwright.rendering.parts import STILL, BusPlan, TrackPlan
from mixwright.rendering.placed_faults import at_node, check_finite
from mixwright.units import Block, scratch_block

CUT_FADE_MS = 10.0
# Takes a point ("source", "equalised", "treated"), a name, a block and its song sample.
Hearing = Callable[[str, str, Block, int], None]


def _unheard(_point: str, _name: str, _block: Block, _at: int) -> None:
    """Nobody listens."""


class TrackStrip:
    """A track from its file to its place in the mix.

    `heard_elsewhere` keeps the block as the EQ left it, for other tracks that listen to it.
    """

    def __init__(
        self,
        plan: TrackPlan,
        matches: Matches,
        rate_hz: int,
        span: SampleSpan,
        frames: int,
        heard_elsewhere: bool = False,
        watch: str | None = None,
    ) -> None:
        self.plan, self.name = plan, plan.name
        self._channels = plan.stem.channels
        path = ("tracks", plan.name)
        self.chain = Chain(
            path, plan.chain, matches, rate_hz, self._channels, span, span.start, watch
        )
        self.meter = LoudnessMeter(rate_hz, 2)
        self.peak = 0.0
        self._heard_elsewhere = heard_elsewhere
        self._measured = SampleSpan(span.start, span.measure_from, span.measured_end, span.end)
        self._cut_fade = max(1, round(CUT_FADE_MS * rate_hz / 1000.0))
        self._matrix = width_matrix(plan.width_percent)
        # Only what another track listens to has to outlive the work on this track.
        self._front = np.zeros((frames, self._channels)) if heard_elsewhere else None
        self._placed = np.zeros((frames, 2))
        self._fronted: int | None = None
        self._still: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
        self.ahead = self.chain.latency
        self._align = RunningAlign(0)
        self._heard: Hearing = _unheard
        with at_node("tracks", plan.name, "file"):
            self._reader = StemReader(plan.stem, rate_hz, plan.offset, span.start)

    def listen(self, heard: Hearing) -> None:
        """Tell of every block at points along the way; to be called at first."""
        self._heard = heard

    def wait_for(self, ahead: int) -> None:
        """Read further ahead than the chain needs, and hold its output back by the rest.

        Tracks that listen to one another all read equally far ahead. To be called at first.
        """
        self._align = RunningAlign(ahead - self.chain.latency, self._channels)
        self.ahead = ahead

    def front(self, at: int, frames: int) -> Block:
        """Return the block after the EQ, as far ahead of song sample `at` as the chain lags.

        It is worked out once for each block.
        """
        if self._front is None:
            return self._equalised(at, frames)
        if self._fronted != at:
            self._equalised(at, frames)
            self._fronted = at
        return self._front[:frames]

    def _equalised(self, at: int, frames: int) -> Block:
        block = self.source(at, frames)
        self._heard("source", self.name, block, at + self.ahead)
        self.chain.equalise(block, at + self.ahead)
        self._heard("equalised", self.name, block, at + self.ahead)
        return block

    def source(self, at: int, frames: int) -> Block:
        """Read the stem with its polarity and trim, nothing else."""
        into = scratch_block(frames, self._channels, "front")
        with at_node("tracks", self.name, "file"):
            block = self._reader.read(into if self._front is None else self._front[:frames])
        self._cut(block, at + self.ahead)
        return scaled(block, self.plan.input_gain)

    def new_front(self) -> Block:
        """Return a buffer of the shape that `front` yields."""
        return np.zeros((len(self._placed), self._channels))

    def treated(self, at: int, frames: int, keys: Keys = NO_KEYS) -> Block:
        """Return the block after the whole chain."""
        block = self.front(at, frames)
        if not self.plan.chain.after_eq:
            return self._align.process(block.copy() if self._align.latency else block)
        block = block.copy() if self._heard_elsewhere else block
        treated = self._align.process(self.chain.treat(block, at + self.ahead, keys))
        self._heard("treated", self.name, treated, at)
        return treated

    def place(self, at: int, frames: int, keys: Keys = NO_KEYS) -> Block:
        """Return the block (frames, 2) as it goes to its group and sends."""
        from mixwright.dsp.kernels.place import place

        block = self.treated(at, frames, keys)
        placed = self._placed[:frames]
        left, right = self._gains(at, frames, mono=block.shape[1] == 1)
        peak = place(block, self._matrix, left, right, int(len(left) > 1), placed)
        measured = kept_part(placed, at, self._measured)
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
        gain = plan.fader.values(at, frames) * plan.mute.values(at, frames)
        if plan.cover != STILL:
            gain = gain * plan.cover.values(at, frames)
        pan = plan.pan.values(at, frames)
        left, right = pan_gains(pan) if mono else balance_gains(pan)
        if all(curve.is_constant for curve in (plan.fader, plan.mute, plan.cover, plan.pan)):
            self._still = gain * left, gain * right
        return gain * left, gain * right

    def close(self) -> None:
        """Close the stem, and tell nobody any more: who listens holds on to this in turn."""
        self._heard = _unheard
        self._reader.close()


class BusStrip:
    """A group, a return or the mix bus: chain, then width and gain, in place on its sum.

    `start` is the song sample of the first frame it will see, `at` that of the block it is given;
    what it returns is as late as its chain.
    """

    def __init__(
        self,
        plan: BusPlan,
        matches: Matches,
        rate_hz: int,
        span: SampleSpan,
        start: int,
        watch: str | None = None,
        following: Following = ON_ITS_OWN,
    ) -> None:
        self.plan = plan
        self.name = plan.name
        self.following = following
        self.chain = Chain(
            plan.path, plan.chain, matches, rate_hz, 2, span, start, watch, following
        )

    def process(self, block: Block, at: int, keys: Keys = NO_KEYS) -> Block:
        """The whole bus, in place."""
        self.chain.treat(self.chain.equalise(block, at), at, keys)
        set_width(block, self.plan.width_percent)
        at -= self.chain.latency
        gain = self.plan.fader.values(at, len(block))
        return apply_gain(block, gain * self.plan.mute.values(at, len(block)))


def set_width(block: Block, width_percent: float) -> Block:
    """Scale the side signal in place; 100 leaves every bit alone."""
    from mixwright.dsp.kernels.place import widen

    if width_percent != 100.0:
        widen(block, width_matrix(width_percent))
    return block


def apply_gain(block: Block, gain: NDArray[np.float64]) -> Block:
    """Multiply in place by one gain, or by one gain per frame; 1.0 leaves every bit alone."""
    from mixwright.dsp.kernels.place import scale

    if len(gain) > 1 or gain[0] != 1.0:
        scale(block, gain, int(len(gain) > 1))
    return block


def kept_part(block: Block, at: int, span: SampleSpan) -> Block:
    """Return the part of a block at song sample `at` that lies inside the measured span."""
    stop = len(block) if span.measure_to is None else span.measure_to - at
    return block[max(0, span.measure_from - at) : max(0, stop)]
