"""Equaliser: a cascade of second-order sections.

Designs come from :mod:`mixwright.dsp.filters`; this file holds the settings and the running
cascade (transposed direct form II, float64 state). Keeping a track's level is not done here: the
rendering room measures what an EQ did to the level and takes it back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.band import BandSettings
from mixwright.dsp.contract import TAIL_DB
from mixwright.dsp.filters import design_bands
from mixwright.units import Block


@dataclass(frozen=True)
class EqSettings:
    """Bands in the order they are applied."""

    bands: tuple[BandSettings, ...] = ()

    def start(self, rate_hz: int, channels: int) -> RunningCascade:
        """Return a running cascade; bands that do nothing are left out, bit for bit."""
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
