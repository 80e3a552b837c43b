"""A signal, or a figure over time, cut into stretches of one length."""

from __future__ import annotations

import numpy as np

from mixwright.units import Floats


def grouped(values: Floats, size: int) -> Floats:
    """Return whole groups of neighbours, shape ``(groups, size, ...)``; a rest is left out.

    >>> grouped(np.arange(5.0), 2).tolist()
    [[0.0, 1.0], [2.0, 3.0]]
    """
    groups = len(values) // size
    return np.asarray(values[: groups * size].reshape(groups, size, *values.shape[1:]))


def framed(values: Floats, size: int, hop: int = 1) -> Floats:
    """Return frames of `size` values, one each `hop`, shape ``(frames, size)``: a view.

    ValueError if there are fewer than `size` values.

    >>> framed(np.arange(5.0), 3, 2).tolist()
    [[0.0, 1.0, 2.0], [2.0, 3.0, 4.0]]
    """
    return np.lib.stride_tricks.sliding_window_view(values, size)[::hop]


def hann(size: int) -> Floats:
    """Return the window of J. von Hann, shape ``(size,)``, 0 at its start and as it would end.

    >>> hann(4).round(6).tolist()
    [0.0, 0.5, 1.0, 0.5]
    """
    return np.asarray(np.sin(np.pi * np.arange(size) / size) ** 2)
