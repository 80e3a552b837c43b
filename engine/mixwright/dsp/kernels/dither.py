"""Dithered rounding with a small, seeded generator."""

from __future__ import annotations

import numpy as np
from numba import njit

from mixwright.dsp.kernels.options import OPTIONS

GOLDEN = np.uint64(0x9E3779B97F4A7C15)
MIX_1, MIX_2 = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
S27, S30, S31, S32 = np.uint64(27), np.uint64(30), np.uint64(31), np.uint64(32)
LOW_32 = np.uint64(0xFFFFFFFF)
PER_32 = 2.0**-32


@njit(**OPTIONS)
def quantise(flat, bits, state, out):  # type: ignore[no-untyped-def]
    """Write `flat` rounded to `bits`, left-justified, to `out`; `state` is splitmix64's."""
    scale = 2.0 ** (bits - 1)
    shift = 2.0 ** (32 - bits)
    counter = state[0]
    for n in range(flat.shape[0]):
        counter += GOLDEN
        z = (counter ^ (counter >> S30)) * MIX_1
        z = (z ^ (z >> S27)) * MIX_2
        z = z ^ (z >> S31)
        # Two uniform numbers from the halves: their difference is triangular, 2 LSB wide.
        dither = (np.float64(z >> S32) - np.float64(z & LOW_32)) * PER_32
        dither = np.float64(0.0) if flat[n] == 0.0 else dither
        value = np.rint(flat[n] * scale + dither)
        value = min(max(value, -scale), scale - 1.0)
        out[n] = np.int32(value * shift)
    state[0] = counter
