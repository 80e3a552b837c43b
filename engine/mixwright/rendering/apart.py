"""Tracks that are heard apart from the rest of the mix, as they reach the mix bus.

The lead voice, say, against everything else. What goes straight to the bus and groups that hold
nothing else are told apart to the sample. A group that holds others too has one chain for all: what
is apart in it is heard before the chain, together with the whole group before and after it, and
whoever listens works out the rest. Returns belong to the rest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixwright.dsp.align import RunningAlign
from mixwright.rendering.plan import SILENT, Plan
from mixwright.units import Block


@dataclass(frozen=True)
class Apart:
    """The tracks, the groups that hold nothing else (`pure`), and those that do (`mixed`).

    Ears: "apart" and "rest" at the bus (mixed groups are in neither), "apart in" and "others in"
    of each mixed group.
    """

    tracks: frozenset[str] = frozenset()
    pure: frozenset[str] = frozenset()
    mixed: frozenset[str] = frozenset()

    @classmethod
    def of(cls, plan: Plan, tracks: frozenset[str]) -> Apart:
        """Return how these tracks lie in a plan; what is muted throughout disturbs nobody."""
        sounding = [t for t in plan.tracks if t.mute != SILENT]
        tracks = frozenset(t.name for t in sounding if t.name in tracks)
        holding = {t.group for t in sounding if t.name in tracks and t.group is not None}
        others = {t.group for t in sounding if t.name not in tracks}
        return cls(tracks, frozenset(holding - others), frozenset(holding & others))

    @property
    def summed(self) -> list[str | None]:
        """The groups whose apart tracks need a sum of their own; None is those in no group."""
        return [None, *sorted(self.mixed)] if self.tracks else []


NOTHING_APART = Apart()


class ApartStrip:
    """What is apart, gathered block by block on its way to the bus."""

    def __init__(self, apart: Apart, grouped: int, returned: int) -> None:
        self._apart = apart
        self._direct_align = RunningAlign(grouped)
        self._dry_aligns = [RunningAlign(returned) for _ in range(2)]
        self._blocks: tuple[Block, Block] | None = None

    def begin(self, direct: Block) -> None:
        """Start a block with what is apart in no group and goes straight to the bus."""
        if self._apart.tracks:
            direct = self._direct_align.process(direct)
            self._blocks = direct, np.zeros_like(direct)

    def add_group(self, name: str, block: Block) -> None:
        """Add a group as it goes to the bus, if anything in it is apart."""
        if self._blocks is not None and name in self._apart.pure | self._apart.mixed:
            self._blocks[0 if name in self._apart.pure else 1][:] += block

    def end(self, mix: Block) -> tuple[Block, Block]:
        """Return what is apart and the rest of `mix`, the sum before the bus."""
        assert self._blocks is not None
        pairs = zip(self._dry_aligns, self._blocks, strict=True)
        apart, mixed = (align.process(block) for align, block in pairs)
        return apart, mix - apart - mixed
