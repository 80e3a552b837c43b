"""A value over time: a start and moves, each straight or eased in its own unit.

Gain curves are straight in dB, frequencies in octaves; to or from silence a gain is straight in
amplitude. A smooth move follows a raised cosine along the same way: it begins and ends level.

No curve clicks: from one sample to the next a level changes by at most `MOST_STEP_DB`; a gain to or
from silence by as much of its larger end (1.14 %); a plain value by `MOST_STEP_PLAIN` (of a pan in
percent: 0.79 % of full amplitude); a frequency by `MOST_STEP_OCTAVES`. A move that is asked to be
faster takes as long as that needs. What it needs is known only here, where a move that interrupts
another finds out from where it sets out. The limits are ours: at 44.1 kHz, 0.1 dB a sample is still
44 dB in 10 ms. Each curve keeps them for itself: a fader and a group that step at once add up.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mixwright.units import SILENCE_DB, Floats, db_to_gain, gain_to_db

DECLICK_MS = 10.0
MOST_STEP_DB = 0.1
MOST_STEP_PLAIN = 1.0
MOST_STEP_OCTAVES = 0.025
MOST_STEP_SHARE: float = 1.0 - 10.0 ** (-MOST_STEP_DB / 20.0)
# A raised cosine is this much steeper in its middle than the straight line.
STEEPEST = {"line": 1.0, "smooth": 0.5 * math.pi}

Unit = Literal["dB", "plain", "octaves"]
Shape = Literal["line", "smooth"]


@dataclass(frozen=True)
class CurveMove:
    """From sample `start` on, go to `value` in `length` samples (at least one).

    It takes longer where that would be too fast for the ear, see :class:`Curve`.
    """

    start: int
    length: int
    value: float
    shape: Shape = "line"


@dataclass(frozen=True)
class Curve:
    """`dB`: values are levels and the curve yields gains; else it yields the values.

    `octaves` takes and yields Hz and goes straight in pitch. A move that begins before the one
    before it has ended starts from where that one had got to. `length` is what was asked for: a
    move too short for its way is stretched until no step is larger than the limits above.
    """

    unit: Unit
    initial: float
    moves: tuple[CurveMove, ...] = ()

    def __post_init__(self) -> None:
        starts = [move.start for move in self.moves]
        if starts != sorted(starts) or any(move.length < 1 for move in self.moves):
            raise ValueError("moves are in order and last at least one sample")
        values = (self.initial, *(move.value for move in self.moves))
        if self.unit == "octaves" and min(values) <= 0.0:
            raise ValueError(f"a frequency is {min(values):g} Hz, expected more than 0")

    @property
    def is_constant(self) -> bool:
        """Whether it never moves."""
        return all(move.value == self.initial for move in self.moves)

    def values(self, start: int, frames: int) -> Floats:
        """Return shape ``(frames,)``, or ``(1,)`` where the value stays the same throughout.

        >>> Curve("dB", 0.0, (CurveMove(2, 2, -0.2),)).values(0, 6).round(4).tolist()
        [1.0, 1.0, 0.9886, 0.9772, 0.9772, 0.9772]
        >>> Curve("octaves", 100.0, (CurveMove(0, 80, 400.0),)).values(39, 2).round(1).tolist()
        [200.0, 203.5]
        """
        starts, ways = self._course
        first = max(0, bisect_right(starts, start) - 1)
        last = bisect_left(starts, start + frames)
        near = ways[first : max(last, first + 1)]
        if near[0].is_over(start) and all(way.is_still for way in near[1:]):
            return near[0].ended()
        return self._filled(near, start, frames)

    def _filled(self, near: Sequence[Way], start: int, frames: int) -> Floats:
        out = np.empty(frames)
        edges = [0, *(max(0, way.start - start) for way in near[1:]), frames]
        for way, begin, end in zip(near, edges[:-1], edges[1:], strict=True):
            there = begin if way.is_still else way.start + way.length - start
            rest = min(max(begin, there), end)  # from here on it is where it goes
            if begin < rest:
                out[begin:rest] = way.values(np.arange(start + begin, start + rest))
            out[rest:end] = way.ended()
        return out

    @cached_property
    def _course(self) -> tuple[list[int], list[Way]]:
        """Where each way starts and the ways: first the initial value, then one for each move."""
        way = Way(self.unit, self.initial, 0, 0, self.initial)
        # Before the song, too, it is at its initial value.
        starts, ways = [-(2**62)], [way]
        for move in self.moves:
            origin = way.level_at(move.start - 1)
            scale = _scale(self.unit, origin, move.value)
            length = max(move.length, _least_samples(scale, origin, move.value, move.shape))
            way = Way(scale, origin, move.start, length, move.value, move.shape)
            starts.append(move.start)
            ways.append(way)
        return starts, ways


MoveScale = Literal["dB", "amplitude", "plain", "octaves"]


@dataclass(frozen=True)
class Way:
    """One move with the value it sets out from, the scale it is straight in and its real length.

    `amplitude` is the scale of gains where an end is silence: its ends are levels all the same.
    """

    scale: MoveScale
    origin: float
    start: int
    length: int
    target: float
    shape: Shape = "line"

    @property
    def is_still(self) -> bool:
        """Whether it goes nowhere."""
        return self.origin == self.target

    def is_over(self, sample: int) -> bool:
        """Whether the target was reached before `sample`."""
        return self.is_still or sample >= self.start + self.length

    def values(self, where: NDArray[np.int64]) -> Floats:
        """Return what the curve yields at these samples, up to the last one of the way."""
        share = self._share(where)
        found = self._outward(self._between(share))
        return np.where(share >= 1.0, self.ended(), found)

    def ended(self) -> Floats:
        """Return what the curve yields once the target is reached, exactly, shape ``(1,)``."""
        if self.scale == "octaves":
            return np.array([self.target])
        return self._outward(np.array([_onto(self.scale, self.target)]))

    def level_at(self, sample: int) -> float:
        """Return the value at a sample in the unit of the sheet: where a next move sets out."""
        if self.is_over(sample + 1):
            return self.target
        share = self._share(np.array([sample]))
        if share[0] == 0.0:
            return self.origin
        at = self._between(share)
        if self.scale == "dB":
            return float(at[0])
        found = float(self._outward(at)[0])
        return gain_to_db(found) if self.scale == "amplitude" else found

    def _between(self, share: Floats) -> Floats:
        """Return places on the scale from how much of the way is done."""
        first, last = (_onto(self.scale, end) for end in (self.origin, self.target))
        return first + share * (last - first)

    def _outward(self, at: Floats) -> Floats:
        """Return what the curve yields at places on the scale."""
        if self.scale == "dB":
            return np.asarray(10.0 ** (at / 20.0))
        return np.exp2(at) if self.scale == "octaves" else at

    def _share(self, where: NDArray[np.int64]) -> Floats:
        """How much of the way is done at each sample, 0..1."""
        time = np.clip((where - self.start + 1) / self.length, 0.0, 1.0)
        # The squared sine is the raised cosine without its rounding error near 0.
        return time if self.shape == "line" else np.sin(0.5 * np.pi * time) ** 2


def _scale(unit: Unit, origin: float, target: float) -> MoveScale:
    """Return what a move between two values is straight in."""
    return "amplitude" if unit == "dB" and SILENCE_DB in (origin, target) else unit


def _onto(scale: MoveScale, value: float) -> float:
    """Return a value of the sheet as a place on the scale."""
    if scale == "amplitude":
        return db_to_gain(value)
    return math.log2(value) if scale == "octaves" else value


def _least_samples(scale: MoveScale, origin: float, target: float, shape: Shape) -> int:
    """Return how many samples a move takes at least."""
    first, last = _onto(scale, origin), _onto(scale, target)
    if first == last:
        return 1
    if scale == "amplitude":
        most = MOST_STEP_SHARE * max(first, last)
    else:
        most = {"dB": MOST_STEP_DB, "plain": MOST_STEP_PLAIN, "octaves": MOST_STEP_OCTAVES}[scale]
    # A way of exactly so many steps needs no more for being rounded.
    return math.ceil(abs(last - first) / most * STEEPEST[shape] - 1e-9)
