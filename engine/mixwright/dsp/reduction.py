"""Gain reduction as numbers: what a dynamics processor did over a stretch of time.

A processor at work is one that turns down by more than 0.1 dB: less can't be heard. Where channels
are turned down by different amounts, the larger one counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class GainReduction:
    """Reduction in dB, 0 or more: least, mean while at work, most; and the share of time at work.

    `min_db` is the least over the whole stretch, 0 as soon as the gain was untouched once.
    """

    min_db: float
    mean_db: float
    max_db: float
    active_share: float


@dataclass(frozen=True)
class Tally:
    """Reduction counted over some frames, such that the counts of two stretches can be joined.

    `total_db` is the sum over the `active_frames`, those at work. No frames: all is 0.
    """

    frames: int
    active_frames: int
    total_db: float
    min_db: float
    max_db: float

    def joined(self, other: Tally) -> Tally:
        """Return the count over both stretches.

        >>> loud, quiet = Tally(100, 100, 600.0, 5.0, 7.0), Tally(300, 0, 0.0, 0.0, 0.0)
        >>> loud.joined(quiet).reading
        GainReduction(min_db=0.0, mean_db=6.0, max_db=7.0, active_share=0.25)
        """
        counted = [tally for tally in (self, other) if tally.frames]
        return Tally(
            self.frames + other.frames,
            self.active_frames + other.active_frames,
            self.total_db + other.total_db,
            min((tally.min_db for tally in counted), default=0.0),
            max((tally.max_db for tally in counted), default=0.0),
        )

    @property
    def reading(self) -> GainReduction:
        """The same as a result."""
        mean = self.total_db / self.active_frames if self.active_frames else 0.0
        share = self.active_frames / self.frames if self.frames else 0.0
        return GainReduction(self.min_db, mean, self.max_db, share)


class CountedReduction:
    """What every running dynamics processor keeps: the count of its reduction.

    The kernels write `_counts`: frames, frames at work, sum while at work, least, most.
    """

    def __init__(self) -> None:
        self._counts = np.zeros(5)
        self.forget_readings()

    def forget_readings(self) -> None:
        """Count from here on; the sound is not touched."""
        self._counts[:] = (0.0, 0.0, 0.0, math.inf, 0.0)

    @property
    def tally(self) -> Tally:
        """What it did since it was started, or since its readings were forgotten."""
        frames, active, total, least, most = (float(value) for value in self._counts)
        return Tally(int(frames), int(active), total, least if frames else 0.0, most)

    @property
    def reduction(self) -> GainReduction:
        """The tally as a result."""
        return self.tally.reading
