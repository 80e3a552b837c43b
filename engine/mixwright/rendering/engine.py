"""The only loop: the whole graph advances together, a block at a time.

One mix is made, or several side by side, which share every track, sum, group and return that is the
same in both. While the buses finish one block, the tracks already work on the next; tracks of a
block are spread over a pool, and every sum is taken in sheet order, so the bits do not depend on
the number of threads, nor on what else is made alongside. What lags (a reverb, a look-ahead on a
group) is made up for by holding everything else back, and the first samples of the result are
dropped again by as much.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from typing import Any, TypeVar

from mixwright.dsp.align import RunningAlign
from mixwright.rendering.apart import NOTHING_APART, Apart
from mixwright.rendering.chain import NO_KEYS, Keys, Span
from mixwright.rendering.ears import NO_EARS, Ears
from mixwright.rendering.mixing import Mix, Mixing, Node, Nodes
from mixwright.rendering.parts import TrackPlan
from mixwright.rendering.reductions import Reduction
from mixwright.rendering.strip import TrackStrip, kept_part
from mixwright.rendering.sums import FRAMES
from mixwright.units import Block

Progress = Callable[[float], None]
Result = TypeVar("Result")


class Engine:
    """Mixes at work: `blocks` yields them; the strips hold what was measured on the way.

    All are of one song: same rate, span and end; a track by a name differs between them in what
    comes after its chain alone. `watch` is ``(strip, part)`` of the first mix: measure what that
    part does to the level. `ears` hear the first mix, and in it what is `apart` by itself.
    """

    def __init__(
        self,
        mixes: Sequence[Mix],
        pool: ThreadPoolExecutor,
        watch: tuple[str, str] | None = None,
        ears: Ears = NO_EARS,
        apart: Apart = NOTHING_APART,
    ) -> None:
        plan = mixes[0].plan
        self.plan, self._pool, self._mixes = plan, pool, mixes
        self._span = Span(plan.start, plan.keep_from, plan.keep_to, plan.end, plan.sections)
        self._under_way: list[Future[Any]] = []
        self._group_keys = {k for mix in mixes for g in mix.plan.groups for k in g.chain.keys}
        self.mixings: list[Mixing] = []
        self._start_tracks(ears)
        self._start_mixings(watch or ("", ""), ears, apart)

    def _start_tracks(self, ears: Ears) -> None:
        """Open every track once; those that listen to one another read equally far ahead."""
        plan, start = self.plan, self.plan.start
        first_of: dict[TrackPlan, Mix] = {}
        for mix in self._mixes:
            for track in mix.plan.tracks:
                first_of.setdefault(track, mix)
        self._indices = {track: index for index, track in enumerate(first_of)}
        heard = self._group_keys | {key for track in first_of for key in track.chain.keys}
        self.tracks = [
            TrackStrip(t, mix.matches, plan.rate_hz, self._span, FRAMES, t.name in heard)
            for t, mix in first_of.items()
        ]
        self._ears = ears
        for strip in self.tracks:
            strip.listen(self._heard)
        # Where a track is there twice, what others hear of it is the same in both.
        self._by_name = {strip.name: strip for strip in reversed(self.tracks)}
        self._key_tracks = [
            s for s in self.tracks if self._by_name[s.name] is s and s.name in heard
        ]
        together = [s for s in self.tracks if s.name in heard or s.plan.chain.keys]
        ahead = max([0, *(strip.ahead for strip in together)])
        for strip in together:
            strip.wait_for(ahead)
        # A group is not ahead of the song: what it listens to is held back by as much again.
        self._key_aligns = {
            name: RunningAlign(self._by_name[name].ahead, self._by_name[name].plan.stem.channels)
            for name in self._group_keys
        }
        for first in range(0, ahead, FRAMES):
            frames, at = min(FRAMES, ahead - first), start - ahead + first
            for strip in together:
                strip.treated(at, frames, self._keys_of(strip, at, frames))
            for name, align in self._key_aligns.items():
                align.process(self._by_name[name].front(at, frames).copy())
        for strip in self.tracks:
            for first in range(0, 0 if strip in together else strip.ahead, FRAMES):
                at = start - strip.ahead + first
                strip.treated(at, min(FRAMES, strip.ahead - first))

    def _start_mixings(self, watched: tuple[str, str], ears: Ears, apart: Apart) -> None:
        """Start groups, returns and mix bus of every mix, and make room for the sums."""
        nodes = Nodes()
        for mix in self._mixes:
            tracks = [self._indices[track] for track in mix.plan.tracks]
            listening = {} if self.mixings else {"watched": watched, "ears": ears, "apart": apart}
            self.mixings.append(
                Mixing(mix, tracks, nodes, self.mixings, self._span, self._submit, **listening)  # type: ignore[arg-type]
            )
        nodes.settle()
        grouped, lag = (max(lags) for lags in zip(*(m.lags for m in self.mixings), strict=True))
        for mixing in self.mixings:
            mixing.start_bus(grouped, lag)
        self._returns, self._groups = list(nodes.returns.values()), list(nodes.groups.values())
        self._sums, self._totals = nodes.sums, [nodes.sums.new_blocks() for _ in range(2)]
        self._keys = [
            {name: self._by_name[name].new_front() for name in self._group_keys} for _ in range(2)
        ]
        self.latency = max(mixing.latency for mixing in self.mixings)

    def blocks(self, progress: Progress | None = None) -> Iterator[tuple[Block, ...]]:
        """Yield of each mix what is inside the kept span, as blocks (frames, 2).

        Those of one mix follow one another without gaps; those of several may differ in length.
        They are valid until the next ones.
        """
        stop = self.plan.end + self.plan.tail
        if self.plan.keep_to is not None:
            stop = self.plan.keep_to + self.plan.lead_out
        starts = range(self.plan.start, stop + self.latency, FRAMES)
        placed = self._start_block(starts[0], 0)
        pending: list[Future[Block]] = []
        for count, at in enumerate(starts):
            turn = count % 2
            totals = self._totals[turn]
            _wait(self._sums.add_up(at, _wait(placed), totals, self._submit))
            before = _wait(pending)
            pending = self._finish(at, turn)
            self._under_way = [future for future in self._under_way if not future.done()]
            if count + 1 < len(starts):
                placed = self._start_block(starts[count + 1], 1 - turn)
            if count:  # handed out while the pool is busy with what comes after
                yield self._kept(before, starts[count - 1], stop)
            if progress is not None:
                progress((count + 1) / len(starts))
        yield self._kept(_wait(pending), starts[-1], stop)

    def _submit(self, work: Callable[..., Result], *arguments: Any) -> Future[Result]:
        """Give the pool something to do, and remember it until it is done."""
        future = self._pool.submit(work, *arguments)
        self._under_way.append(future)
        return future

    def _start_block(self, at: int, turn: int) -> list[Future[Block]]:
        """Set all tracks to work on one block; those that others listen to go first."""
        _wait([self._submit(strip.front, at, FRAMES) for strip in self._key_tracks])
        for name, kept in self._keys[turn].items():
            kept[:] = self._by_name[name].front(at, FRAMES)
            self._key_aligns[name].process(kept)
        return [self._submit(self._place, strip, at) for strip in self.tracks]

    def _place(self, strip: TrackStrip, at: int) -> Block:
        placed = strip.place(at, FRAMES, self._keys_of(strip, at, FRAMES))
        self._heard("track", strip.name, placed, at)
        return placed

    def _heard(self, kind: str, name: str, block: Block, at: int) -> None:
        """Let whoever listens at a track have its block at song sample `at`."""
        ear = self._ears.get((kind, name))
        if ear is not None:
            ear.feed(kept_part(block, at, self._span))

    def _keys_of(self, strip: TrackStrip, at: int, frames: int) -> Keys:
        return {name: self._by_name[name].front(at, frames) for name in strip.plan.chain.keys}

    def _finish(self, at: int, turn: int) -> list[Future[Block]]:
        """Set returns, groups and buses to work on one block; whoever waits comes after."""
        totals = self._totals[turn]
        for node in self._returns:
            node.done = self._submit(node.process, totals, at, NO_KEYS)
        for node in self._groups:
            node.done = self._submit(self._group, node, totals, at, turn)
        for mixing in self.mixings:
            mixing.done = self._submit(mixing.finish, at, totals, turn)
        return [mixing.done for mixing in self.mixings]

    def _group(self, node: Node, totals: list[Block], at: int, turn: int) -> Block:
        if node in self.mixings[0].groups:
            self.mixings[0].hear_group_in(node.plan.name, totals, at)
        return node.process(totals, at, self._keys[turn])

    def _kept(self, blocks: list[Block], at: int, stop: int) -> tuple[Block, ...]:
        first = self.plan.keep_from - self.plan.lead_in
        span = Span(self.plan.start, first, stop, stop)
        pairs = zip(blocks, self.mixings, strict=True)
        return tuple(kept_part(block, at - mixing.latency, span) for block, mixing in pairs)

    def reductions(self, index: int = 0) -> dict[str, Reduction]:
        """Return what each dynamics processor of a mix did, by ``strip.part``, in signal order."""
        mixing = self.mixings[index]
        strips = [self.tracks[self._indices[track]] for track in mixing.plan.tracks]
        chains = [strip.chain for strip in strips]
        chains += [node.strip.chain for node in mixing.groups]
        chains.append(mixing.mix_bus.chain)
        found: dict[str, Reduction] = {}
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
