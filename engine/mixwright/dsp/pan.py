"""Where a track sits: the constant-power pan law, stereo balance and width.

Mono: sin/cos law, -3.01 dB at the centre, L^2 + R^2 = 1 everywhere. Stereo: a balance by the same
law, normalised to 0 dB at the centre and never above it. Width scales the side signal: 0 is mono,
100 as recorded, 200 doubles it; the mono sum stays the same (all common practice).
"""

from __future__ import annotations

import numpy as np

from mixwright.units import Floats


def pan_gains(pan: Floats) -> tuple[Floats, Floats]:
    """Return left and right gains of a mono source for pan -100 (left) .. +100 (right).

    >>> left, right = pan_gains(np.array([-50.0]))
    >>> round(float(left[0]), 6), round(float(right[0]), 6)
    (0.92388, 0.382683)
    """
    angle = (pan + 100.0) / 200.0 * (0.5 * np.pi)
    # The ends are set outright: cos(pi/2) is not quite 0 in floating point.
    left = np.where(pan >= 100.0, 0.0, np.cos(angle))
    right = np.where(pan <= -100.0, 0.0, np.sin(angle))
    return left, right


def balance_gains(pan: Floats) -> tuple[Floats, Floats]:
    """Return left and right gains of a stereo source: 1 at the centre, the far side falls."""
    left, right = pan_gains(pan)
    root2 = np.sqrt(2.0)
    gain_left = np.where(pan <= 0.0, 1.0, np.minimum(1.0, root2 * left))
    gain_right = np.where(pan >= 0.0, 1.0, np.minimum(1.0, root2 * right))
    return gain_left, gain_right


def width_matrix(width_percent: float) -> Floats:
    """Return the ``(2, 2)`` matrix, rows are inputs, that scales the side signal.

    >>> width_matrix(0.0).tolist()
    [[0.5, 0.5], [0.5, 0.5]]
    """
    side = width_percent / 100.0
    near, far = 0.5 * (1.0 + side), 0.5 * (1.0 - side)
    return np.array([[near, far], [far, near]])
