"""Delay line with fractional time, stereo spread, filtered feedback, ping-pong and ducking.

Between samples the line is read with 32 windowed-sinc taps (:mod:`mixwright.dsp.sinc`), made once
for each head: what is fed back many times is not dulled. Whole samples are exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.contract import TAIL_DB, bounded, check_bounds
from mixwright.dsp.filters import design_cuts
from mixwright.dsp.sinc import HALF, fractional_taps
from mixwright.units import Block, Floats, ms_to_samples, scratch_block

# Times in ms from a time in seconds on: (from_s, ms).
Times = tuple[tuple[float, float], ...]


def times_from(start_s: float, first_ms: float, later_ms: Times) -> tuple[float, Times]:
    """Return the time in ms at `start_s` and the later ones, counted from there.

    >>> times_from(10.0, 20.0, ((4.0, 25.0), (12.0, 30.0)))
    (25.0, ((2.0, 30.0),))
    """
    times = [(0.0, first_ms), *later_ms]
    now_ms = [ms for from_s, ms in times if from_s <= start_s][-1]
    return now_ms, tuple((from_s - start_s, ms) for from_s, ms in times if from_s > start_s)


@dataclass(frozen=True)
class DelaySettings:
    """A slap or an echo. `feedback_db` None is a single repeat.

    `later_times_ms` holds ``(from_s, time_ms)`` pairs where a tempo change moves the time.

    `ping_pong`: both sides are summed (a centred source stays as loud) and repeat left, right, left
    and so on; the loop is one, so a repeat comes every `time_ms`.

    `duck_db`: the repeats are turned down by so much while the send sounds. It sounds when its
    level (peaks that fall with 30 ms) is within 10 dB of its recent maximum (which falls with 3 s);
    20 dB under it, it does not, and in between the turning down is straight in dB. The gain follows
    with 10 ms down and 250 ms up (time constants, in dB). No level in dBFS comes into it, and
    what is fed back is not turned down.
    """

    time_ms: float = bounded(1.0, 10000.0)
    spread_ms: float = bounded(0.0, 100.0, default=0.0)
    feedback_db: float | None = bounded(-60.0, -0.5, default=None)
    high_pass_hz: float | None = bounded(10.0, 2000.0, default=None)
    low_pass_hz: float | None = bounded(500.0, 22000.0, default=None)
    later_times_ms: Times = ()
    ping_pong: bool = False
    duck_db: float | None = bounded(0.5, 30.0, default=None)

    def __post_init__(self) -> None:
        check_bounds(self)

    def start(self, rate_hz: int, channels: int) -> RunningDelay:
        """Return a running delay; the left head is early, the right late by half the spread."""
        if self.ping_pong and channels != 2:
            raise ValueError("a ping-pong delay takes stereo blocks")
        return RunningDelay(self, rate_hz, channels)

    def begun_at(self, start_s: float) -> DelaySettings:
        """Return the settings for a line that starts so far into the song."""
        now_ms, later = times_from(start_s, self.time_ms, self.later_times_ms)
        return replace(self, time_ms=now_ms, later_times_ms=later)

    def tail_samples(self, rate_hz: int) -> int:
        """Samples until the repeats are `TAIL_DB` down."""
        longest = max([self.time_ms, *(ms for _, ms in self.later_times_ms)]) + self.spread_ms
        repeats = 1 if self.feedback_db is None else 1 + math.ceil(TAIL_DB / -self.feedback_db)
        return math.ceil(ms_to_samples(longest * repeats, rate_hz))


CROSSFADE_MS = 20.0
# So many frames are read at a time, at most.
RUN = 256
# Nearer to a whole number of samples than this is that number.
EXACT_SAMPLES = 1e-6
# Ducking: dB under the recent maximum at which it is full and none; time constants in ms.
DUCK_FULL_DB, DUCK_NONE_DB = 10.0, 20.0
DUCK_LEVEL_MS, DUCK_MAXIMUM_MS = 30.0, 3000.0
DUCK_ATTACK_MS, DUCK_RELEASE_MS = 10.0, 250.0

# Whole samples, taps and whether the fraction is zero, by side.
Heads = tuple[NDArray[np.int64], Floats, NDArray[np.bool_]]
PlaceT = TypeVar("PlaceT")


class _Moves(Generic[PlaceT]):
    """Where heads stand, and from which sample on: blocks are cut there and crossfaded after."""

    def __init__(self, places: Sequence[tuple[float, PlaceT]], rate_hz: int) -> None:
        self.places = [place for _, place in places]
        self._starts = [round(from_s * rate_hz) for from_s, _ in places]
        self._now = self._before = self.places[0]
        self._fade_step = 1000.0 / (CROSSFADE_MS * rate_hz)
        self._fade, self._at, self._next = 1.0, 0, 1

    def run(
        self, block: Block, part: Callable[[Block, PlaceT, PlaceT, float, float], float]
    ) -> None:
        """Call `part` with stretches of `block` between moves; it returns how far the fade is."""
        done = 0
        while done < len(block):
            if self._next < len(self.places) and self._starts[self._next] <= self._at:
                self._before, self._now = self._now, self.places[self._next]
                self._fade, self._next = 0.0, self._next + 1
            stop = len(block)
            if self._next < len(self.places):
                stop = min(stop, done + self._starts[self._next] - self._at)
            stretch = block[done:stop]
            self._fade = part(stretch, self._now, self._before, self._fade, self._fade_step)
            self._at += stop - done
            done = stop


class _Duck:
    """How far the repeats are turned down while the send sounds."""

    def __init__(self, depth_db: float, rate_hz: int) -> None:
        times_ms = (DUCK_LEVEL_MS, DUCK_MAXIMUM_MS, DUCK_ATTACK_MS, DUCK_RELEASE_MS)
        steps = [math.exp(-1000.0 / (ms * rate_hz)) for ms in times_ms]
        self._numbers = np.array([depth_db, DUCK_FULL_DB, DUCK_NONE_DB, *steps])
        self._state = np.zeros(3)

    def gains(self, block: Block) -> Block:
        """Return the gains (frames, 1) for what comes out while `block` goes in."""
        from mixwright.dsp.kernels.delay import duck_gains

        gains = scratch_block(len(block), 1, "duck")
        duck_gains(block, gains, self._numbers, self._state)
        return gains


def _heads(samples: Floats) -> Heads:
    """Read heads for delays in samples, by side; no nearer than the taps reach."""
    samples = np.maximum(samples, float(HALF))
    nearest = np.round(samples)
    samples = np.where(np.abs(samples - nearest) < EXACT_SAMPLES, nearest, samples)
    whole = np.floor(samples)
    return whole.astype(np.int64), fractional_taps(samples - whole), samples == whole


def _samples(time_ms: float, spread_ms: float, rate_hz: int, channels: int) -> Floats:
    halves = np.array([-0.5, 0.5]) if channels == 2 else np.zeros(1)
    return np.asarray(ms_to_samples(1.0, rate_hz) * (time_ms + halves * spread_ms))


class RunningDelay:
    """The line, its read heads and the filters in its loop."""

    latency = 0

    def __init__(self, settings: DelaySettings, rate_hz: int, channels: int) -> None:
        self.tail = settings.tail_samples(rate_hz)
        times = [(0.0, settings.time_ms), *settings.later_times_ms]
        self._moves = _Moves(
            [
                (from_s, _heads(_samples(ms, settings.spread_ms, rate_hz, channels)))
                for from_s, ms in times
            ],
            rate_hz,
        )
        wholes = np.concatenate([heads[0] for heads in self._moves.places])
        # A repeat must be written before a tap reads it.
        self._run = min(int(wholes.min()) - HALF + 1, RUN)
        self._keep = int(wholes.max()) + HALF
        self._line = np.zeros((channels, 2 * self._keep + RUN))
        self._head = self._keep
        self._feedback = 0.0 if settings.feedback_db is None else 10 ** (settings.feedback_db / 20)
        self._crossed = settings.ping_pong
        self._sections = design_cuts(settings.high_pass_hz, settings.low_pass_hz, rate_hz)
        self._filter_state = np.zeros((len(self._sections), 2, channels))
        self._duck = None if settings.duck_db is None else _Duck(settings.duck_db, rate_hz)

    def process(self, block: Block, key: Block | None = None) -> Block:
        """Replace `block` by its repeats, in place.

        They are ducked while `block` sounds, or while `key` (same frames) does; without `duck_db`
        a key changes nothing.
        """
        gains = None
        if self._duck is not None:
            gains = self._duck.gains(block if key is None else key)
        self._moves.run(block, self._repeat)
        if gains is not None:
            from mixwright.dsp.kernels.delay import apply_gains

            apply_gains(block, gains)
        return block

    def _repeat(
        self, part: Block, now: Heads, before: Heads, fade: float, fade_step: float
    ) -> float:
        from mixwright.dsp.kernels.delay import run_delay

        self._head, fade = run_delay(
            part,
            self._line,
            self._head,
            self._keep,
            self._run,
            now,
            before,
            fade,
            fade_step,
            self._feedback,
            self._crossed,
            self._sections,
            self._filter_state,
        )
        return fade


class RunningPreDelay:
    """A line of whole samples, 0 or more, that moves with a crossfade."""

    latency = 0

    def __init__(self, times: Sequence[tuple[float, float]], rate_hz: int) -> None:
        whole = [(from_s, round(ms_to_samples(ms, rate_hz))) for from_s, ms in times]
        self._moves = _Moves(whole, rate_hz)
        self._keep = self.tail = max(samples for _, samples in whole)
        self._line = np.zeros((2, 2 * self._keep + RUN))
        self._head = self._keep

    def process(self, block: Block) -> Block:
        """Delay `block` (frames, 2) in place."""
        self._moves.run(block, self._shift)
        return block

    def _shift(self, part: Block, now: int, before: int, fade: float, fade_step: float) -> float:
        from mixwright.dsp.kernels.delay import run_pre_delay

        self._head, fade = run_pre_delay(
            part, self._line, self._head, self._keep, RUN, now, before, fade, fade_step
        )
        return fade
