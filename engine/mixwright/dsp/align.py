"""A plain delay of whole samples: keeps parallel paths together when one of them lags."""

from __future__ import annotations

import numpy as np

from mixwright.units import Block


class RunningAlign:
    """Delays stereo blocks by a fixed number of samples; 0 passes them through untouched."""

    tail = 0

    def __init__(self, latency: int, channels: int = 2) -> None:
        self.latency = latency
        self._held = np.zeros((latency, channels))

    def process(self, block: Block) -> Block:
        """Return the block delayed, in place."""
        if self.latency:
            joined = np.concatenate([self._held, block])
            block[:] = joined[: len(block)]
            self._held = joined[len(block) :]
        return block
