"""Effects that work on whole chunks, fed from blocks of any size.

The input is cut every `CHUNK` samples counted from its start, whatever blocks it arrives in, so the
bits do not depend on the block size; the price is one chunk of latency, declared. A call into a
foreign library costs some 15 us, which at this chunk is a thousandth of real time.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from mixwright.dsp.align import RunningAlign
from mixwright.units import Block

CHUNK = 1024
# -400 dB: what a dying effect in single precision leaves for ever is taken for silence.
NOTHING = 1e-20


class ChunkEffect(Protocol):
    """Something that turns each chunk of input into one of output."""

    @property
    def latency(self) -> int:
        """Samples by which what `render` returns lags the chunk it was given."""
        ...

    @property
    def tail(self) -> int:
        """Samples it rings on, as :class:`mixwright.dsp.contract.Running` has it."""
        ...

    def render(self, chunk: Block) -> Block:
        """Return a new block (`CHUNK`, channels) for the next chunk, which stays as it is."""
        ...


class RunningInsert:
    """An effect at work, mixed with the untouched sound, which is held back to match it exactly.

    The mix is linear: at 50 percent half of each. At 0 the effect does not run, and every bit of
    the sound is kept.

    >>> class Half:
    ...     latency, tail = 0, 0
    ...     def render(self, chunk: Block) -> Block:
    ...         return 0.5 * chunk
    >>> running = RunningInsert(Half(), 1, 100.0)
    >>> float(running.process(np.ones((CHUNK + 1, 1)))[running.latency, 0])
    0.5
    """

    def __init__(self, effect: ChunkEffect, channels: int, mix_percent: float) -> None:
        self.latency = CHUNK + effect.latency
        self.tail = effect.tail
        self._effect = effect
        self._wet = mix_percent / 100.0
        self._dry = RunningAlign(effect.latency, channels)
        self._chunk = np.zeros((CHUNK, channels))
        self._ready = np.zeros((CHUNK, channels))
        self._filled = 0

    def process(self, block: Block) -> Block:
        """Replace `block` (frames, channels) by the mix, `latency` samples late, in place."""
        done = 0
        while done < len(block):
            count = min(len(block) - done, CHUNK - self._filled)
            here = slice(self._filled, self._filled + count)
            self._chunk[here] = block[done : done + count]
            block[done : done + count] = self._ready[here]
            self._filled += count
            done += count
            if self._filled == CHUNK:
                self._ready = self._turn_over()
                self._filled = 0
        return block

    def _turn_over(self) -> Block:
        """A chunk of input is complete: make the next chunk of output."""
        if self._wet == 0.0:
            return self._dry.process(self._chunk.copy())
        wet = self._effect.render(self._chunk)
        wet[np.abs(wet) < NOTHING] = 0.0
        if self._wet == 1.0:
            return wet
        mixed = self._dry.process(self._chunk.copy())
        mixed *= 1.0 - self._wet
        wet *= self._wet
        mixed += wet
        return mixed
