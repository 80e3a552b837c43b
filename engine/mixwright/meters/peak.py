"""True peak by ITU-R BS.1770-5 Annex 2: four times oversampled, with a longer filter.

The filter is a Kaiser-windowed sinc with an identity phase, so the reading is never below the
sample peak (the 48-tap filter printed in the standard can be). Stretches that can't
raise the maximum are skipped: the filter gains at most the sum of its absolute taps.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from mixwright.units import Block

OVERSAMPLING = 4
HALF_TAPS = 16
KAISER_BETA = 6.0


@cache
def interpolator() -> NDArray[np.float64]:
    """Return the phases between samples, shape ``(3, 32)``, each with unit gain at DC."""
    offsets = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)
    phases = []
    for step in range(1, OVERSAMPLING):
        at = offsets - step / OVERSAMPLING
        edge = np.clip(1.0 - (at / HALF_TAPS) ** 2, 0.0, None)
        taps = np.sinc(at) * np.i0(KAISER_BETA * np.sqrt(edge))
        phases.append(taps / taps.sum())
    return np.ascontiguousarray(phases)


class TruePeakMeter:
    """Keeps the highest true peak of stereo or mono blocks; amplitude, not dB."""

    def __init__(self, channels: int) -> None:
        self._taps = interpolator()
        self._reach = float(np.abs(self._taps).sum(axis=1).max())
        self._held = np.zeros((2 * HALF_TAPS - 1, channels))
        self.sample_peak = 0.0
        self.true_peak = 0.0

    def feed(self, block: Block) -> None:
        """Take a block (frames, channels)."""
        from mixwright.meters.kernels import oversampled_peak

        joined = np.concatenate([self._held, block])
        self.sample_peak = max(self.sample_peak, float(np.abs(block).max(initial=0.0)))
        self.true_peak = max(self.true_peak, self.sample_peak)
        self.true_peak = oversampled_peak(joined, self._taps, self._reach, self.true_peak)
        self._held = joined[len(block) :]
