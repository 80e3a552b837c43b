"""A value over time: a start and moves, each a straight line in its own unit.

Gain curves are straight in dB; to or from silence they are straight in amplitude. Every step is
spread over a few milliseconds, so that nothing clicks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mixwright.units import SILENCE_DB

DECLICK_MS = 10.0


@dataclass(frozen=True)
class Move:
    """From sample `start` on, go to `value` in `length` samples (at least one)."""

    start: int
    length: int
    value: float


@dataclass(frozen=True)
class Curve:
    """`unit` dB: values are levels and the curve yields gains; `plain`: it yields the values.

    A move that begins before the one before it has ended starts from where that one had got to.
    """

    unit: Literal["dB", "plain"]
    initial: float
    moves: tuple[Move, ...] = ()

    def __post_init__(self) -> None:
        starts = [move.start for move in self.moves]
        if starts != sorted(starts) or any(move.length < 1 for move in self.moves):
            raise ValueError("moves are in order and last at least one sample")

    @property
    def is_constant(self) -> bool:
        """Whether it never moves."""
        return all(move.value == self.initial for move in self.moves)

    def values(self, start: int, frames: int) -> NDArray[np.float64]:
        """Return shape ``(frames,)``, or ``(1,)`` where the value stays the same throughout.

        >>> Curve("dB", 0.0, (Move(2, 2, -20.0),)).values(0, 6).round(3).tolist()
        [1.0, 1.0, 0.316, 0.1, 0.1, 0.1]
        """
        at = Settled(self.initial, 0, 0, self.initial)
        near = [(0, at)]
        for move in self.moves:
            if move.start >= start + frames:
                break
            at = Settled(at.level_at(move.start, self.unit), move.start, move.length, move.value)
            if move.start <= start:
                near = [(0, at)]
            else:
                near.append((move.start - start, at))
        if len(near) == 1 and at.is_over(start):
            return self._outward(np.array([at.target]))
        return self._filled(near, start, frames)

    def _filled(
        self, near: Sequence[tuple[int, Settled]], start: int, frames: int
    ) -> NDArray[np.float64]:
        out = np.empty(frames)
        ends = [*(offset for offset, _ in near[1:]), frames]
        for (offset, at), end in zip(near, ends, strict=True):
            where = np.arange(start + offset, start + end)
            out[offset:end] = at.gains(where) if self.unit == "dB" else at.plain(where)
        return out

    def _outward(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        return 10.0 ** (values / 20.0) if self.unit == "dB" else values


@dataclass(frozen=True)
class Settled:
    """One move with the value it sets out from."""

    origin: float
    start: int
    length: int
    target: float

    def is_over(self, sample: int) -> bool:
        """Whether the target is reached at `sample`."""
        return sample >= self.start + self.length or self.origin == self.target

    def share(self, where: NDArray[np.int64]) -> NDArray[np.float64]:
        """How much of the way is done at each sample, 0..1."""
        if self.length == 0:
            return np.ones(len(where))
        return np.clip((where - self.start + 1) / self.length, 0.0, 1.0)

    def plain(self, where: NDArray[np.int64]) -> NDArray[np.float64]:
        """A straight line in the value itself."""
        share = self.share(where)
        return np.where(
            share >= 1.0, self.target, self.origin + share * (self.target - self.origin)
        )

    def gains(self, where: NDArray[np.int64]) -> NDArray[np.float64]:
        """Gains: straight in dB, or in amplitude where one end is silence."""
        share = self.share(where)
        if SILENCE_DB in (self.origin, self.target):
            low, high = (
                0.0 if v == SILENCE_DB else 10 ** (v / 20) for v in (self.origin, self.target)
            )
            return low + share * (high - low)
        return np.asarray(10.0 ** (self.plain(where) / 20.0))

    def level_at(self, sample: int, unit: str) -> float:
        """The value in its own unit just before `sample`: where a next move sets out from."""
        if self.is_over(sample - 1):
            return self.target
        where = np.array([sample - 1])
        if unit == "plain":
            return float(self.plain(where)[0])
        gain = float(self.gains(where)[0])
        return SILENCE_DB if gain <= 0.0 else 20.0 * float(np.log10(gain))
