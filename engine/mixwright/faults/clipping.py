"""Clipping: flat tops at the extreme of a file, also where it was turned down afterwards.

A clipped signal runs into a ceiling, stays there for some samples and leaves it: three or more
equal samples at the highest (or lowest) value of the file, entered and left in a step that a smooth
top of that length could not make. Told apart are

- *smooth tops* in coarse steps: within `same` of its top, a parabola that holds three samples
  drops by no more than four times `same` to the next one, so drops of more than six are asked for,
  of whatever step the samples near the top really come in (16 bits inside 24);
- *square waves*, which lie at their extreme by design: they come and go in one jump of the order
  of the whole swing, or hardly a loud sample lies anywhere else;
- *held* signals, a low rate repeated: they stand still below the extreme as often as at it.

Flat tops do not survive a change of sample rate, a filter or lossy coding: feed the samples as they
are in the file.
"""

from __future__ import annotations

import math

import numpy as np

from mixwright.faults.findings import Clipped, TrackName
from mixwright.units import Block, Floats, gain_to_db

DROP_BINS = 48
# How many samples after the extreme are looked at to tell what kind of signal it is.
LOOK = 64
# A jump by this much of the extreme or more is one of a square wave.
ALL_OF_IT = 0.7
# What is kept of one side of one channel: the extreme so far and the two samples before; of the run
# at the extreme under way its length and start, and the drop to one and to two samples before it;
# of a run just ended its length and the sample after it; the equal samples elsewhere under way; how
# much longer to look, and counts while looking: equal runs elsewhere, samples at the extreme and
# above half of it; the common divisor of the steps between neighbours up there, and how many
# larger ones have agreed with it since it was found.
EXTREME, BEFORE, EARLIER, RUN, START, DROP, DEEP_DROP, ENDED, AFTER, EQUAL = range(10)
LOOKING, HELD, AT_EXTREME, LOUD, STEP, AGREEING, CLIP_COLUMNS = range(10, 17)

UNKNOWN_BITS = 24
STEPS_OF_A_SMOOTH_TOP = 6.0
ALL_AT_EXTREME = 0.95
COARSE_BITS, COARSE, ENOUGH_STEPS = 16, 24.0, 16
# Where some runs are entered and left in steps, those that chance made smooth count as well.
MOST_OF_THEM = 0.25
# A single flat run of three can happen; less than this is not worth a word.
LEAST_RUNS, LEAST_LONGEST = 2, 8
MANY_RUNS, LONG_RUN = 10, 8


class ClipMeter:
    """Fed blocks of a file at its own rate; `bits` is its resolution, None if it is not known.

    >>> meter = ClipMeter(48000, 1, bits=16)
    >>> tone = np.clip(np.sin(np.arange(4800) * 0.13), -0.8, 0.8)
    >>> meter.feed(np.round(tone * 32768.0)[:, None] / 32768.0)
    >>> found = meter.finding("snare")
    >>> found.runs, found.longest_samples, round(found.level_dbfs, 2)
    (198, 10, -1.94)
    """

    def __init__(self, rate_hz: int, channels: int, bits: int | None = None) -> None:
        self._rate_hz = rate_hz
        # "Within one step": half of one more, so that rounding to double does not decide.
        self._bits = min(bits or UNKNOWN_BITS, UNKNOWN_BITS)
        self._same = 1.5 * 2.0 ** (1 - self._bits)
        self._at = 0
        self._states = np.zeros((channels, 2, CLIP_COLUMNS))
        self._states[:, :, STEP] = math.inf
        self._runs = np.zeros((channels, 2, DROP_BINS, 3))

    def feed(self, block: Block) -> None:
        """Take a block (frames, channels)."""
        from mixwright.faults.kernels import scan_clips

        block = np.ascontiguousarray(block)
        scan_clips(block, self._at, self._same, self._states, self._runs)
        self._at += len(block)

    def finding(self, track: TrackName) -> Clipped | None:
        """Return what was found in everything fed so far."""
        pairs = zip(
            self._states.reshape(-1, CLIP_COLUMNS),
            self._runs.reshape(-1, DROP_BINS, 3),
            strict=True,
        )
        sides = [(state[EXTREME], self._clipped(state, runs)) for state, runs in pairs]
        sides = [side for side in sides if len(side[1])]
        if not sides:
            return None
        bins = np.concatenate([counted for _, counted in sides])
        runs, longest = int(bins[:, 0].sum()), int(bins[:, 1].max())
        if runs < LEAST_RUNS and longest < LEAST_LONGEST:
            return None
        first_s = float(bins[:, 2].min()) / self._rate_hz
        level_dbfs = gain_to_db(float(max(extreme for extreme, _ in sides)))
        before = "" if level_dbfs > -0.1 else ", before it was turned down"
        times = "once" if runs == 1 else f"{runs} times"
        return Clipped(
            track=track,
            severity="fault" if runs >= MANY_RUNS or longest >= LONG_RUN else "look",
            message=f"clipped {times} at {level_dbfs:.1f} dBFS{before}, first at {first_s:.2f} s, "
            f"for up to {longest} samples",
            runs=runs,
            longest_samples=longest,
            first_s=first_s,
            level_dbfs=level_dbfs,
        )

    def _clipped(self, state: Floats, runs: Floats) -> Floats:
        """The counts of one side that stand for clipping, shape ``(n, 3)``."""
        found = runs[1:]
        octaves = np.arange(1, DROP_BINS)
        # The lower edge of each octave of drops; those from bin 0 are jumps of a square wave.
        drops = state[EXTREME] * 2.0**-octaves
        step = self._step(state)
        chosen = found[(drops >= STEPS_OF_A_SMOOTH_TOP * step) & (found[:, 0] > 0)]
        number = chosen[:, 0].sum()
        # The way down from the extreme was counted, not the way up to it: it counts twice.
        loud = 2.0 * state[LOUD] - state[AT_EXTREME]
        square = state[AT_EXTREME] >= ALL_AT_EXTREME * loud or runs[0, 0] > number
        held = state[HELD] >= number
        if square or held or number < MOST_OF_THEM * runs[:, 0].sum():
            return np.empty((0, 3))
        return np.asarray(runs[runs[:, 0] > 0])

    def _step(self, state: Floats) -> float:
        """The step that the samples near the top come in, if it is coarser than the file's."""
        coarse = (
            self._bits > COARSE_BITS
            and COARSE * self._same < state[STEP] < math.inf
            and state[AGREEING] >= ENOUGH_STEPS
        )
        return float(state[STEP]) if coarse else self._same
