"""The only loop: the whole graph advances together, a block at a time.

While the buses finish one block, the tracks already work on the next; tracks of a block are spread
over a pool, and every sum is taken in sheet order, so the bits do not depend on the number of
threads. What lags (a reverb, a look-ahead on a group) is made up for by holding everything else
back, and the first samples of the result are dropped again by as much.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.align import RunningAlign
from mixwright.rendering.apart import NOTHING_APART, Apart, ApartStrip
from mixwright.rendering.chain import Keys, Matches, Span
from mixwright.rendering.ears import Listener
from mixwright.rendering.plan import Plan
from mixwright.rendering.reductions import Reduction
from mixwright.rendering.returns import ReturnStrip
from mixwright.rendering.strip import BusStrip, TrackStrip, kept_part
from mixwright.units import Block

FRAMES = 65536
PART = FRAMES // 4  # small enough for sums and tracks to stay in the cache while adding
DIRECT = ""  # the sum of tracks that belong to no group
Progress = Callable[[float], None]
# Who listens, by point and name: at a track's "source" (polarity and trim done), "equalised",
# "treated" (after its chain) and "track" (as placed); at a group's "group in" and "group"; at a
# "return"; at the bus "dry" and "wet" (all returns); see Apart for "apart", "rest" and others.
Ears = Mapping[tuple[str, str], Listener]
NO_EARS: Ears = {}
Result = TypeVar("Result")


@dataclass(frozen=True)
class BlockSums:
    """What one block's tracks leave for the buses: sums by name, and what groups listen to."""

    totals: dict[str, Block]
    keys: dict[str, Block]


