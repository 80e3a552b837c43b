"""Sections whose coefficients move from sample to sample, and mid/side in place."""

from __future__ import annotations

from mixwright.dsp.kernels.options import OPTIONS, njit

# What has died away this far is silence: numbers much smaller would slow the machine down.
LEAST_STATE = 1e-100


@njit(**OPTIONS)
def run_sweep(points, step, phase, state, block, first, last):  # type: ignore[no-untyped-def]
    """Filter channels `first` to `last` (not included) of `block` (frames, channels) in place.

    `points` (n, 5) holds ``g k`` and the shares of input, band-pass and low-pass in the output, a
    row every `step` samples; the first frame is `phase` samples after row 0. Between rows each goes
    in a straight line, computed from its place alone: no sum runs on from block to block. `state`
    is (2, channels), the two integrators of the trapezoidal state-variable filter.
    """
    n = 0
    while n < block.shape[0]:
        row = (phase + n) // step
        begin = row * step - phase
        end = min(block.shape[0], begin + step)
        if n == begin:
            for c in range(first, last):
                for part in range(2):
                    if abs(state[part, c]) < LEAST_STATE:
                        state[part, c] = 0.0
        g0, k0, m0, b0, l0 = points[row]
        dg, dk = (points[row + 1, 0] - g0) / step, (points[row + 1, 1] - k0) / step
        dm, db = (points[row + 1, 2] - m0) / step, (points[row + 1, 3] - b0) / step
        dl = (points[row + 1, 4] - l0) / step
        for at in range(n, end):
            share = float(at - begin)
            g, k = g0 + share * dg, k0 + share * dk
            m, b, low = m0 + share * dm, b0 + share * db, l0 + share * dl
            over = 1.0 / (1.0 + g * (g + k))
            for c in range(first, last):
                x = block[at, c]
                band_pass = (g * (x - state[1, c]) + state[0, c]) * over
                low_pass = state[1, c] + g * band_pass
                state[0, c] = 2.0 * band_pass - state[0, c]
                state[1, c] = 2.0 * low_pass - state[1, c]
                block[at, c] = m * x + b * band_pass + low * low_pass
        n = end


@njit(**OPTIONS)
def to_mid_side(block):  # type: ignore[no-untyped-def]
    """Replace left and right of `block` (frames, 2) by (L + R)/2 and (L - R)/2."""
    for n in range(block.shape[0]):
        left, right = block[n, 0], block[n, 1]
        block[n, 0] = 0.5 * (left + right)
        block[n, 1] = 0.5 * (left - right)


@njit(**OPTIONS)
def to_left_right(block):  # type: ignore[no-untyped-def]
    """Undo :func:`to_mid_side`."""
    for n in range(block.shape[0]):
        mid, side = block[n, 0], block[n, 1]
        block[n, 0] = mid + side
        block[n, 1] = mid - side
