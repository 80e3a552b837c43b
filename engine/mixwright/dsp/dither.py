"""Quantisation to whole numbers with TPDF dither.

Source: Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A Theoretical Survey", JAES
40(5), 1992: triangular dither of 2 LSB peak to peak makes mean and power of the error independent
of the signal; total noise is LSB^2 / 4. Random numbers: splitmix64 (Steele, Lea, Flood, OOPSLA
2014).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixwright.units import Block


class Quantiser:
    """Rounds to `bits` with dither from a seed: the same seed gives the same bits."""

    def __init__(self, bits: int, seed: int) -> None:
        self.bits = bits
        self._state = np.array([seed % 2**64], dtype=np.uint64)

    def quantise(self, block: Block) -> NDArray[np.int32]:
        """Return int32 values, left-justified as sound files want them, same shape as `block`.

        Digital silence stays silent: exact zeros get no dither.
        """
        from mixwright.dsp.kernels.dither import quantise

        out = np.empty(block.shape, dtype=np.int32)
        quantise(np.ascontiguousarray(block).reshape(-1), self.bits, self._state, out.reshape(-1))
        return out
