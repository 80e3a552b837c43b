"""Feed-forward compressor in the log domain: soft knee, peak or RMS, linked channels or not.

Source: D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range Compressor Design - A
Tutorial and Analysis", JAES 60(6), 2012: static curve eq. 4, smooth branching detector.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from mixwright.dsp.contract import bounded, check_bounds
from mixwright.dsp.detector import TIME_CONSTANTS, Detector, time_coefficient
from mixwright.dsp.reduction import CountedReduction, GainReduction
from mixwright.units import Block

__all__ = [
    "CompressorSettings",
    "GainReduction",
    "RunningCompressor",
    "time_coefficient",
]

DETECTORS = ("peak", "rms")


@dataclass(frozen=True)
class CompressorSettings:
    """Threshold, ratio, knee in dB; attack and release are time constants (63 % of a step).

    `detector`: `peak` takes each sample, `rms` the root of a mean square with the time constant
    `rms_ms` (a full-scale sine is -3.01 dB). `link_percent` 100 turns the channels down alike, by
    what the louder one asks for; 0 each by its own level. `look_ahead_ms` delays the sound, and is
    declared as latency. `mix_percent` is the share of the compressed sound against the untouched.
    """

    threshold_db: float = bounded(-80.0, 0.0)
    ratio: float = bounded(1.0, 100.0)
    attack_ms: float = bounded(0.05, 500.0, default=10.0)
    release_ms: float = bounded(5.0, 5000.0, default=100.0)
    knee_db: float = bounded(0.0, 40.0, default=6.0)
    detector_high_pass_hz: float | None = bounded(10.0, 2000.0, default=None)
    detector_low_pass_hz: float | None = bounded(500.0, 22000.0, default=None)
    detector: Literal["peak", "rms"] = "peak"
    rms_ms: float = bounded(1.0, 500.0, default=10.0)
    link_percent: float = bounded(0.0, 100.0, default=100.0)
    look_ahead_ms: float = bounded(0.0, 20.0, default=0.0)
    mix_percent: float = bounded(0.0, 100.0, default=100.0)

    def __post_init__(self) -> None:
        check_bounds(self)
        if self.detector not in DETECTORS:
            raise ValueError(f"detector is {self.detector!r}, expected one of peak, rms")

    @property
    def settling_ms(self) -> tuple[float, float]:
        """How long a level before fades from what it does, and how long from its mean square."""
        fading_ms = TIME_CONSTANTS * max(self.attack_ms, self.release_ms)
        return fading_ms, TIME_CONSTANTS * self.rms_ms if self.detector == "rms" else 0.0

    def start(self, rate_hz: int, channels: int) -> RunningCompressor:
        """Return a running compressor for blocks of so many channels."""
        return RunningCompressor(self, rate_hz, channels)


class RunningCompressor(CountedReduction):
    """Detector and gain with their state; its level comes from the block or from a key.

    Channels are linked before attack and release, so that each has one detector. A key of another
    number of channels than the block drives all of them by its loudest.
    """

    tail = 0

    def __init__(self, settings: CompressorSettings, rate_hz: int, channels: int) -> None:
        super().__init__()
        self._curve = np.array(
            [
                settings.threshold_db,
                1.0 - 1.0 / settings.ratio,
                settings.knee_db,
                time_coefficient(settings.attack_ms, rate_hz),
                time_coefficient(settings.release_ms, rate_hz),
                settings.mix_percent / 100.0,
            ]
        )
        self._link = settings.link_percent / 100.0
        self._state = np.zeros(channels)
        self._detector = Detector(
            rate_hz,
            channels,
            settings.detector_high_pass_hz,
            settings.detector_low_pass_hz,
            settings.look_ahead_ms,
            settings.rms_ms if settings.detector == "rms" else None,
        )

    @property
    def latency(self) -> int:
        """Samples by which the output lags: the look-ahead."""
        return self._detector.latency

    def process(self, block: Block, key: Block | None = None) -> Block:
        """Compress `block` in place from its own level or that of `key` (same frames)."""
        from mixwright.dsp.kernels.compressor import run_compressor
        from mixwright.dsp.kernels.dynamics import run_unlinked

        heard = self._detector.hear(block, key)
        if self._link < 1.0 and block.shape[1] == heard.shape[1] == 2:
            run_unlinked(block, heard, self._curve, self._link, self._state, self._counts)
        else:
            run_compressor(block, heard, self._curve, self._state, self._counts)
        return block
