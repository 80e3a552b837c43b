"""The only loop: the whole graph advances together, a block at a time.

While the buses finish one block, the tracks already work on the next; tracks of a block are spread
over a pool, and every sum is taken in sheet order, so the bits do not depend on the number of
threads. Returns that lag are compensated by holding the dry sum back, and the first samples
of the result are dropped again by as much.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.align import RunningAlign
from mixwright.dsp.compressor import GainReduction
from mixwright.dsp.delay import DelaySettings
from mixwright.rendering.parts import ReturnPlan
from mixwright.rendering.plan import Plan
from mixwright.rendering.strip import (
    BusStrip,
    Matches,
    Span,
    TrackStrip,
    apply_gain,
    kept_part,
)
from mixwright.units import Block

FRAMES = 65536
PART = FRAMES // 4  # small enough for sums and tracks to stay in the cache while adding
DIRECT = ""  # the sum of tracks that belong to no group
Progress = Callable[[float], None]
Result = TypeVar("Result")


class ReturnStrip:
    """A shared effect: the sum of its sends in, its wet sound out, aligned with the others."""

    def __init__(self, plan: ReturnPlan, rate_hz: int, start: int) -> None:
        self.plan = plan
        effect = plan.effect
        if isinstance(effect, DelaySettings):
            effect = effect.begun_at(start / rate_hz)
        self._effect = effect.start(rate_hz, 2)
        self._eq = plan.eq.start(rate_hz, 2)
        self.latency = self._effect.latency
        self.align = RunningAlign(0)

    def process(self, block: Block, at: int) -> Block:
        """Work in place on the sends at song sample `at`."""
        self._eq.process(self._effect.process(block))
        sounding = at - self.latency  # what comes out now went in so much earlier
        gain = self.plan.gain.values(sounding, len(block))
        apply_gain(block, gain * self.plan.mute.values(sounding, len(block)))
        return self.align.process(block)


@dataclass(frozen=True)
class BlockSums:
    """What one block's tracks leave for the buses: sums by name, and keys of group compressors."""

    totals: dict[str, Block]
    keys: dict[str, Block]


