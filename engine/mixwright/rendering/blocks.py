"""Sound as it streams by, in blocks (frames, 2): turned, cut, put back in time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import chain, repeat

import numpy as np

from mixwright.units import Block

SILENCE_FRAMES = 65536
# What works in place on a block, of which the first frame comes out as so many of the whole; it may
# listen to another block of as many frames.
Process = Callable[[Block, int, Block | None], Block]


def turned(blocks: Iterable[Block], gain: float) -> Iterator[Block]:
    """Yield blocks times a gain; at 1 they keep every bit, and their memory."""
    for block in blocks:
        yield block if gain == 1.0 else block * gain


def silence(frames: int) -> Iterator[Block]:
    """Yield so much silence; none where `frames` is negative."""
    for at in range(0, frames, SILENCE_FRAMES):
        yield np.zeros((min(SILENCE_FRAMES, frames - at), 2))


def kept(blocks: Iterable[Block], frames: int, first: int, last: int) -> Iterator[Block]:
    """Yield of `frames` in all those from `first` up to `last`; what lies outside is silence."""
    yield from silence(min(0, last) - first)
    at = 0
    for block in blocks:
        inside = block[max(0, first - at) : max(0, last - at)]
        at += len(block)
        if len(inside):
            yield inside
    yield from silence(last - max(frames, first))


def in_time(
    blocks: Iterable[Block],
    latency: int,
    process: Process,
    keys: Iterable[Block] | None = None,
    *,
    rings_out: bool = True,
) -> Iterator[Block]:
    """Yield blocks as `process` leaves them, of as many frames and where they were.

    What it lags by is dropped at the start and fetched at the end; not fetched if not `rings_out`.
    The keys are as long in all as the blocks; neither are changed.
    """
    rest = [np.zeros((latency, 2))] if rings_out else []
    blocks = chain(blocks, rest)
    pairs = zip(blocks, repeat(None)) if keys is None else _in_step(blocks, chain(keys, rest))
    at = -latency
    for block, key in pairs:
        late = process(block.copy(), at, key)
        yield late[min(max(0, -at), len(late)) :]
        at += len(late)


def _in_step(blocks: Iterator[Block], keys: Iterator[Block]) -> Iterator[tuple[Block, Block]]:
    """Each block with as many frames of the keys; ValueError if these are not as long in all."""
    held = np.empty((0, 2))
    for block in blocks:
        while len(held) < len(block):
            if (more := next(keys, None)) is None:
                raise ValueError("the keys end before the blocks")
            held = np.concatenate([held, more])
        yield block, held[: len(block)]
        held = held[len(block) :]
