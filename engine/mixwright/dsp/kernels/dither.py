"""Dithered rounding with a small, seeded generator."""

from __future__ import annotations

import numpy as np

from mixwright.dsp.kernels.options import OPTIONS, njit

GOLDEN = np.uint64(0x9E3779B97F4A7C15)
MIX_1, MIX_2 = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
S27, S30, S31, S32 = np.uint64(27), np.uint64(30), np.uint64(31), np.uint64(32)
LOW_32 = np.uint64(0xFFFFFFFF)
PER_32 = 2.0**-32


@njit(**OPTIONS)
def triangular(counter):  # type: ignore[no-untyped-def]
    """Return splitmix64's number for a counter as triangular dither, 2 LSB wide."""
    z = (counter ^ (counter >> S30)) * MIX_1
    z = (z ^ (z >> S27)) * MIX_2
    z = z ^ (z >> S31)
    # Two uniform numbers from the halves: their difference is triangular.
    return (np.float64(z >> S32) - np.float64(z & LOW_32)) * PER_32


@njit(**OPTIONS)
def quantise(flat, bits, state, out):  # type: ignore[no-untyped-def]
    """Write `flat` rounded to `bits`, left-justified, to `out`; `state` is splitmix64's."""
    scale = 2.0 ** (bits - 1)
    shift = 2.0 ** (32 - bits)
    counter = state[0]
    for n in range(flat.shape[0]):
        counter += GOLDEN
        dither = np.float64(0.0) if flat[n] == 0.0 else triangular(counter)
        value = np.rint(flat[n] * scale + dither)
        value = min(max(value, -scale), scale - 1.0)
        out[n] = np.int32(value * shift)
    state[0] = counter


@njit(**OPTIONS)
def quantise_shaped(block, bits, state, taps, past, zeros, run, out):  # type: ignore[no-untyped-def]
    """Like :func:`quantise` for `block` (frames, channels), with `past` errors added by `taps`.

    `past` (channels, taps) holds each channel's errors in LSB, the latest first; `zeros`
    (channels,) how many samples in a row were exactly zero: after `run` of them it is silent.
    """
    scale = 2.0 ** (bits - 1)
    shift = 2.0 ** (32 - bits)
    order = taps.shape[0]
    counter = state[0]
    for n in range(block.shape[0]):
        for c in range(block.shape[1]):
            counter += GOLDEN
            sample = block[n, c]
            zeros[c] = zeros[c] + 1 if sample == 0.0 else 0
            if zeros[c] > run:
                past[c, :] = 0.0
                out[n, c] = 0
                continue
            # However far over full scale a sample is, the error stays that of the rounding.
            wanted = min(max(sample, -2.0), 2.0) * scale
            for k in range(order):
                wanted += taps[k] * past[c, k]
            value = np.rint(wanted + triangular(counter))
            for k in range(order - 1, 0, -1):
                past[c, k] = past[c, k - 1]
            # Taken before the ceiling: what is cut off there is no error to be made up for.
            past[c, 0] = value - wanted
            value = min(max(value, -scale), scale - 1.0)
            out[n, c] = np.int32(value * shift)
    state[0] = counter