class Engine:
    """A plan at work. `blocks` yields the mix; the strips hold what was measured on the way.

    `watch` is ``(strip, part)``: measure what that part does to the level.
    """

    def __init__(
        self,
        plan: Plan,
        matches: Matches,
        pool: ThreadPoolExecutor,
        watch: tuple[str, str] | None = None,
    ) -> None:
        self.plan, self._pool = plan, pool
        rate = plan.rate_hz
        self._span = Span(plan.start, plan.keep_from, plan.keep_to, plan.end)
        group_keys = {g.chain.key for g in plan.groups if g.chain.key}
        keys = group_keys | {t.chain.key for t in plan.tracks if t.chain.key}
        watched = watch or ("", "")
        self.tracks = [
            TrackStrip(t, matches, rate, self._span, FRAMES, t.name in keys) for t in plan.tracks
        ]
        self._under_way: list[Future[Any]] = []
        self._by_name = {strip.name: strip for strip in self.tracks}
        self._key_tracks = [strip for strip in self.tracks if strip.name in keys]
        self.groups = [
            BusStrip(g, matches, rate, self._span, watched[1] if g.name == watched[0] else None)
            for g in plan.groups
        ]
        bus_watch = watched[1] if watched[0] == "mix_bus" else None
        known = ("mix_bus", "compressor") in matches
        if bus_watch is None and plan.mix_bus.chain.matches_compressor and not known:
            bus_watch = "compressor"
        self.mix_bus = BusStrip(plan.mix_bus, matches, rate, self._span, bus_watch)
        # A reverb's response takes a while to make: all at once, before the tracks start.
        started = [self._submit(ReturnStrip, part, rate, plan.start) for part in plan.returns]
        self.returns = [future.result() for future in started]
        self.latency = max([0, *(r.latency for r in self.returns)])
        for strip in self.returns:
            strip.align = RunningAlign(self.latency - strip.latency)
        self._dry_align = RunningAlign(self.latency)
        names = [DIRECT, *(g.name for g in plan.groups), *(r.name for r in plan.returns)]
        self._sums = [
            BlockSums(
                {name: np.zeros((FRAMES, 2)) for name in names},
                {name: self._by_name[name].new_front() for name in group_keys},
            )
            for _ in range(2)
        ]

    def blocks(self, progress: Progress | None = None) -> Iterator[Block]:
        """Yield the mix inside the kept span as blocks (frames, 2), valid until the next one."""
        stop = self.plan.keep_to
        if stop is None:
            stop = self.plan.end + self.plan.tail
        starts = range(self.plan.start, stop + self.latency, FRAMES)
        placed = self._start_tracks(starts[0], self._sums[0])
        pending: Future[Block] | None = None
        for count, at in enumerate(starts):
            sums = self._sums[count % 2]
            self._add_all_up(at, _wait(placed), sums)
            before = None if pending is None else pending.result()
            wet = [
                self._submit(strip.process, sums.totals[strip.plan.name], at)
                for strip in self.returns
            ]
            pending = self._submit(self._finish, at, sums, wet)
            self._under_way = [future for future in self._under_way if not future.done()]
            if count + 1 < len(starts):
                placed = self._start_tracks(starts[count + 1], self._sums[(count + 1) % 2])
            if before is not None:  # handed out while the pool is busy with what comes after
                yield self._kept(before, starts[count - 1] - self.latency, stop)
            if progress is not None:
                progress((count + 1) / len(starts))
        assert pending is not None
        yield self._kept(pending.result(), starts[-1] - self.latency, stop)

    def _submit(self, work: Callable[..., Result], *arguments: Any) -> Future[Result]:
        """Give the pool something to do, and remember it until it is done."""
        future = self._pool.submit(work, *arguments)
        self._under_way.append(future)
        return future

    def _start_tracks(self, at: int, sums: BlockSums) -> list[Future[Block]]:
        """Set all tracks to work on one block; those that others listen to go first."""
        _wait([self._submit(strip.front, at, FRAMES) for strip in self._key_tracks])
        for name, kept in sums.keys.items():
            kept[:] = self._by_name[name].front(at, FRAMES)
        return [self._submit(self._place, strip, at) for strip in self.tracks]

    def _add_all_up(self, at: int, placed: list[Block], sums: BlockSums) -> None:
        """Every sum that the tracks of one block go into; parts of the block side by side."""
        faders = {
            group.name: group.plan.gain.values(at, FRAMES) * group.plan.mute.values(at, FRAMES)
            for group in self.groups
        }
        # A group's fader takes its tracks' sends along: what is turned down dry is so wet too.
        gains = [
            [
                level.values(at, FRAMES) * faders.get(strip.plan.group or DIRECT, 1.0)
                for _, level in strip.plan.sends
            ]
            for strip in self.tracks
        ]
        parts = [slice(first, first + PART) for first in range(0, FRAMES, PART)]
        _wait([self._submit(self._add_up, part, placed, gains, sums) for part in parts])

    def _place(self, strip: TrackStrip, at: int) -> Block:
        return strip.place(at, FRAMES, self._key_of(strip.plan.chain.key, at))

    def _key_of(self, name: str | None, at: int) -> Block | None:
        return None if name is None else self._by_name[name].front(at, FRAMES)

    def _add_up(
        self,
        part: slice,
        placed: list[Block],
        gains: list[list[NDArray[np.float64]]],
        sums: BlockSums,
    ) -> None:
        """All sums of one part of the block, in sheet order; a track is read once for all."""
        from mixwright.dsp.kernels.place import add_scaled

        totals = {name: total[part] for name, total in sums.totals.items()}
        for total in totals.values():
            total[:] = 0.0
        for strip, block, levels in zip(self.tracks, placed, gains, strict=True):
            here = block[part]
            own = totals.get(strip.plan.group or DIRECT)
            if own is not None:
                own += here
            for (target, _), gain in zip(strip.plan.sends, levels, strict=True):
                if len(gain) > 1:
                    add_scaled(totals[target], here, gain[part], 1)
                elif gain[0] != 0.0:
                    add_scaled(totals[target], here, gain, 0)

    def _finish(self, at: int, sums: BlockSums, wet: list[Future[Block]]) -> Block:
        """Groups, returns and the mix bus of one block; returns the aligned sum after the bus."""
        mix = sums.totals[DIRECT]
        for group in self.groups:
            block = group.chain.equalise(sums.totals[group.name])
            key = group.plan.chain.key
            group.chain.compress(block, at, None if key is None else sums.keys[key])
            mix += group.fade(block, at)
        mix = self._dry_align.process(mix)
        for future in wet:
            mix += future.result()
        at -= self.latency
        self.mix_bus.chain.compress(self.mix_bus.chain.equalise(mix), at)
        return self.mix_bus.fade(mix, at)

    def _kept(self, block: Block, at: int, stop: int) -> Block:
        return kept_part(block, at, Span(self.plan.start, self.plan.keep_from, stop, stop))

    def reductions(self) -> dict[str, GainReduction]:
        """Return what each compressor did, by strip, in the order of the signal."""
        chains = [strip.chain for strip in self.tracks]
        chains += [strip.chain for strip in (*self.groups, self.mix_bus)]
        return {chain.name: chain.reduction for chain in chains if chain.reduction is not None}

    def close(self) -> None:
        """Let what is under way come to its end, then close every stem."""
        for future in self._under_way:
            future.cancel()
        wait(self._under_way)
        for strip in self.tracks:
            strip.close()


def _wait(futures: list[Future[Result]]) -> list[Result]:
    """Return all results in order; the first failure is raised after all have ended."""
    wait(futures)
    return [future.result() for future in futures]
