"""Equaliser: a cascade of second-order sections.

Designs come from :mod:`mixwright.dsp.filters`; this file holds the settings and the running
cascade (transposed direct form II, float64 state). Keeping a track's level is not done here: the
render room measures what an EQ did to the level and takes it back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.contract import TAIL_DB, bounded, check_bounds
from mixwright.units import Block

BandType = Literal["high_pass", "low_pass", "low_shelf", "high_shelf", "bell", "notch"]
SLOPES_DB_PER_OCT = (6, 12, 18, 24, 30, 36, 42, 48)
DEFAULT_Q = {"low_shelf": 0.7071, "high_shelf": 0.7071, "bell": 1.0, "notch": 4.0}


@dataclass(frozen=True)
class BandSettings:
    """One EQ band. `q` counts for bells, shelves and notches, `slope_db_per_oct` for passes.

    A bell's Q follows the Audio EQ Cookbook (bandwidth between half-gain points), so an equal
    boost and cut cancel exactly. Passes are Butterworth.
    """

    type: BandType
    freq_hz: float = bounded(10.0, 22000.0)
    gain_db: float = bounded(-24.0, 24.0, default=0.0)
    q: float = bounded(0.1, 40.0, default=0.7071)
    slope_db_per_oct: int = 12

    def __post_init__(self) -> None:
        check_bounds(self)
        if self.slope_db_per_oct not in SLOPES_DB_PER_OCT:
            raise ValueError("slope_db_per_oct is a multiple of 6 from 6 to 48")


@dataclass(frozen=True)
class EqSettings:
    """Bands in the order they are applied."""

    bands: tuple[BandSettings, ...] = ()

    def start(self, rate_hz: int, channels: int) -> RunningCascade:
        """Return a running cascade; bands that do nothing are left out, bit for bit."""
        from mixwright.dsp.filters import design_bands

        return RunningCascade(design_bands(self.bands, rate_hz), channels)


class RunningCascade:
    """A cascade of second-order sections with its state; filters each block in place."""

    latency = 0

    def __init__(self, sections: NDArray[np.float64], channels: int) -> None:
        self.sections = np.ascontiguousarray(sections)
        self.state = np.zeros((len(sections), 2, channels))
        self._rows = np.ascontiguousarray(np.repeat(self.sections[:, :, None], 2, axis=2))

    @property
    def tail(self) -> int:
        """Samples until the slowest pole has decayed by `TAIL_DB`."""
        if not len(self.sections):
            return 0
        poles = [np.abs(np.roots([1.0, a1, a2])).max() for a1, a2 in self.sections[:, 3:]]
        slowest = min(max(poles), 1.0 - 1e-9)
        return 0 if slowest <= 0.0 else math.ceil(-TAIL_DB / (20.0 * math.log10(slowest)))

    def process(self, block: Block) -> Block:
        """Filter `block` (frames, channels) in place and return it."""
        from mixwright.dsp.kernels.cascade import run_cascade
        from mixwright.dsp.kernels.lanes import BY_COUNT, MOST_SECTIONS

        if block.shape[1] == 1 or not block.flags.c_contiguous:
            run_cascade(self.sections, self.state, block)
            return block
        for first in range(0, len(self.sections), MOST_SECTIONS):
            count = min(MOST_SECTIONS, len(self.sections) - first)
            BY_COUNT[count - 1](self._rows[first:], self.state[first:], block)
        return block
