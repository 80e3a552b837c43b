"""Compiled loops of the meters."""

from __future__ import annotations

import numpy as np
from numba import njit

STRETCH = 256


@njit(nogil=True, cache=True, fastmath={"contract"}, error_model="numpy")
def oversampled_peak(joined, taps, reach, peak):  # type: ignore[no-untyped-def]
    """Return the larger of `peak` and the largest interpolated amplitude in `joined`.

    The loop over samples is the inner one: it vectorises without changing the order of sums.
    """
    width = taps.shape[1]
    last = joined.shape[0] - width + 1
    line = np.empty(STRETCH + width)
    total = np.empty(STRETCH)
    for c in range(joined.shape[1]):
        for start in range(0, last, STRETCH):
            count = min(STRETCH, last - start)
            local = 0.0
            for n in range(count + width - 1):
                line[n] = joined[start + n, c]
                local = max(local, abs(line[n]))
            if local * reach <= peak:
                continue
            for p in range(taps.shape[0]):
                total[:] = 0.0
                for k in range(width):
                    tap = taps[p, k]
                    for n in range(count):
                        total[n] += tap * line[n + k]
                for n in range(count):
                    peak = max(peak, abs(total[n]))
    return peak