class Engine:
    """A plan at work. `blocks` yields the mix; the strips hold what was measured on the way.

    `watch` is ``(strip, part)``: measure what that part does to the level. `apart` are tracks that
    ears hear apart from the rest.
    """

    def __init__(
        self,
        plan: Plan,
        matches: Matches,
        pool: ThreadPoolExecutor,
        watch: tuple[str, str] | None = None,
        ears: Ears = NO_EARS,
        apart: Apart = NOTHING_APART,
    ) -> None:
        self.plan, self._pool, self._ears, self._apart = plan, pool, ears, apart
        self._span = Span(plan.start, plan.keep_from, plan.keep_to, plan.end, plan.sections)
        self._under_way: list[Future[Any]] = []
        group_keys = {key for group in plan.groups for key in group.chain.keys}
        self._start_strips(matches, group_keys)
        self._start_buses(matches, watch or ("", ""))
        names = [DIRECT, *(g.name for g in plan.groups), *(r.name for r in plan.returns)]
        names += apart.sums
        self._sums = [
            BlockSums(
                {name: np.zeros((FRAMES, 2)) for name in names},
                {name: self._by_name[name].new_front() for name in group_keys},
            )
            for _ in range(2)
        ]

    def _start_strips(self, matches: Matches, group_keys: set[str]) -> None:
        """Open every track; those that listen to one another read equally far ahead."""
        plan, listening = self.plan, {track.name: track.chain.keys for track in self.plan.tracks}
        heard = group_keys | {key for keys in listening.values() for key in keys}
        self.tracks = [
            TrackStrip(t, matches, plan.rate_hz, self._span, FRAMES, t.name in heard)
            for t in plan.tracks
        ]
        for strip in self.tracks:
            strip.listen(self._heard)
        self._by_name = {strip.name: strip for strip in self.tracks}
        self._key_tracks = [strip for strip in self.tracks if strip.name in heard]
        together = [s for s in self.tracks if s.name in heard or listening[s.name]]
        ahead = max([0, *(strip.ahead for strip in together)])
        for strip in together:
            strip.wait_for(ahead)
        # A group is not ahead of the song: what it listens to is held back by as much again.
        self._key_aligns = {
            name: RunningAlign(self._by_name[name].ahead, self._by_name[name].plan.stem.channels)
            for name in group_keys
        }
        for first in range(0, ahead, FRAMES):
            frames, at = min(FRAMES, ahead - first), self.plan.start - ahead + first
            for strip in together:
                strip.treated(at, frames, self._keys_of(strip, at, frames))
            for name, align in self._key_aligns.items():
                align.process(self._by_name[name].front(at, frames).copy())
        for strip in set(self.tracks) - set(together):
            for first in range(0, strip.ahead, FRAMES):
                at = self.plan.start - strip.ahead + first
                strip.treated(at, min(FRAMES, strip.ahead - first))

    def _start_buses(self, matches: Matches, watched: tuple[str, str]) -> None:
        """Start groups, returns and mix bus, and work out who has to wait for whom."""
        plan, rate_hz = self.plan, self.plan.rate_hz

        def watch_of(name: str) -> str | None:
            return watched[1] if watched[0] == name else None

        # A reverb's response takes a while to make: all at once, before the tracks start.
        started = [self._submit(ReturnStrip, part, rate_hz, plan.start) for part in plan.returns]
        self.groups = [
            BusStrip(group, matches, rate_hz, self._span, plan.start, watch_of(group.name))
            for group in plan.groups
        ]
        self.returns = [future.result() for future in started]
        lags = [strip.latency for strip in self.returns]
        lags += [group.chain.latency for group in self.groups]
        lag = max([0, *lags])
        for strip in self.returns:
            strip.align = RunningAlign(lag - strip.latency)
        grouped = max([0, *(group.chain.latency for group in self.groups)])
        self._group_aligns = [RunningAlign(grouped - g.chain.latency) for g in self.groups]
        self._direct_align, self._dry_align = RunningAlign(grouped), RunningAlign(lag - grouped)
        self._apart_strip = ApartStrip(self._apart, grouped, lag - grouped)
        bus_watch = watch_of("mix_bus")
        known = ("mix_bus", "compressor") in matches
        if bus_watch is None and plan.mix_bus.chain.matches_compressor and not known:
            bus_watch = "compressor"
        self._bus_lag = lag
        self.mix_bus = BusStrip(
            plan.mix_bus, matches, rate_hz, self._span, plan.start - lag, bus_watch
        )
        self.latency = lag + self.mix_bus.chain.latency

    def blocks(self, progress: Progress | None = None) -> Iterator[Block]:
        """Yield the mix inside the kept span as blocks (frames, 2), valid until the next one."""
        stop = self.plan.end + self.plan.tail
        if self.plan.keep_to is not None:
            stop = self.plan.keep_to + self.plan.lead_out
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
            self._key_aligns[name].process(kept)
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
        placed = strip.place(at, FRAMES, self._keys_of(strip, at, FRAMES))
        self._heard("track", strip.name, placed, at)
        return placed

    def _heard(self, kind: str, name: str, block: Block, at: int) -> None:
        """Let whoever listens at a point have its block at song sample `at`."""
        ear = self._ears.get((kind, name))
        if ear is not None:
            ear.feed(kept_part(block, at, self._span))

    def _keys_of(self, strip: TrackStrip, at: int, frames: int) -> Keys:
        return {name: self._by_name[name].front(at, frames) for name in strip.plan.chain.keys}

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
            if strip.name in self._apart.tracks:
                totals[self._apart.sum_of(strip.plan.group)] += here
            for (target, _), gain in zip(strip.plan.sends, levels, strict=True):
                if len(gain) > 1:
                    add_scaled(totals[target], here, gain[part], 1)
                elif gain[0] != 0.0:
                    add_scaled(totals[target], here, gain, 0)

    def _finish(self, at: int, sums: BlockSums, wet: list[Future[Block]]) -> Block:
        """Groups, returns and the mix bus of one block; returns the aligned sum after the bus."""
        aside, at_bus = self._apart_strip, at - self._bus_lag
        mix = self._direct_align.process(sums.totals[DIRECT])
        aside.begin(sums.totals)
        for group, align in zip(self.groups, self._group_aligns, strict=True):
            self._hear_group_in(group.name, sums.totals, at)
            block = group.process(sums.totals[group.name], at, sums.keys)
            self._heard("group", group.name, block, at - group.chain.latency)
            block = align.process(block)
            aside.add_group(group.name, block)
            mix += block
        mix = self._dry_align.process(mix)
        self._heard("dry", "", mix, at_bus)
        dry = mix.copy() if ("wet", "") in self._ears else None
        for strip, future in zip(self.returns, wet, strict=True):
            block = future.result()
            self._heard("return", strip.plan.name, block, at_bus)
            mix += block
        if dry is not None:
            self._heard("wet", "", mix - dry, at_bus)
        self._hear_apart(mix, at_bus)
        return self.mix_bus.process(mix, at_bus)

    def _hear_group_in(self, name: str, totals: dict[str, Block], at: int) -> None:
        """Let ears hear a group before its chain: all of it, and what is apart in it."""
        self._heard("group in", name, totals[name], at)
        if name in self._apart.mixed:
            apart = totals[self._apart.sum_of(name)]
            self._heard("apart in", name, apart, at)
            self._heard("others in", name, totals[name] - apart, at)

    def _hear_apart(self, mix: Block, at: int) -> None:
        """Let ears hear what is apart at the mix bus, and everything else."""
        self._heard("bus in", "", mix, at)
        if self._apart.tracks:
            apart, rest = self._apart_strip.end(mix)
            self._heard("apart", "", apart, at)
            self._heard("rest", "", rest, at)

    def _kept(self, block: Block, at: int, stop: int) -> Block:
        first = self.plan.keep_from - self.plan.lead_in
        return kept_part(block, at, Span(self.plan.start, first, stop, stop))

    def reductions(self) -> dict[str, Reduction]:
        """Return what each dynamics processor did, by ``strip.part``, in the signal's order."""
        found: dict[str, Reduction] = {}
        chains = [strip.chain for strip in self.tracks]
        chains += [strip.chain for strip in (*self.groups, self.mix_bus)]
        for chain in chains:
            found |= chain.reductions
        return found

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
