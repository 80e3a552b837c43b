"""De-esser: a compressor that hears and turns down only the band above a frequency.

What turns the band down is a first-order high shelf that moves: low + g high, where low and high
add up to the input. Their crossover sinks with sqrt(g): so the shelf reaches half of the reduction
in dB at `freq_hz`, and nearly all of it far above. With a crossover that stays, it could never take
more than 3 dB away at `freq_hz`. Gain computer and detector: D. Giannoulis, M. Massberg,
J. D. Reiss, "Digital Dynamic Range Compressor Design - A Tutorial and Analysis", JAES 60(6), 2012.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mixwright.dsp.contract import TAIL_DB, bounded, check_bounds
from mixwright.dsp.detector import TIME_CONSTANTS, Detector, time_coefficient
from mixwright.dsp.reduction import CountedReduction
from mixwright.units import Block, db_to_gain

# Steep enough that a voice below the frequency is not heard, in dB per octave.
BAND_SLOPE_DB_PER_OCT = 24


@dataclass(frozen=True)
class DeEsserSettings:
    """Threshold and ratio of the band above `freq_hz`; it is turned down by at most `range_db`.

    Attack and release are time constants, 63 % of a step of reduction in dB.
    """

    threshold_db: float = bounded(-80.0, 0.0)
    freq_hz: float = bounded(2000.0, 12000.0, default=6000.0)
    ratio: float = bounded(1.0, 20.0, default=4.0)
    range_db: float = bounded(0.0, 30.0, default=12.0)
    attack_ms: float = bounded(0.05, 50.0, default=0.5)
    release_ms: float = bounded(5.0, 500.0, default=40.0)
    knee_db: float = bounded(0.0, 40.0, default=6.0)

    def __post_init__(self) -> None:
        check_bounds(self)

    @property
    def settling_ms(self) -> tuple[float, float]:
        """How long a level before fades from what it does, and how long it holds on."""
        fading_ms = TIME_CONSTANTS * max(self.attack_ms, self.release_ms)
        return fading_ms, 0.0

    def start(self, rate_hz: int, channels: int) -> RunningDeEsser:
        """Return a running de-esser for blocks of so many channels."""
        return RunningDeEsser(self, rate_hz, channels)


class RunningDeEsser(CountedReduction):
    """Detector and shelf with their state; while nothing is reduced, every bit is left alone.

    Its level comes from the block or from a key; the shelf moves alike in all channels.
    """

    latency = 0

    def __init__(self, settings: DeEsserSettings, rate_hz: int, channels: int) -> None:
        super().__init__()
        middle = math.tan(math.pi * settings.freq_hz / rate_hz)
        self._curve = np.array(
            [
                settings.threshold_db,
                1.0 - 1.0 / settings.ratio,
                settings.knee_db,
                time_coefficient(settings.attack_ms, rate_hz),
                time_coefficient(settings.release_ms, rate_hz),
                settings.range_db,
                middle,
            ]
        )
        self._detector = Detector(
            rate_hz, channels, settings.freq_hz, slope_db_per_oct=BAND_SLOPE_DB_PER_OCT
        )
        self._state, self._lows = np.zeros(1), np.zeros(channels)
        corners = (middle, middle * db_to_gain(-settings.range_db / 2.0))
        slowest = max(abs((1.0 - corner) / (1.0 + corner)) for corner in corners)
        self.tail = 0 if slowest == 0.0 else math.ceil(-TAIL_DB / (20.0 * math.log10(slowest)))

    def process(self, block: Block, key: Block | None = None) -> Block:
        """Turn the band of `block` down in place where it, or that of `key` (same frames), is loud.

        A key is given for every block or for none.
        """
        from mixwright.dsp.kernels.dynamics import run_de_esser

        heard = self._detector.hear(block, key)
        run_de_esser(block, heard, self._curve, self._state, self._lows, self._counts)
        return block
