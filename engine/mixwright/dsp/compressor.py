"""Feed-forward compressor in the log domain: soft knee, linked channels.

Source: D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range Compressor Design - A
Tutorial and Analysis", JAES 60(6), 2012: static curve eq. 4, smooth branching detector.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mixwright.dsp.contract import bounded, check_bounds
from mixwright.dsp.eq import RunningCascade
from mixwright.dsp.filters import design_pass
from mixwright.units import Block


@dataclass(frozen=True)
class CompressorSettings:
    """Threshold, ratio, knee in dB; attack and release are time constants (63 % of a step)."""

    threshold_db: float = bounded(-80.0, 0.0)
    ratio: float = bounded(1.0, 100.0)
    attack_ms: float = bounded(0.05, 500.0, default=10.0)
    release_ms: float = bounded(5.0, 5000.0, default=100.0)
    knee_db: float = bounded(0.0, 40.0, default=6.0)
    detector_high_pass_hz: float | None = bounded(10.0, 2000.0, default=None)

    def __post_init__(self) -> None:
        check_bounds(self)

    def start(self, rate_hz: int, channels: int) -> RunningCompressor:
        """Return a running compressor for blocks of so many channels."""
        return RunningCompressor(self, rate_hz, channels)


@dataclass(frozen=True)
class GainReduction:
    """What a compressor did: mean while it was at work, maximum, and the share of the time it was.

    At work means more than 0.1 dB of reduction.
    """

    mean_db: float
    max_db: float
    active_share: float


def static_curve_db(settings: CompressorSettings, level_db: float) -> float:
    """Return the output level in dB of a steady input level in dB (eq. 4 of the source).

    >>> static_curve_db(CompressorSettings(-20.0, 2.0, knee_db=6.0), -10.0)
    -15.0
    """
    over, knee = level_db - settings.threshold_db, settings.knee_db
    slope = 1.0 / settings.ratio - 1.0
    if 2.0 * over < -knee:
        return level_db
    if 2.0 * abs(over) <= knee and knee > 0.0:
        return level_db + slope * (over + knee / 2.0) ** 2 / (2.0 * knee)
    return level_db + slope * max(over, 0.0)


def time_coefficient(time_ms: float, rate_hz: int) -> float:
    """Return the one-pole coefficient exp(-1 / (time * rate)): 63.2 % of a step after `time`.

    >>> round(time_coefficient(10.0, 48000), 9)
    0.997918835
    """
    return math.exp(-1000.0 / (time_ms * rate_hz))


class RunningCompressor:
    """Detector and gain with their state; its level comes from the block or from a key."""

    latency = 0
    tail = 0

    def __init__(self, settings: CompressorSettings, rate_hz: int, channels: int) -> None:
        self._curve = np.array(
            [
                settings.threshold_db,
                1.0 - 1.0 / settings.ratio,
                settings.knee_db,
                time_coefficient(settings.attack_ms, rate_hz),
                time_coefficient(settings.release_ms, rate_hz),
            ]
        )
        self._state = np.zeros(4)
        self._frames = 0
        self._pass = design_pass("high_pass", settings.detector_high_pass_hz, 12, rate_hz)
        self._detector: RunningCascade | None = None

    def process(self, block: Block, key: Block | None = None) -> Block:
        """Compress `block` in place from its own level or that of `key` (same frames)."""
        from mixwright.dsp.kernels.compressor import run_compressor

        heard = block if key is None else key
        if len(self._pass):
            if self._detector is None:
                self._detector = RunningCascade(self._pass, heard.shape[1])
            heard = self._detector.process(heard.copy())
        run_compressor(block, heard, self._curve, self._state)
        self._frames += len(block)
        return block

    def forget_readings(self) -> None:
        """Count its reduction from here on; the sound is not touched."""
        self._state[1:] = 0.0
        self._frames = 0

    @property
    def reduction(self) -> GainReduction:
        """What it did since it was started, or since its readings were forgotten."""
        _, total, most, active = (float(value) for value in self._state)
        share = active / self._frames if self._frames else 0.0
        return GainReduction(total / active if active else 0.0, most, share)
