"""One mix out of placed tracks: its groups, returns and mix bus, a block at a time.

Mixes made side by side share a group or return that is the same in both: same settings, same tracks
at the same levels. A mix may follow another, see :mod:`mixwright.rendering.following`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from mixwright.dsp.align import RunningAlign
from mixwright.rendering.apart import NOTHING_APART, Apart, ApartStrip
from mixwright.rendering.chain import Keys, SampleSpan
from mixwright.rendering.ears import NO_EARS, Ears
from mixwright.rendering.following import ON_ITS_OWN, Additions, Following
from mixwright.rendering.identity import Identity, Sounds
from mixwright.rendering.parts import BusPlan, ChainPlan
from mixwright.rendering.plan import Plan
from mixwright.rendering.strip import BusStrip, kept_part
from mixwright.rendering.sums import FRAMES, Feed, Submit, Sums
from mixwright.units import Block

# What a chain listens to: names of tracks, and each as far as its EQ.
Listened = tuple[tuple[str, Identity], ...]


@dataclass(frozen=True)
class MatchedMix:
    """A mix to be made; `sounds` is what each sound in it depends on.

    `follows` is the index of the mix whose dynamics it goes by.
    `parts_before` are the indices of the parts before it in a set of parts that add up, None where
    there is no such set.
    """

    plan: Plan
    matches: dict[tuple[str, str], float]
    sounds: Sounds
    follows: int | None = None
    parts_before: tuple[int, ...] | None = None

    def keys_of(self, chain: ChainPlan) -> Listened:
        """Return what a chain listens to, by name."""
        return tuple((name, self.sounds.fronts[name]) for name in chain.keys)


class Node:
    """A group or return, for one mix or several; `sum_index` says what goes in.

    `done` is the block at hand, once it has been submitted.
    """

    strip: Any
    done: Future[Block]

    def __init__(
        self,
        plan: BusPlan,
        sum_index: int,
        sound: Identity,
        waits_for: list[Node],
        keys: Listened = (),
    ) -> None:
        self.plan, self.sum_index, self.sound = plan, sum_index, sound
        self._waits_for, self.keys = waits_for, keys
        self._own: Block | None = None

    def share_sum(self) -> None:
        """Work on a copy of the sum: another node needs it too."""
        self._own = np.zeros((FRAMES, 2))

    def process(self, totals: Sequence[Block], at: int, keys: Keys) -> Block:
        """Work on one block; what it waits for has been submitted before it."""
        for node in self._waits_for:
            node.done.result()
        block = totals[self.sum_index]
        if self._own is not None:
            self._own[:] = block
            block = self._own
        done: Block = self.strip.process(block, at, keys)
        return done


@dataclass
class Nodes:
    """All sums, groups and returns of all mixes; what is the same in several is there once."""

    sums: Sums = field(default_factory=Sums)
    groups: dict[object, Node] = field(default_factory=dict)
    returns: dict[object, Node] = field(default_factory=dict)

    def settle(self) -> None:
        """Let nodes that work on one sum not get in one another's way; once all are known."""
        every = [*self.groups.values(), *self.returns.values()]
        users = Counter(node.sum_index for node in every)
        for node in every:
            if users[node.sum_index] > 1:
                node.share_sum()


