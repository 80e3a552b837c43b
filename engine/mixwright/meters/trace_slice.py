"""Any stretch of a trace at any gain, and the figures that can be read off it."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from mixwright.meters.framing import framed, grouped
from mixwright.meters.layout import (
    CLIPPED,
    LONGEST,
    PLAIN_CROSS,
    PLAIN_LEFT,
    PLAIN_RIGHT,
    RUNS,
    SAMPLE_LEFT,
    SUM_LEFT,
    TRUE_LEFT,
    WEIGHTED_CROSS,
    WEIGHTED_LEFT,
    WEIGHTED_RIGHT,
)
from mixwright.meters.loudness import (
    BLOCK_HOPS,
    HOP_S,
    SHORT_TERM_HOPS,
    integrated_lufs,
    loudness_range_lu,
    programme,
    sliding_mean,
    to_lufs,
)
from mixwright.meters.trace import HOPS_PER_S, SoundTrace
from mixwright.units import SILENCE_DB, Floats, gain_to_db

GRID = round(HOP_S * HOPS_PER_S)  # hops of the trace in one of the gating grid
AtTime = tuple[float, float | None]  # a figure and its time in s, None for silence


class TraceSlice:
    """The hops from `first` up to `last` as if multiplied by `gain`; times are those of the whole.

    Sums come first, then series over time. `window` below is the mean over three seconds.
    """

    def __init__(self, trace: SoundTrace, first: int, last: int, gain: float = 1.0) -> None:
        self._trace, self._first, self._gain = trace, first, gain
        self._rows = trace.rows()[first:last]
        self.start = trace.edge(first)
        self.samples = min(trace.edge(last), trace.frames) - self.start
        # A last hop that is not whole can be in no window.
        self._whole = len(self._rows) - int(last > first and trace.edge(last) > trace.frames)

    def _energies(self, left: int) -> tuple[float, float, float]:
        """Return the sums of left and right squared and of left times right."""
        ll, rr, lr = self._rows[:, left : left + 3].sum(axis=0) * self._gain**2
        return float(ll), float(rr), float(lr)

    def _time(self, hop: int, sample: float = 0.0) -> float:
        return (self._trace.edge(self._first + hop) + sample) / self._trace.rate_hz

    def _highest(self, left: int) -> AtTime:
        """Return the largest of the peaks in a column and the next, whose places follow."""
        tops = self._rows[:, left : left + 2].max(axis=1, initial=0.0)
        if not tops.any():
            return 0.0, None
        hop = int(np.argmax(tops))
        return float(tops[hop]) * abs(self._gain), self._time(hop, float(self._rows[hop, left + 2]))

    @property
    def sample_peak(self) -> AtTime:
        """Its amplitude and time."""
        return self._highest(SAMPLE_LEFT)

    @property
    def true_peak(self) -> AtTime:
        """Its amplitude and time."""
        return self._highest(TRUE_LEFT)

    @property
    def clipping(self) -> tuple[int, int, int]:
        """Runs that began here, how many samples they are, and the longest."""
        runs, clipped = self._rows[:, [RUNS, CLIPPED]].sum(axis=0)
        return int(runs), int(clipped), int(self._rows[:, LONGEST].max(initial=0.0))

    @property
    def dc(self) -> tuple[float, ...]:
        """The mean of each channel, amplitude."""
        sums = self._rows[:, SUM_LEFT : SUM_LEFT + self._trace.channels].sum(axis=0)
        return tuple(float(total) * self._gain / max(self.samples, 1) for total in sums)

    @property
    def rms(self) -> float:
        """Of all channels together, amplitude."""
        left, right, _ = self._energies(PLAIN_LEFT)
        return float(np.sqrt((left + right) / (max(self.samples, 1) * self._trace.channels)))

    @property
    def correlation(self) -> float | None:
        """Of left and right; None where one of them is silent."""
        left, right, cross = self._energies(PLAIN_LEFT)
        found = _correlation(np.array([left]), np.array([right]), np.array([cross]))
        return float(found[0]) if np.isfinite(found[0]) else None

    @property
    def side_to_mid_db(self) -> float | None:
        """Power of the sides over that of the middle; None for silence."""
        left, right, cross = self._energies(PLAIN_LEFT)
        middle, sides = max(left + right + 2 * cross, 0.0), max(left + right - 2 * cross, 0.0)
        if middle <= 0.0:
            return None if sides <= 0.0 else -SILENCE_DB
        return gain_to_db(float(np.sqrt(sides / middle)))

    def _mean(self, column: int) -> Floats:
        """Return the mean of a column of sums in each whole hop."""
        hops = range(self._first, self._first + self._whole + 1)
        lengths = np.diff([self._trace.edge(hop) for hop in hops])
        return np.asarray(self._rows[: self._whole, column] * self._gain**2 / lengths)

    @cached_property
    def _weighted(self) -> tuple[Floats, Floats]:
        """Mean squares by hop, of left and right together and of their sum on both sides."""
        stereo = self._mean(WEIGHTED_LEFT) + self._mean(WEIGHTED_RIGHT)
        return stereo, np.maximum(0.5 * stereo + self._mean(WEIGHTED_CROSS), 0.0)

    def _integrated(self, hops: Floats) -> float | None:
        if len(hops) < GRID * BLOCK_HOPS:
            return None
        return integrated_lufs(grouped(hops, GRID).mean(axis=1))

    @cached_property
    def integrated_lufs(self) -> float | None:
        """Gated by itself, on a grid that begins with the stretch."""
        return self._integrated(self._weighted[0])

    @property
    def mono_loss_lu(self) -> float | None:
        """What becomes of the loudness where both sides play (L+R)/2; each gated by itself."""
        stereo, mono = self.integrated_lufs, self._integrated(self._weighted[1])
        if stereo is None or mono is None or stereo == SILENCE_DB:
            return None
        return mono - stereo

    @cached_property
    def _short_term(self) -> Floats:
        return sliding_mean(self._weighted[0], GRID * SHORT_TERM_HOPS)

    @property
    def momentary_max(self) -> tuple[float | None, float | None]:
        """Loudness of the loudest 400 ms and when they begin."""
        return self._loudest(sliding_mean(self._weighted[0], GRID * BLOCK_HOPS))

    @property
    def short_term_max(self) -> tuple[float | None, float | None]:
        """Loudness of the loudest 3 s and when they begin."""
        return self._loudest(self._short_term)

    def loudness_over_time(self, hops: int) -> Floats:
        """Return the loudness of each so many neighbouring hops; silence is -inf."""
        return np.array([to_lufs(float(ms)) for ms in sliding_mean(self._weighted[0], hops)])

    def _loudest(self, windows: Floats) -> tuple[float | None, float | None]:
        if not len(windows):
            return None, None
        hop = int(np.argmax(windows))
        level = to_lufs(float(windows[hop]))
        return level, (None if level == SILENCE_DB else self._time(hop))

    @cached_property
    def _short_term_on_grid(self) -> Floats:
        """The mean squares over 3 s, every 100 ms."""
        return self._short_term[::GRID]

    @property
    def loudness_range_lu(self) -> float | None:
        """EBU Tech 3342, followed by the 1.5 s of silence that its section 5 asks for."""
        if not len(self._short_term):
            return None
        silence = np.zeros(GRID * SHORT_TERM_HOPS // 2)
        hops = np.concatenate([self._weighted[0], silence])
        return loudness_range_lu(sliding_mean(hops, GRID * SHORT_TERM_HOPS)[::GRID])

    @cached_property
    def _programme(self) -> NDArray[np.intp]:
        """Which windows of that grid are programme."""
        return np.flatnonzero(programme(self._short_term_on_grid))

    @property
    def peaks_over_short_term_lu(self) -> Floats:
        """True peak over loudness of the same 3 s, every 100 ms of programme."""
        if not len(self._programme):
            return np.empty(0)
        tops = self._rows[: self._whole, TRUE_LEFT : TRUE_LEFT + 2].max(axis=1)
        tops = grouped(tops, GRID).max(axis=1)
        highest = framed(tops, SHORT_TERM_HOPS).max(axis=1)[self._programme] * abs(self._gain)
        loudness = self._short_term_on_grid[self._programme]
        ratios = zip(highest, loudness, strict=True)
        return np.array([gain_to_db(float(peak)) - to_lufs(float(ms)) for peak, ms in ratios])

    @property
    def worst_correlation(self) -> tuple[float | None, float | None]:
        """The least over 3 s of programme in which both sides play, and when they begin."""
        left, right, cross = (
            sliding_mean(self._mean(column), GRID * SHORT_TERM_HOPS)[::GRID][self._programme]
            for column in (PLAIN_LEFT, PLAIN_RIGHT, PLAIN_CROSS)
        )
        found = _correlation(left, right, cross)
        if not np.isfinite(found).any():
            return None, None
        place = int(np.nanargmin(found))
        return float(found[place]), self._time(int(self._programme[place]) * GRID)


def _correlation(left: Floats, right: Floats, cross: Floats) -> Floats:
    """Return the correlation of energies; NaN where one is zero."""
    both = np.sqrt(left * right)
    found = np.full(len(both), np.nan)
    found[both > 0.0] = np.clip(cross[both > 0.0] / both[both > 0.0], -1.0, 1.0)
    return found
