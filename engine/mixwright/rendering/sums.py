"""Sums of placed tracks: what goes straight to the bus, to each group, to each return.

Mixes made side by side share the sums that are the same in both. A block is added up in parts, side
by side; every sum is taken in the order of its mix's sheet, whoever else there is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.curve import Curve
from mixwright.units import Block

FRAMES = 65536
PART = FRAMES // 4  # small enough for sums and tracks to stay in the cache while adding
AS_PLACED = np.ones(1)
Submit = Callable[..., Future[Any]]


@dataclass(frozen=True)
class Feed:
    """A track (by its index) in a sum: as it was placed, or as it is sent.

    A group's fader (`faders`: gain and mute) takes its tracks' sends along: what is turned down
    dry is turned down wet too.
    """

    track: int
    send: Curve | None = None
    faders: tuple[Curve, Curve] | None = None

    def gain(self, at: int) -> NDArray[np.float64]:
        """Return the gain over a block, of shape (frames,) or (1,)."""
        if self.send is None:
            return AS_PLACED
        level = self.send.values(at, FRAMES)
        if self.faders is None:
            return level
        gain, mute = self.faders
        return level * (gain.values(at, FRAMES) * mute.values(at, FRAMES))


class Sums:
    """The distinct sums that some mixes need, and who is in each."""

    def __init__(self) -> None:
        self._indices: dict[tuple[Feed, ...], int] = {}

    def index_of(self, feeds: Sequence[Feed]) -> int:
        """Return where a sum stands among all of them; it is made if it is a new one."""
        return self._indices.setdefault(tuple(feeds), len(self._indices))

    def new_blocks(self) -> list[Block]:
        """Return a block for each sum; to be called once all of them are known."""
        return [np.zeros((FRAMES, 2)) for _ in self._indices]

    def add_up(
        self, at: int, placed: Sequence[Block], totals: list[Block], submit: Submit
    ) -> list[Future[Any]]:
        """Add up a block at song sample `at`; `totals` has been filled when all futures are done.

        `placed` are the tracks' blocks, by index.
        """
        feeds = {feed for sum_feeds in self._indices for feed in sum_feeds}
        gains = {feed: feed.gain(at) for feed in feeds}
        sums = [
            [(placed[feed.track], gains[feed]) for feed in sum_feeds] for sum_feeds in self._indices
        ]
        parts = [slice(first, first + PART) for first in range(0, FRAMES, PART)]
        return [submit(_add_part, part, sums, totals) for part in parts]


def _add_part(
    part: slice,
    sums: Sequence[Sequence[tuple[Block, NDArray[np.float64]]]],
    totals: Sequence[Block],
) -> None:
    """Fill one part of every total, adding in the order of its feeds."""
    from mixwright.dsp.kernels.place import add_scaled

    for feeds, total in zip(sums, totals, strict=True):
        here = total[part]
        here[:] = 0.0
        for block, gain in feeds:
            if gain is AS_PLACED:
                here += block[part]
            elif len(gain) > 1:
                add_scaled(here, block[part], gain[part], 1)
            elif gain[0] != 0.0:
                add_scaled(here, block[part], gain, 0)
