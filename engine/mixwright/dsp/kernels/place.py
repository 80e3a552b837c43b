"""Fader, width, pan and sends: the last step of a track and the sums it goes into."""

from __future__ import annotations

from mixwright.dsp.kernels.options import OPTIONS, njit


@njit(**OPTIONS)
def place(block, matrix, left, right, step, out):  # type: ignore[no-untyped-def]
    """Write the stereo placement of `block` (mono or stereo) to `out`; returns the peak.

    `matrix` (channels, 2) holds the fixed part (width); `left` and `right` are gains, one per
    frame when `step` is 1 or a single one when it is 0.
    """
    peak = 0.0
    if block.shape[1] == 1:
        for n in range(block.shape[0]):
            a = block[n, 0] * left[n * step]
            b = block[n, 0] * right[n * step]
            out[n, 0], out[n, 1] = a, b
            peak = max(peak, max(abs(a), abs(b)))
    else:
        m00, m01, m10, m11 = matrix[0, 0], matrix[0, 1], matrix[1, 0], matrix[1, 1]
        for n in range(block.shape[0]):
            x, z = block[n, 0], block[n, 1]
            a = (m00 * x + m10 * z) * left[n * step]
            b = (m01 * x + m11 * z) * right[n * step]
            out[n, 0], out[n, 1] = a, b
            peak = max(peak, max(abs(a), abs(b)))
    return peak


@njit(**OPTIONS)
def add_scaled(total, block, gain, step):  # type: ignore[no-untyped-def]
    """Add `gain` times `block` to `total`, both (frames, 2); `gain` as in :func:`place`."""
    for n in range(block.shape[0]):
        g = gain[n * step]
        total[n, 0] += g * block[n, 0]
        total[n, 1] += g * block[n, 1]


@njit(**OPTIONS)
def scale(block, gain, step):  # type: ignore[no-untyped-def]
    """Multiply `block` (frames, channels) in place by `gain` as in :func:`place`."""
    for n in range(block.shape[0]):
        for c in range(block.shape[1]):
            block[n, c] *= gain[n * step]


@njit(**OPTIONS)
def widen(block, matrix):  # type: ignore[no-untyped-def]
    """Multiply each frame of `block` (frames, 2) by `matrix` (2, 2) in place."""
    m00, m01, m10, m11 = matrix[0, 0], matrix[0, 1], matrix[1, 0], matrix[1, 1]
    for n in range(block.shape[0]):
        x, z = block[n, 0], block[n, 1]
        block[n, 0] = m00 * x + m10 * z
        block[n, 1] = m01 * x + m11 * z
