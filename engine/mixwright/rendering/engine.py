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
from mixwright.rendering.chain import NO_KEYS, Keys, SampleSpan
from mixwright.rendering.ears import NO_EARS, Ears
from mixwright.rendering.identity import Identity
from mixwright.rendering.mixing import Listened, MatchedMix, Mixing, Node, Nodes
from mixwright.rendering.plan import Plan
from mixwright.rendering.recording import NodeReadings
from mixwright.rendering.strip import TrackStrip, kept_part
from mixwright.rendering.sums import FRAMES
from mixwright.units import Block

Progress = Callable[[float], None]
Yielded = TypeVar("Yielded")


class Engine:
    """Mixes at work: `blocks` yields them; the strips hold what was measured on the way.

    All are of one song: same rate, start and end. `watch` is ``(strip, part)`` of the first mix:
    measure what that part does to the level. `ears` hear the first mix, and in it what is `apart`
    by itself.
    """

    def __init__(
        self,
        mixes: Sequence[MatchedMix],
        pool: ThreadPoolExecutor,
        watch: tuple[str, str] | None = None,
        ears: Ears = NO_EARS,
        apart: Apart = NOTHING_APART,
    ) -> None:
        plan = mixes[0].plan
        self.plan, self._pool, self._mixes = plan, pool, mixes
        self._span = SampleSpan(plan.start, plan.keep_from, plan.keep_to, plan.end, plan.sections)
        self._under_way: list[Future[Any]] = []
        self.mixings: list[Mixing] = []
        self.tracks: list[TrackStrip] = []
        try:
            self._start_tracks(ears)
            self._start_mixings(watch or ("", ""), ears, apart)
        except BaseException:  # whoever called has nothing to close yet
            self.close()
            raise

    def _start_tracks(self, ears: Ears) -> None:
        """Open every track once; those that listen to one another read equally far ahead."""
        plan, start = self.plan, self.plan.start
        placed = [(track, mix) for mix in self._mixes for track in mix.plan.tracks]
        self._group_keys = {
            front
            for mix in self._mixes
            for group in mix.plan.groups
            for _, front in mix.keys_of(group.chain)
        }
        heard = self._group_keys | {f for t, mix in placed for _, f in mix.keys_of(t.chain)}
        self._indices: dict[tuple[str, Identity], int] = {}
        self._fronts: dict[Identity, TrackStrip] = {}
        self._keys_by_strip: dict[TrackStrip, Listened] = {}
        for track, mix in placed:
            # Two names are two tracks, whatever they sound like: each is listened to by name.
            if (known := (track.name, mix.sounds.tracks[track.name])) in self._indices:
                continue
            front = mix.sounds.fronts[track.name]
            is_heard = front in heard
            strip = TrackStrip(track, mix.matches, plan.rate_hz, self._span, FRAMES, is_heard)
            self._indices[known] = len(self.tracks)
            self.tracks.append(strip)
            self._keys_by_strip[strip] = mix.keys_of(track.chain)
            # Where a track is there twice, what others hear of it may still be the same.
            if is_heard:
                self._fronts.setdefault(front, strip)
        self._ears = ears
        first = self._mixes[0]
        named = first.sounds.tracks
        self._listened = {
            self.tracks[self._indices[t.name, named[t.name]]] for t in first.plan.tracks
        }
        for strip in self._listened:
            strip.listen(self._heard)
        keyed = set(self._fronts.values())
        together = [s for s in self.tracks if s in keyed or self._keys_by_strip[s]]
        ahead = max([0, *(strip.ahead for strip in together)])
        for strip in together:
            strip.wait_for(ahead)
        # A group is not ahead of the song: what it listens to is held back by as much again.
        self._key_aligns = {
            front: RunningAlign(self._fronts[front].ahead, self._fronts[front].plan.stem.channels)
            for front in self._group_keys
        }
        self._read_ahead(together, start, ahead)

    def _read_ahead(self, together: list[TrackStrip], start: int, ahead: int) -> None:
        """Feed every track what lies between where it is read from and the first sample."""
        for first in range(0, ahead, FRAMES):
            frames, at = min(FRAMES, ahead - first), start - ahead + first
            for strip in together:
                strip.treated(at, frames, self._keys_of(strip, at, frames))
            for front, align in self._key_aligns.items():
                align.process(self._fronts[front].front(at, frames).copy())
        for strip in self.tracks:
            for first in range(0, 0 if strip in together else strip.ahead, FRAMES):
                at = start - strip.ahead + first
                strip.treated(at, min(FRAMES, strip.ahead - first))

    def _start_mixings(self, watched: tuple[str, str], ears: Ears, apart: Apart) -> None:
        """Start groups, returns and mix bus of every mix, and make room for the sums."""
        nodes = Nodes()
        for mix in self._mixes:
            named = mix.sounds.tracks
            tracks = [self._indices[t.name, named[t.name]] for t in mix.plan.tracks]
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
            {front: self._fronts[front].new_front() for front in self._group_keys} for _ in range(2)
        ]
        self.latency = max(mixing.latency for mixing in self.mixings)

    def blocks(self, progress: Progress | None = None) -> Iterator[tuple[Block, ...]]:
        """Yield of each mix what is inside the kept span, as blocks (frames, 2).

        Those of one mix follow one another without gaps; those of several may differ in length.
        They are valid until the next ones.
        """
        stop = max(_stop_of(mixing.plan) for mixing in self.mixings)
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
                yield self._kept(before, starts[count - 1])
            if progress is not None:
                progress((count + 1) / len(starts))
        yield self._kept(_wait(pending), starts[-1])

    def _submit(self, work: Callable[..., Yielded], *arguments: Any) -> Future[Yielded]:
        """Give the pool something to do, and remember it until it is done."""
        future = self._pool.submit(work, *arguments)
        self._under_way.append(future)
        return future

    def _start_block(self, at: int, turn: int) -> list[Future[Block]]:
        """Set all tracks to work on one block; those that others listen to go first."""
        _wait([self._submit(strip.front, at, FRAMES) for strip in self._fronts.values()])
        for front, kept in self._keys[turn].items():
            kept[:] = self._fronts[front].front(at, FRAMES)
            self._key_aligns[front].process(kept)
        return [self._submit(self._place, strip, at) for strip in self.tracks]

    def _place(self, strip: TrackStrip, at: int) -> Block:
        placed = strip.place(at, FRAMES, self._keys_of(strip, at, FRAMES))
        if strip in self._listened:
            self._heard("track", strip.name, placed, at)
        return placed

    def _heard(self, kind: str, name: str, block: Block, at: int) -> None:
        """Let whoever listens at a track have its block at song sample `at`."""
        ear = self._ears.get((kind, name))
        if ear is not None:
            ear.feed(kept_part(block, at, self._span))

    def _keys_of(self, strip: TrackStrip, at: int, frames: int) -> Keys:
        keys = self._keys_by_strip[strip]
        return {name: self._fronts[front].front(at, frames) for name, front in keys}

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
        keys = {name: self._keys[turn][front] for name, front in node.keys}
        return node.process(totals, at, keys)

    def _kept(self, blocks: list[Block], at: int) -> tuple[Block, ...]:
        """What of each mix's block, at song sample `at` as it went in, is to be kept."""
        kept = []
        for block, mixing in zip(blocks, self.mixings, strict=True):
            plan, stop = mixing.plan, _stop_of(mixing.plan)
            span = SampleSpan(plan.start, plan.keep_from - plan.lead_in, stop, stop)
            kept.append(kept_part(block, at - mixing.latency, span))
        return tuple(kept)

    def readings(self, index: int = 0) -> dict[str, NodeReadings]:
        """Return what was measured of the tracks, groups and bus of a mix, by name, in order."""
        mixing = self.mixings[index]
        sounds, strips = mixing.mix.sounds, [self.tracks[number] for number in mixing.tracks]
        found = {
            one.name: NodeReadings(
                sounds.tracks[one.name], one.chain.reductions, one.peak, one.meter.hops()
            )
            for one in strips
        }
        for node in mixing.groups:
            found[node.plan.name] = NodeReadings(node.sound, node.strip.chain.reductions)
        found["mix_bus"] = NodeReadings(sounds.bus, mixing.mix_bus.chain.reductions)
        return found

    def close(self) -> None:
        """Let what is under way come to its end, then close every stem."""
        for future in self._under_way:
            future.cancel()
        wait(self._under_way)
        for strip in self.tracks:
            strip.close()


def _stop_of(plan: Plan) -> int:
    """The song sample at which a mix ends."""
    if plan.keep_to is not None:
        return plan.keep_to + plan.lead_out
    return plan.end + plan.tail


def _wait(futures: list[Future[Yielded]]) -> list[Yielded]:
    """Return all results in order; the first failure is raised after all have ended."""
    wait(futures)
    return [future.result() for future in futures]
