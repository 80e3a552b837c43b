"""Everything measured on the finished stereo sum, in one pass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixwright.meters.loudness import (
    HOP_S,
    SHORT_TERM_HOPS,
    LoudnessMeter,
    integrated_lufs,
    sliding_mean,
    to_lufs,
)
from mixwright.meters.peak import TruePeakMeter
from mixwright.units import Block, gain_to_db


@dataclass(frozen=True)
class MixReadings:
    """Levels of a stereo signal; `loudest_s` is the start of its loudest 3 s, None if shorter."""

    seconds: float
    sample_peak_dbfs: float
    true_peak_dbtp: float
    integrated_lufs: float
    loudest_short_term_lufs: float
    loudest_s: float | None


class MixMeter:
    """Fed stereo blocks; `readings` may ask for them at another gain, exactly."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._frames = 0
        self.loudness = LoudnessMeter(rate_hz, 2)
        self.peaks = TruePeakMeter(2)

    def feed(self, block: Block) -> float:
        """Take a block (frames, 2); return its energy, NaN if it holds one."""
        self._frames += len(block)
        self.peaks.feed(block)
        return self.loudness.feed(block)

    def readings(self, gain: float = 1.0) -> MixReadings:
        """Return what was measured, as if the signal had been multiplied by `gain`."""
        hops = self.loudness.hops() * gain**2
        short_term = sliding_mean(hops, SHORT_TERM_HOPS)
        loudest = int(np.argmax(short_term)) if len(short_term) else None
        return MixReadings(
            seconds=self._frames / self._rate_hz,
            sample_peak_dbfs=gain_to_db(self.peaks.sample_peak * gain),
            true_peak_dbtp=gain_to_db(self.peaks.true_peak * gain),
            integrated_lufs=integrated_lufs(hops),
            loudest_short_term_lufs=to_lufs(0.0 if loudest is None else float(short_term[loudest])),
            loudest_s=None if loudest is None else round(loudest * HOP_S, 3),
        )
