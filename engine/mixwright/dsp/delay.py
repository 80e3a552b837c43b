"""Delay line with fractional time, stereo spread and filtered feedback."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from mixwright.dsp.contract import TAIL_DB, bounded, check_bounds
from mixwright.dsp.filters import design_pass
from mixwright.units import Block, ms_to_samples


@dataclass(frozen=True)
class DelaySettings:
    """A slap or an echo. `feedback_db` None is a single repeat.

    `later_times_ms` holds ``(from_s, time_ms)`` pairs where a tempo change moves the time.
    """

    time_ms: float = bounded(1.0, 10000.0)
    spread_ms: float = bounded(0.0, 100.0, default=0.0)
    feedback_db: float | None = bounded(-60.0, -0.5, default=None)
    high_pass_hz: float | None = bounded(10.0, 2000.0, default=None)
    low_pass_hz: float | None = bounded(500.0, 22000.0, default=None)
    later_times_ms: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        check_bounds(self)

    def start(self, rate_hz: int, channels: int) -> RunningDelay:
        """Return a running delay; the left head is early, the right late by half the spread."""
        return RunningDelay(self, rate_hz, channels)

    def begun_at(self, start_s: float) -> DelaySettings:
        """Return the settings for a line that starts so far into the song."""
        times = [(0.0, self.time_ms), *self.later_times_ms]
        now = [time_ms for from_s, time_ms in times if from_s <= start_s][-1]
        later = tuple((from_s - start_s, time_ms) for from_s, time_ms in times if from_s > start_s)
        return replace(self, time_ms=now, later_times_ms=later)

    def tail_samples(self, rate_hz: int) -> int:
        """Samples until the repeats are `TAIL_DB` down."""
        longest = max([self.time_ms, *(ms for _, ms in self.later_times_ms)]) + self.spread_ms
        repeats = 1 if self.feedback_db is None else 1 + math.ceil(TAIL_DB / -self.feedback_db)
        return math.ceil(ms_to_samples(longest * repeats, rate_hz))


CROSSFADE_MS = 20.0
MARGIN_SAMPLES = 4


class RunningDelay:
    """The line, its read heads and the filters in its loop."""

    latency = 0

    def __init__(self, settings: DelaySettings, rate_hz: int, channels: int) -> None:
        self.tail = settings.tail_samples(rate_hz)
        times = [(0.0, settings.time_ms), *settings.later_times_ms]
        self._moves = [
            (round(from_s * rate_hz), self._heads(ms, settings.spread_ms, rate_hz, channels))
            for from_s, ms in times
        ]
        longest = max(float(heads.max()) for _, heads in self._moves)
        self._line = np.zeros((math.ceil(longest) + MARGIN_SAMPLES, channels))
        self._feedback = 0.0 if settings.feedback_db is None else 10 ** (settings.feedback_db / 20)
        cuts = [
            design_pass("high_pass", settings.high_pass_hz, 12, rate_hz),
            design_pass("low_pass", settings.low_pass_hz, 12, rate_hz),
        ]
        self._sections = np.concatenate(cuts)
        self._filter_state = np.zeros((len(self._sections), 2, channels))
        self._fade_step = 1000.0 / (CROSSFADE_MS * rate_hz)
        self._head, self._fade, self._at = 0, 1.0, 0
        self._now = self._before = self._moves[0][1]
        self._next = 1

    @staticmethod
    def _heads(time_ms: float, spread_ms: float, rate_hz: int, channels: int) -> Block:
        halves = np.array([-0.5, 0.5])[:channels] if channels == 2 else np.zeros(1)
        heads = ms_to_samples(1.0, rate_hz) * (time_ms + halves * spread_ms)
        return np.asarray(np.maximum(heads, 2.0))

    def process(self, block: Block) -> Block:
        """Replace `block` by its repeats, in place."""
        from mixwright.dsp.kernels.delay import run_delay

        done = 0
        while done < len(block):
            if self._next < len(self._moves) and self._moves[self._next][0] <= self._at:
                self._before, self._now = self._now, self._moves[self._next][1]
                self._fade, self._next = 0.0, self._next + 1
            stop = len(block)
            if self._next < len(self._moves):
                stop = min(stop, done + self._moves[self._next][0] - self._at)
            self._head, self._fade = run_delay(
                block[done:stop],
                self._line,
                self._head,
                self._now,
                self._before,
                self._fade,
                self._fade_step,
                self._feedback,
                self._sections,
                self._filter_state,
            )
            self._at += stop - done
            done = stop
        return block
