"""Downward expander and gate in the log domain: soft knee, range, hold, linked channels.

The static curve mirrors that of D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range
Compressor Design - A Tutorial and Analysis", JAES 60(6), 2012, eq. 4: what the compressor there
does above its threshold, this does below. The detector branches as theirs, with a hold in between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixwright.dsp.contract import bounded, check_bounds
from mixwright.dsp.detector import TIME_CONSTANTS, Detector, time_coefficient
from mixwright.dsp.reduction import CountedReduction
from mixwright.units import Block, ms_to_samples


@dataclass(frozen=True)
class ExpanderSettings:
    """Below the threshold, the output falls by `ratio` dB for 1 dB; at most by `range_db`.

    Attack (opening) and release (closing) are time constants, 63 % of a step in dB. Once the level
    asks for less gain than there is, the gain stays for `hold_ms` before it falls.
    `look_ahead_ms` delays the sound, so that the gate opens ahead of it; it is declared as latency.
    The hold counts from when the delayed sound has fallen: a look-ahead never closes it early.
    """

    threshold_db: float = bounded(-80.0, 0.0)
    ratio: float = bounded(1.0, 100.0, default=10.0)
    range_db: float = bounded(0.0, 80.0, default=40.0)
    attack_ms: float = bounded(0.05, 100.0, default=0.5)
    hold_ms: float = bounded(0.0, 2000.0, default=50.0)
    release_ms: float = bounded(5.0, 5000.0, default=120.0)
    knee_db: float = bounded(0.0, 40.0, default=6.0)
    detector_high_pass_hz: float | None = bounded(10.0, 2000.0, default=None)
    detector_low_pass_hz: float | None = bounded(500.0, 22000.0, default=None)
    look_ahead_ms: float = bounded(0.0, 20.0, default=0.0)

    def __post_init__(self) -> None:
        check_bounds(self)

    @property
    def settling_ms(self) -> tuple[float, float]:
        """How long a level before fades from what it does, and how long it holds on."""
        fading_ms = TIME_CONSTANTS * max(self.attack_ms, self.release_ms)
        return fading_ms, self.hold_ms

    def start(self, rate_hz: int, channels: int) -> RunningExpander:
        """Return a running expander for blocks of so many channels; it begins closed."""
        return RunningExpander(self, rate_hz, channels)


class RunningExpander(CountedReduction):
    """Detector and gain with their state; fully open, it leaves every bit alone."""

    tail = 0

    def __init__(self, settings: ExpanderSettings, rate_hz: int, channels: int) -> None:
        super().__init__()
        self._detector = Detector(
            rate_hz,
            channels,
            settings.detector_high_pass_hz,
            settings.detector_low_pass_hz,
            settings.look_ahead_ms,
        )
        self._curve = np.array(
            [
                settings.threshold_db,
                settings.ratio - 1.0,
                settings.knee_db,
                time_coefficient(settings.attack_ms, rate_hz),
                time_coefficient(settings.release_ms, rate_hz),
                settings.range_db,
                round(ms_to_samples(settings.hold_ms, rate_hz)) + self._detector.latency,
            ]
        )
        # Before the first sound there was silence, which a gate is closed to.
        self._state = np.array([settings.range_db if settings.ratio > 1.0 else 0.0, 0.0])

    @property
    def latency(self) -> int:
        """Samples by which the output lags: the look-ahead."""
        return self._detector.latency

    def process(self, block: Block, key: Block | None = None) -> Block:
        """Expand `block` in place by its own level or that of `key` (same frames)."""
        from mixwright.dsp.kernels.dynamics import run_expander

        heard = self._detector.hear(block, key)
        run_expander(block, heard, self._curve, self._state, self._counts)
        return block