class Mixing:
    """A mix at work. `tracks` are the indices of its tracks' strips, in the order of its plan.

    `others` are the mixes before it. `watched` is the group or mix bus, and its part, whose change
    of level is to be measured. `ears` hear what happens, and what is `apart` by itself.
    """

    def __init__(
        self,
        mix: MatchedMix,
        tracks: Sequence[int],
        nodes: Nodes,
        others: Sequence[Mixing],
        span: SampleSpan,
        submit: Submit,
        watched: tuple[str, str] = ("", ""),
        ears: Ears = NO_EARS,
        apart: Apart = NOTHING_APART,
    ) -> None:
        self.mix, self.plan, self.tracks, self._span = mix, mix.plan, tracks, span
        self._watched, self._ears = watched, ears
        self._lead = None if mix.follows is None else others[mix.follows]
        self._before = [others[index] for index in mix.parts_before or ()]
        self._apart = apart
        self._apart_sums = {group: self._apart_sum(group, nodes.sums) for group in apart.summed}
        self.direct = nodes.sums.index_of(self._feeds_of_group(None))
        self.returns = [self._return_node(part, nodes, submit) for part in self.plan.returns]
        self.groups = [self._group_node(part, nodes) for part in self.plan.groups]
        for node in self.returns:  # a reverb's response takes a while to make: all at once
            if isinstance(node.strip, Future):
                node.strip = node.strip.result()
        self._outs = [np.zeros((FRAMES, 2)) for _ in range(2)]
        self.done: Future[Block]

    def _feeds_of_group(self, name: str | None) -> list[Feed]:
        pairs = zip(self.tracks, self.plan.tracks, strict=True)
        return [Feed(index) for index, track in pairs if track.group == name]

    def _feeds_of_return(self, name: str) -> list[Feed]:
        faders = {group.name: (group.fader, group.mute) for group in self.plan.groups}
        return [
            Feed(index, level, faders.get(track.group or ""))
            for index, track in zip(self.tracks, self.plan.tracks, strict=True)
            for target, level in track.sends
            if target == name
        ]

    def _apart_sum(self, group: str | None, sums: Sums) -> int:
        """The sum of those of a group that are heard apart."""
        pairs = zip(self.tracks, self.plan.tracks, strict=True)
        own = [i for i, t in pairs if t.group == group and t.name in self._apart.tracks]
        return sums.index_of([Feed(index) for index in own])

    def _return_node(self, part: BusPlan, nodes: Nodes, submit: Submit) -> Node:
        index = nodes.sums.index_of(self._feeds_of_return(part.name))
        return self._node(part, index, nodes.returns, submit)

    def _group_node(self, part: BusPlan, nodes: Nodes) -> Node:
        index = nodes.sums.index_of(self._feeds_of_group(part.name))
        return self._node(part, index, nodes.groups, _at_once)

    def _node(
        self, part: BusPlan, index: int, known: dict[object, Node], submit: Callable[..., Any]
    ) -> Node:
        """The node of a group or return, shared with other mixes where it is the same."""
        kind = part.path[0]
        lead = _named(part.name, getattr(self._lead, kind) if self._lead else [])
        sound = getattr(self.mix.sounds, kind)[part.name]
        if lead is not None and lead.sound == sound:
            return lead
        lead = lead if part.chain.listens else None
        following, before = self._following(part.name, part.chain.is_added, kind)
        # Two names are two nodes, whatever they sound like: each is heard and told of by name.
        key = (part.name, sound, following.additions)
        if key not in known:
            waits_for = [node for node in (lead, before) if node is not None]
            keys = self.mix.keys_of(part.chain)
            node = known[key] = Node(part, index, sound, waits_for, keys)
            chain = None if lead is None else lead.strip.chain
            following = Following(chain, following.additions, following.is_first)
            node.strip = submit(self._bus_strip, part, self.plan.start, following)
        return known[key]

    def _following(self, name: str, has_inserts: bool, kind: str) -> tuple[Following, Node | None]:
        """Which part of a set it is, and the node of the part before it that has inserts, too."""
        if not has_inserts or self.mix.parts_before is None:
            return ON_ITS_OWN, None
        earlier = [_named(name, getattr(other, kind)) for other in self._before]
        before = next((node for node in reversed(earlier) if node is not None), None)
        additions = Additions() if before is None else before.strip.following.additions
        return Following(None, additions, before is None), before

    def _bus_strip(self, part: BusPlan, start: int, following: Following) -> BusStrip:
        watch = self._watched[1] if self._watched[0] == part.name else None
        rate_hz, matches = self.plan.rate_hz, self.mix.matches
        span = self._span
        if part is self.plan.mix_bus:  # nobody shares it: it is told by the sections of its own mix
            span = replace(span, sections=self.plan.sections)
        return BusStrip(part, matches, rate_hz, span, start, watch, following)

    @property
    def lags(self) -> tuple[int, int]:
        """By how much the latest of its groups lags, and the latest of groups and returns."""
        grouped = max([0, *(node.strip.chain.latency for node in self.groups)])
        return grouped, max([grouped, *(node.strip.chain.latency for node in self.returns)])

    def start_bus(self, grouped: int, lag: int) -> None:
        """Start the mix bus. `grouped` and `lag` are the lags that everything is held back to.

        They are those of the latest of all mixes: one that follows another is in step with it.
        """
        plan = self.plan
        self._group_aligns = [
            RunningAlign(grouped - node.strip.chain.latency) for node in self.groups
        ]
        self._return_aligns = [
            RunningAlign(lag - node.strip.chain.latency) for node in self.returns
        ]
        self._direct_align, self._dry_align = RunningAlign(grouped), RunningAlign(lag - grouped)
        self._apart_strip = ApartStrip(self._apart, grouped, lag - grouped)
        known = ("mix_bus", "compressor") in self.mix.matches or self._lead is not None
        if self._watched[0] != "mix_bus" and plan.mix_bus.chain.matches("compressor") and not known:
            self._watched = ("mix_bus", "compressor")
        self._bus_lag = lag
        chain = None if self._lead is None else self._lead.mix_bus.chain
        self.mix_bus: BusStrip = self._bus_strip(plan.mix_bus, plan.start - lag, Following(chain))
        self.latency = lag + self.mix_bus.chain.latency

    def hear(self, point: str, name: str, block: Block, at: int) -> None:
        """Let whoever listens at a point have its block at song sample `at`."""
        ear = self._ears.get((point, name))
        if ear is not None:
            ear.feed(kept_part(block, at, self._span))

    def hear_group_in(self, name: str, totals: Sequence[Block], at: int) -> None:
        """Let ears hear a group before its chain: all of it, and what is apart in it."""
        whole = totals[next(node.sum_index for node in self.groups if node.plan.name == name)]
        self.hear("group in", name, whole, at)
        if name in self._apart.mixed:
            apart = totals[self._apart_sums[name]]
            self.hear("apart in", name, apart, at)
            self.hear("others in", name, whole - apart, at)

    def finish(self, at: int, totals: Sequence[Block], turn: int) -> Block:
        """Groups, returns and mix bus of one block; returns the aligned sum after the bus.

        Groups and returns have been submitted. `turn` is 0 or 1, in turn: what was returned stays
        for one block more.
        """
        aside, at_bus = self._apart_strip, at - self._bus_lag
        mix = self._outs[turn]
        mix[:] = totals[self.direct]
        mix = self._direct_align.process(mix)
        if self._apart.tracks:
            aside.begin(totals[self._apart_sums[None]])
        for node, align in zip(self.groups, self._group_aligns, strict=True):
            block = node.done.result()
            self.hear("group", node.plan.name, block, at - node.strip.chain.latency)
            block = _aligned(block, align)
            aside.add_group(node.plan.name, block)
            mix += block
        mix = self._dry_align.process(mix)
        self.hear("dry", "", mix, at_bus)
        dry = mix.copy() if ("wet", "") in self._ears else None
        for node, align in zip(self.returns, self._return_aligns, strict=True):
            block = _aligned(node.done.result(), align)
            self.hear("return", node.plan.name, block, at_bus)
            mix += block
        if dry is not None:
            self.hear("wet", "", mix - dry, at_bus)
        self._hear_bus(mix, at_bus)
        if self._lead is not None:
            self._lead.done.result()
        return self.mix_bus.process(mix, at_bus)

    def _hear_bus(self, mix: Block, at: int) -> None:
        """Let ears hear the mix before its bus: all of it, what is apart, and everything else."""
        self.hear("bus in", "", mix, at)
        if self._apart.tracks:
            apart, rest = self._apart_strip.end(mix)
            self.hear("apart", "", apart, at)
            self.hear("rest", "", rest, at)


def _named(name: str, nodes: Sequence[Node]) -> Node | None:
    return next((node for node in nodes if node.plan.name == name), None)


def _at_once(work: Callable[..., Any], *arguments: Any) -> Any:
    """Do something here and now, as the pool would."""
    return work(*arguments)


def _aligned(block: Block, align: RunningAlign) -> Block:
    """Hold a block back, not touching it: other mixes may need it too."""
    return align.process(block.copy()) if align.latency else block
