"""Stereo convolution with a long response, in equal partitions (overlap-save).

The input is cut at fixed places, every `STRIDE` samples, whatever blocks it arrives in, so the bits
do not depend on the block size; the price is a latency of one stride, declared and compensated by
the rendering room. A stride holds `BATCH` partitions, so that their transforms go through the
library four at a time, which it does with vector instructions. Transforms are in float32: their
error is near -140 dB relative to the wet signal, at half the cost.
"""

from __future__ import annotations

import numpy as np

from mixwright.units import Block, Floats

PARTITION = 16384
BATCH = 2
STRIDE = PARTITION * BATCH


class RunningConvolution:
    """Left with left, right with right, after a little crossfeed between the inputs."""

    latency = STRIDE

    def __init__(self, impulse: Floats, tail: int, crossfeed: float = 0.0) -> None:
        from scipy import fft

        self._fft = fft
        self.tail = tail
        count = -(-len(impulse) // PARTITION)
        padded = np.zeros((count, PARTITION, 2))
        padded.reshape(-1, 2)[: len(impulse)] = impulse
        shaped = np.ascontiguousarray(padded.transpose(0, 2, 1), dtype=np.float32)
        self._response = fft.rfft(shaped, 2 * PARTITION, axis=2)
        self._spectra = np.zeros_like(self._response)
        self._newest = 0
        self._heard = np.zeros((2, PARTITION + STRIDE), dtype=np.float32)
        self._ready = np.zeros((2, STRIDE), dtype=np.float32)
        self._filled = 0
        self._crossfeed = crossfeed

    def process(self, block: Block) -> Block:
        """Replace `block` (frames, 2) by the wet signal one stride late, in place."""
        from mixwright.dsp.kernels.convolution import exchange

        done = 0
        while done < len(block):
            count = min(len(block) - done, STRIDE - self._filled)
            at = slice(self._filled, self._filled + count)
            exchange(
                block[done : done + count],
                self._heard[:, PARTITION:][:, at],
                self._ready[:, at],
                self._crossfeed,
            )
            self._filled += count
            done += count
            if self._filled == STRIDE:
                self._turn_over()
        return block

    def _turn_over(self) -> None:
        """A stride of input is complete: make the next stride of output."""
        from mixwright.dsp.kernels.convolution import multiply_accumulate

        starts = range(0, STRIDE, PARTITION)
        windows = np.stack([self._heard[:, at : at + 2 * PARTITION] for at in starts])
        fresh = self._fft.rfft(windows, axis=2)
        totals = np.zeros_like(fresh)
        for spectrum, total in zip(fresh, totals, strict=True):
            self._newest = (self._newest - 1) % len(self._spectra)
            self._spectra[self._newest] = spectrum
            multiply_accumulate(self._spectra, self._response, self._newest, total)
        wet = self._fft.irfft(totals, axis=2)[:, :, PARTITION:]
        self._ready = np.concatenate(list(wet), axis=1)
        self._heard[:, :PARTITION] = self._heard[:, STRIDE:]
        self._filled = 0
