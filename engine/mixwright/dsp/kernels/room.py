"""What the late tail of a room is shaped with, sample by sample."""

from __future__ import annotations

import math

import numpy as np

from mixwright.dsp.kernels.options import OPTIONS, njit


@njit(**OPTIONS)
def smooth_around(values, half, out):  # type: ignore[no-untyped-def]
    """Put into `out` the mean of `values` over `half` samples either way, on a circle."""
    count = values.shape[0]
    width = 2 * half + 1
    total = 0.0
    for n in range(-half, half + 1):
        total += values[n % count]
    for n in range(count):
        out[n] = total / width
        total += values[(n + half + 1) % count] - values[(n - half) % count]


@njit(**OPTIONS)
def even_out(sides, half, power):  # type: ignore[no-untyped-def]
    """Give both `sides` (2, samples) the mean power `power` and no correlation, locally.

    Each frame is multiplied by the inverse square root of the 2 x 2 covariance about it, smoothed
    twice over ``2 * half + 1`` samples on a circle.
    """
    count = sides.shape[1]
    half = min(half, (count - 1) // 2)
    raw = np.empty(count)
    once = np.empty(count)
    local = np.empty((3, count))
    for k in range(3):
        a = 1 if k == 2 else 0
        b = 0 if k == 0 else 1
        for n in range(count):
            raw[n] = sides[a, n] * sides[b, n]
        smooth_around(raw, half, once)
        smooth_around(once, half, local[k])
    for n in range(count):
        p, r, q = local[0, n], local[1, n], local[2, n]
        root = math.sqrt(max(p * q - r * r, 1e-12 * p * q))
        scale = math.sqrt(power) / (root * math.sqrt(p + q + 2.0 * root))
        x, z = sides[0, n], sides[1, n]
        sides[0, n] = scale * ((q + root) * x - r * z)
        sides[1, n] = scale * ((p + root) * z - r * x)


@njit(**OPTIONS)
def decay(sides, lead, level, step):  # type: ignore[no-untyped-def]
    """Multiply `sides` (2, samples): up to `level` within `lead` samples, then down by e^-step.

    It comes up smoothly, since on a circle the end is next to the beginning.
    """
    for n in range(sides.shape[1]):
        if n < lead:
            gain = level * math.sin(0.5 * math.pi * n / lead) ** 2
        else:
            gain = level * math.exp(-step * (n - lead))
        sides[0, n] *= gain
        sides[1, n] *= gain
