"""True-peak limiter: look-ahead, release in dB, linked channels.

The peak of each interval between two samples is taken at 16 points (ITU-R BS.1770-5 annex 2 asks
for 4; at 16 the reading is at most 0.04 dB low), by windowed-sinc interpolators of 20, 48 and 128
taps: meters have short ones and long ones, and the highest counts. From there on:

- the reduction that brings the interval under the ceiling holds, as a sliding maximum, over the
  whole look-ahead, then fades with the release, exponentially in dB;
- two moving averages in turn smooth it, over just so long that the full reduction is reached
  `GUARD_SAMPLES` before the peak, and holds as long after it: a gain that moves while a peak passes
  can raise it again;
- what is over the ceiling is brought `MARGIN_DB` under it: for what is left of this (measured:
  0.02 dB), and for meters whose interpolators differ from these.

Of sound up to 0.9 of half the sample rate, all good interpolators read the same. Closer to it they
don't: the peak of full-band noise grows with the length of the interpolator, without a limit, and
an endless one (a Fourier transform) can read some tenths of a dB over the ceiling.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.contract import bounded, check_bounds
from mixwright.dsp.detector import time_coefficient
from mixwright.dsp.reduction import CountedReduction
from mixwright.dsp.sinc import kaiser_sinc
from mixwright.units import Block, Floats, db_to_gain, ms_to_samples

# Half the taps of each interpolator and the beta of its Kaiser window.
INTERPOLATORS = ((10, 5.0), (24, 5.0), (64, 8.0))
HALF_TAPS = 64
POINTS = 16
GUARD_SAMPLES = 8
MARGIN_DB = 0.1


@dataclass(frozen=True)
class LimiterSettings:
    """Ceiling in dBTP; release as a time constant (63 % of a step in dB); look-ahead.

    The gain comes down over the look-ahead, which is part of the latency.
    """

    ceiling_dbtp: float = bounded(-20.0, 0.0, default=-1.0)
    release_ms: float = bounded(10.0, 2000.0, default=100.0)
    look_ahead_ms: float = bounded(1.0, 20.0, default=5.0)

    def __post_init__(self) -> None:
        check_bounds(self)

    def start(self, rate_hz: int, channels: int) -> RunningLimiter:
        """Return a running limiter for blocks of so many channels."""
        return RunningLimiter(self, rate_hz, channels)


@cache
def interpolator(half_taps: int, beta: float, points: int) -> Floats:
    """Return the phases between two samples of a Kaiser-windowed sinc, each with unit gain at DC.

    >>> interpolator(16, 6.0, 4).shape
    (3, 32)
    """
    offsets = np.arange(-half_taps + 1, half_taps + 1)
    at = offsets - np.arange(1, points)[:, None] / points
    taps = kaiser_sinc(at, half_taps, beta)
    phases = np.ascontiguousarray(taps / taps.sum(axis=1, keepdims=True))
    phases.setflags(write=False)
    return phases


@cache
def _filters() -> tuple[tuple[Floats, ...], float]:
    """The kernel's filters (quarter points; all points, short and long), and the most they gain."""
    shortest, short, long = (interpolator(half, beta, POINTS) for half, beta in INTERPOLATORS)
    room = (short.shape[1] - shortest.shape[1]) // 2
    padded = np.pad(shortest, ((0, 0), (room, room)))
    transposed = (np.concatenate([padded, short]).T, long.T)
    quarters = interpolator(*INTERPOLATORS[1], 4)
    reach = max(float(np.abs(phases).sum(axis=1).max()) for phases in (shortest, short, long))
    return (quarters.copy(), *(np.ascontiguousarray(taps) for taps in transposed)), reach


class RunningLimiter(CountedReduction):
    """Peaks, gain and the sound held back; below the ceiling, every bit is left alone.

    With a key it is the key that is kept under the ceiling: the parts of a mix, each limited with
    the mix as its key, add up to the limited mix.
    """

    tail = 0

    def __init__(self, settings: LimiterSettings, rate_hz: int, channels: int) -> None:
        super().__init__()
        self._filters, reach = _filters()
        ahead = round(ms_to_samples(settings.look_ahead_ms, rate_hz))
        # An interval is known when the last tap has been reached; then the gain takes this long.
        smoothed = ahead - GUARD_SAMPLES + 1
        span = smoothed + 1 + 2 * GUARD_SAMPLES
        self.latency = HALF_TAPS + ahead
        ceiling = db_to_gain(settings.ceiling_dbtp)
        aim = ceiling * db_to_gain(-MARGIN_DB)
        release = time_coefficient(settings.release_ms, rate_hz)
        self._curve = np.array([ceiling, aim, release, reach, span, self.latency])
        self._level = np.zeros(1)
        self._window = _window(smoothed, span)
        self._before = np.zeros((max(self.latency, 2 * HALF_TAPS - 1), channels))
        self._heard_before: Block | None = None

    def process(self, block: Block, key: Block | None = None) -> Block:
        """Limit `block` in place by its own peaks or those of `key` (same frames).

        It comes out `latency` samples late; the key is not held back. A key is given for every
        block or for none.
        """
        from mixwright.dsp.kernels.limiter import run_limiter

        joined = np.concatenate([self._before, block])
        self._before = joined[len(block) :]
        heard = joined if key is None else self._joined_key(key)
        state = (self._level, self._window, self._counts)
        run_limiter(block, joined, heard, self._filters, self._curve, *state)
        return block

    def _joined_key(self, key: Block) -> Block:
        """The key with what came before it, as long as the sound with what came before it."""
        if self._heard_before is None:
            self._heard_before = np.zeros((len(self._before), key.shape[1]))
        joined = np.concatenate([self._heard_before, key])
        self._heard_before = joined[len(key) :]
        return joined


def _window(smoothed: int, span: int) -> tuple[Floats, *tuple[NDArray[np.int64], ...]]:
    """The state of a sliding maximum over `span` samples and of two averages over `smoothed`.

    In the kernel's order: values held, their places, where that ring is, sums, two rings of the
    averages, where these are.
    """
    early = (smoothed + 1) // 2
    sizes = (span + 1, 3, 2, early, smoothed + 1 - early, 2)
    return np.zeros(span + 1), *(np.zeros(size, np.int64) for size in sizes)
