"""What a dynamics processor listens to: a block or a key, filtered, ahead of what it works on.

The level of the `rms` detector is the root of a mean square with one time constant, in the same
units as a peak (amplitude 1.0): a full-scale sine reads -3.01 dB, a square wave 0 dB.
"""

from __future__ import annotations

import math

import numpy as np

from mixwright.dsp.align import RunningAlign
from mixwright.dsp.eq import RunningCascade
from mixwright.dsp.filters import design_cuts
from mixwright.units import Block, ms_to_samples, scratch_block

# Slope of the high- and low-pass on what a detector hears.
DETECTOR_SLOPE_DB_PER_OCT = 12
# After so many time constants a level before is forgotten: e^-12 is -104 dB.
TIME_CONSTANTS = 12.0


def time_coefficient(time_ms: float, rate_hz: int) -> float:
    """Return the one-pole coefficient exp(-1 / (time * rate)): 63.2 % of a step after `time`.

    >>> round(time_coefficient(10.0, 48000), 9)
    0.997918835
    """
    return math.exp(-1000.0 / (time_ms * rate_hz))


class Detector:
    """Filters, mean square and look-ahead of a detector, with their state.

    `rms_ms` None hears the samples as they are (their absolute values are the peak level).
    `look_ahead_ms` holds the sound back, to the nearest sample: what is heard is early by as much.
    """

    def __init__(
        self,
        rate_hz: int,
        channels: int,
        high_pass_hz: float | None = None,
        low_pass_hz: float | None = None,
        look_ahead_ms: float = 0.0,
        rms_ms: float | None = None,
        slope_db_per_oct: int = DETECTOR_SLOPE_DB_PER_OCT,
    ) -> None:
        self._sections = design_cuts(high_pass_hz, low_pass_hz, rate_hz, slope_db_per_oct)
        self._smoothing = None if rms_ms is None else time_coefficient(rms_ms, rate_hz)
        self._align = RunningAlign(round(ms_to_samples(look_ahead_ms, rate_hz)), channels)
        self._filter: RunningCascade | None = None
        self._mean_square: Block | None = None

    @property
    def latency(self) -> int:
        """Samples by which the sound is held back."""
        return self._align.latency

    def hear(self, block: Block, key: Block | None) -> Block:
        """Hold `block` back in place, and return the level heard: that of `key` if there is one.

        The result may be `block` or `key` itself, and is overwritten by the next call of any
        detector in this thread.
        """
        heard = block if key is None else key
        works_in_place = len(self._sections) > 0 or self._smoothing is not None
        if works_in_place or (key is None and self.latency):
            copied = scratch_block(heard.shape[0], heard.shape[1], "heard")
            copied[:] = heard
            heard = copied
        if len(self._sections):
            if self._filter is None:
                self._filter = RunningCascade(self._sections, heard.shape[1])
            self._filter.process(heard)
        if self._smoothing is not None:
            self._take_root_mean_square(heard, self._smoothing)
        self._align.process(block)
        return heard

    def _take_root_mean_square(self, heard: Block, smoothing: float) -> None:
        from mixwright.dsp.kernels.dynamics import root_mean_square

        if self._mean_square is None:
            self._mean_square = np.zeros(heard.shape[1])
        root_mean_square(heard, smoothing, self._mean_square)
