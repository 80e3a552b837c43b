"""Gain reduction as a result: over the measured part of the song, and section by section."""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from mixwright.dsp.reduction import GainReduction, Tally
from mixwright.rendering.parts import Stretch
from mixwright.rendering.stages import RunningStage
from mixwright.units import Block

NOTHING = Tally(0, 0, 0.0, 0.0, 0.0)


class Reducing(RunningStage, Protocol):
    """A dynamics processor at work, as this room needs it."""

    @property
    def tally(self) -> Tally:
        """What it did since its readings were last forgotten."""
        ...

    def forget_readings(self) -> None:
        """Count from here on."""
        ...


@dataclass(frozen=True)
class Reduction(GainReduction):
    """What one processor did in the measured part of the song, and in each section of it."""

    by_section: Mapping[str, GainReduction] = field(default_factory=dict)


class MeasuredReduction:
    """A dynamics processor whose readings are kept by section.

    `stretches` are the sections in order; only what lies from `first` to `last` counts.
    """

    def __init__(
        self, running: Reducing, stretches: Sequence[Stretch], first: int, last: int
    ) -> None:
        self.running = running
        inside = [(s, max(s.start, first), min(s.end, last)) for s in stretches]
        self._stretches = [Stretch(s.name, start, end) for s, start, end in inside if start < end]
        self._starts = [stretch.start for stretch in self._stretches]
        self._first, self._last = first, last
        ends = {end for s in self._stretches for end in (s.start, s.end)}
        self._cuts = sorted({first, last, *ends})
        self._whole = NOTHING
        self._by_section: dict[str, Tally] = {}

    def process(self, block: Block, at: int, key: Block | None = None) -> Block:
        """Work in place on the block at song sample `at`, in pieces that no section ends in."""
        here = [cut - at for cut in self._cuts if 0 < cut - at < len(block)]
        for begin, end in itertools.pairwise([0, *here, len(block)]):
            self.running.forget_readings()
            if key is None:
                self.running.process(block[begin:end])
            else:
                self.running.process(block[begin:end], key[begin:end])
            if self._first <= at + begin < self._last:
                self._note(at + begin, self.running.tally)
        return block

    def _note(self, at: int, tally: Tally) -> None:
        self._whole = self._whole.joined(tally)
        index = bisect.bisect_right(self._starts, at) - 1
        if index >= 0 and at < self._stretches[index].end:
            name = self._stretches[index].name
            self._by_section[name] = self._by_section.get(name, NOTHING).joined(tally)

    @property
    def reduction(self) -> Reduction:
        """What it did so far."""
        whole = self._whole.reading
        sections = {name: tally.reading for name, tally in self._by_section.items()}
        return Reduction(
            whole.min_db, whole.mean_db, whole.max_db, whole.active_share, by_section=sections
        )
