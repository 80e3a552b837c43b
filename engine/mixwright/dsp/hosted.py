"""Chorus and phaser, run by pedalboard.

What was found of pedalboard 0.9.26 and is relied on, each with a test:

- `process(..., reset=False)` carries state on. Called on chunks of one size, chorus and phaser give
  the same bits as one call on the whole signal. A larger chunk than any before, another rate or
  another number of channels would start the effect anew, so that chunks are of one size here.
- It works in single precision: rounding lies near -150 dB. The untouched sound does not go through
  it; the mix is made here, in double precision, by the same linear law.
- A chunk as short as it has channels is taken for whichever layout came last: never given.
- Neither effect lags. Both start at the middle of their swing.
- The chorus swings by 10 ms each way at full depth (less at less depth) about its delay, never
  below 1 ms. Left and right swing together: it thickens, it does not widen.
- After the input ends in silence, feedback keeps going at the smallest numbers there are; that is
  cut to zeros here.
- The interpreter's lock is released while it works; one instance is one stream.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from mixwright.dsp.contract import TAIL_DB, bounded, check_bounds
from mixwright.dsp.grid import CHUNK, RunningInsert
from mixwright.units import Block


@dataclass(frozen=True)
class ChorusSettings:
    """A delayed copy whose delay swings by a sine.

    The delay is `delay_ms` plus or minus `SWING_MS` times the depth, and at least 1 ms. Feedback is
    the share of the copy that is delayed again.
    """

    rate_hz: float = bounded(0.05, 10.0, default=0.8)
    depth_percent: float = bounded(0.0, 100.0, default=25.0)
    delay_ms: float = bounded(1.0, 50.0, default=7.0)
    feedback_percent: float = bounded(0.0, 95.0, default=0.0)
    mix_percent: float = bounded(0.0, 100.0, default=50.0)

    def __post_init__(self) -> None:
        check_bounds(self)

    def start(self, rate_hz: int, channels: int) -> RunningInsert:
        """Return a running chorus for blocks of so many channels."""
        from pedalboard import Chorus

        plugin = Chorus(
            rate_hz=self.rate_hz,
            depth=self.depth_percent / 100.0,
            centre_delay_ms=self.delay_ms,
            feedback=self.feedback_percent / 100.0,
            mix=1.0,
        )
        effect = PedalboardEffect(plugin, rate_hz, self.tail_samples(rate_hz))
        return RunningInsert(effect, channels, self.mix_percent)

    def tail_samples(self, rate_hz: int) -> int:
        """Samples until the copies are `TAIL_DB` down.

        >>> ChorusSettings(delay_ms=10.0, depth_percent=0.0).tail_samples(48000)
        480
        """
        longest_ms = self.delay_ms + SWING_MS * self.depth_percent / 100.0
        return math.ceil(longest_ms * _passes(self.feedback_percent) * rate_hz / 1000.0)


@dataclass(frozen=True)
class PhaserSettings:
    """Six all-pass filters in a row, tuned together about `freq_hz` by a sine.

    Mixed with the untouched sound they cut three notches. They swing on a logarithmic scale, at
    full depth by half of the range from 20 Hz to 20 kHz each way.
    """

    rate_hz: float = bounded(0.05, 10.0, default=0.5)
    depth_percent: float = bounded(0.0, 100.0, default=50.0)
    freq_hz: float = bounded(50.0, 8000.0, default=1300.0)
    feedback_percent: float = bounded(0.0, 95.0, default=0.0)
    mix_percent: float = bounded(0.0, 100.0, default=50.0)

    def __post_init__(self) -> None:
        check_bounds(self)

    def start(self, rate_hz: int, channels: int) -> RunningInsert:
        """Return a running phaser for blocks of so many channels."""
        from pedalboard import Phaser

        plugin = Phaser(
            rate_hz=self.rate_hz,
            depth=self.depth_percent / 100.0,
            centre_frequency_hz=self.freq_hz,
            feedback=self.feedback_percent / 100.0,
            mix=1.0,
        )
        effect = PedalboardEffect(plugin, rate_hz, self.tail_samples(rate_hz))
        return RunningInsert(effect, channels, self.mix_percent)

    def tail_samples(self, rate_hz: int) -> int:
        """Samples until it is `TAIL_DB` down, at most: as if the filters stayed at their lowest.

        Six first-order all-pass filters delay what lies below f by 2 / (2 pi f) each.
        """
        height = math.log(self.freq_hz / LOWEST_HZ) / math.log(SWEEP_RATIO)
        lowest = max(0.0, height - 0.5 * self.depth_percent / 100.0)
        lowest_hz = LOWEST_HZ * float(SWEEP_RATIO**lowest)
        pass_s = 12.0 / (2.0 * math.pi * lowest_hz)
        return math.ceil(pass_s * (1 + _passes(self.feedback_percent)) * rate_hz)


SWING_MS = 10.0
LOWEST_HZ, SWEEP_RATIO = 20.0, 1000.0


def _passes(feedback_percent: float) -> int:
    """How often the sound goes round until it is `TAIL_DB` down."""
    if feedback_percent == 0.0:
        return 1
    return 1 + math.ceil(TAIL_DB / (-20.0 * math.log10(feedback_percent / 100.0)))


class PedalboardEffect:
    """One of pedalboard's own effects without latency, all wet, a chunk at a time."""

    latency = 0

    def __init__(self, plugin: Any, rate_hz: int, tail: int) -> None:
        self.tail = tail
        self._plugin = plugin
        self._rate_hz = rate_hz

    def render(self, chunk: Block) -> Block:
        """Return the effect of the next chunk (`CHUNK`, channels)."""
        heard = np.ascontiguousarray(chunk.T, dtype=np.float32)
        made = self._plugin.process(heard, self._rate_hz, buffer_size=CHUNK, reset=False)
        return np.ascontiguousarray(made.T, dtype=np.float64)
