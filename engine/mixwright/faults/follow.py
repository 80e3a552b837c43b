"""What the fault detectors keep of a track while it streams by: a few kilobytes a second.

- sums over the whole file: energies of left and right, their product, the energy of the difference;
- by cells of 10 ms: the energy of the middle (L + R)/2, the energy of its first difference (which
  weighs high frequencies), and the sums of left and right;
- the low end: the middle at about 1.5 kHz.

Cells take 3.2 kB a second and the low end 12 kB: 3.6 MB for four minutes, until the findings of the
track are made. Pairs keep :class:`Features`, 0.8 kB a second: 0.2 MB for four minutes.

The rate is lowered in two steps. The first takes 8 samples (at 48 kHz) under a smooth bump, three
boxcars folded together (E. Hogenauer, "An economical class of digital filters for decimation and
interpolation", IEEE Trans. ASSP 29(2), 1981, without its integrators, which would not keep the bits
the same): what folds back onto frequencies below 520 Hz is down by at least 60 dB, onto mains
frequencies by more than 100 dB. The second is a Kaiser-windowed low-pass that keeps 520 Hz and
stops, 80 dB down, what would fold back there.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.sinc import kaiser_sinc
from mixwright.meters.history import History
from mixwright.units import Block, Floats

CELLS_PER_S = 100
PLAIN, STEEP, LEFT_SUM, RIGHT_SUM = range(4)
MIDDLE_RATE_HZ = 6000
THINNING = 4
TAPS, KAISER_BETA = 68, 7.9
CHUNK = 65536


@dataclass(frozen=True)
class StereoSums:
    """Σ L², Σ R², Σ L R and Σ (L - R)² over all frames."""

    left: float
    right: float
    product: float
    difference: float


@dataclass(frozen=True, eq=False)
class Features:
    """What pairs of tracks are first compared by: energies by cells of 10 ms, float32.

    `plain` and `steep` are those of the middle and of its first difference. `digest` is one of
    everything that was kept in float64: where it is the same, so is the audio.
    """

    seconds: float
    plain: NDArray[np.float32]
    steep: NDArray[np.float32]
    digest: str


class TrackFollower:
    """Fed blocks of one or two channels, any sizes, at the file's own rate.

    >>> follower = TrackFollower(48000, 1)
    >>> follower.feed(np.sin(2 * np.pi * 100 / 48000 * np.arange(48000))[:, None])
    >>> follower.low_rate_hz, len(follower.cells()), round(float(follower.low_end().std()), 3)
    (1500.0, 100, 0.704)
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.rate_hz, self.channels, self.frames = rate_hz, channels, 0
        factor = max(1, rate_hz // MIDDLE_RATE_HZ)
        self._weights = _bump(factor)
        self._taps = _low_pass()
        self.low_rate_hz = rate_hz / (factor * THINNING)
        self._state, self._sums = np.zeros(6), np.zeros(4)
        self._cells = History(4, room=CELLS_PER_S * 60)
        self._waiting = np.zeros(TAPS - THINNING)
        self._low: list[Floats] = []

    def feed(self, block: Block) -> None:
        """Take a block (frames, channels)."""
        for start in range(0, len(block), CHUNK):
            self._feed(block[start : start + CHUNK])
        self.frames += len(block)

    def _feed(self, block: Block) -> None:
        from mixwright.faults.kernels import follow, thin_out

        factor = self._weights.shape[1]
        middle = np.empty(len(block) // factor + 1)
        window = self._cells.window(len(block) * CELLS_PER_S // self.rate_hz + 2)
        passed, written = follow(
            block,
            self._state,
            self._weights,
            self._sums,
            window,
            middle,
            self.rate_hz,
            CELLS_PER_S,
        )
        self._cells.advance(passed)
        line = np.concatenate([self._waiting, middle[:written]])
        out = np.empty(max(0, (len(line) - TAPS) // THINNING + 1))
        thin_out(line, self._taps, THINNING, out)
        self._waiting = line[len(out) * THINNING :]
        self._low.append(out)

    def sums(self) -> StereoSums:
        """Return the sums over everything fed so far; mono counts as left and right alike."""
        return StereoSums(*(float(value) for value in self._sums))

    def cells(self) -> Floats:
        """Return the complete cells, shape ``(n, 4)``: PLAIN, STEEP, LEFT_SUM, RIGHT_SUM."""
        return self._cells.rows[: self.frames * CELLS_PER_S // self.rate_hz]

    def low_end(self) -> Floats:
        """Return the middle at `low_rate_hz`, good up to 520 Hz; it lags by some milliseconds."""
        return np.concatenate([np.empty(0), *self._low])

    def features(self) -> Features:
        """Return what pairs need; the rest may be let go."""
        cells, digest = self.cells(), hashlib.blake2b(digest_size=16)
        for part in (self._cells.rows[: self._cells.index + 1, :2], self.low_end(), self._sums):
            digest.update(np.ascontiguousarray(part).tobytes())
        return Features(
            seconds=self.frames / self.rate_hz,
            plain=cells[:, PLAIN].astype(np.float32),
            steep=cells[:, STEEP].astype(np.float32),
            digest=digest.hexdigest(),
        )


def _bump(factor: int) -> Floats:
    """Three boxcars of `factor` samples folded together, unit gain, in three rows of `factor`."""
    box = np.full(factor, 1.0 / factor)
    bump = np.convolve(np.convolve(box, box), box)
    return np.concatenate([bump, np.zeros(2)]).reshape(3, factor)


def _low_pass() -> Floats:
    """A windowed sinc with its corner midway between what is kept and what would fold onto it."""
    corner = 0.5 / THINNING
    at = np.arange(TAPS, dtype=np.float64) - 0.5 * (TAPS - 1)
    taps = kaiser_sinc(2.0 * corner * at, corner * TAPS, KAISER_BETA)
    return np.asarray(taps / taps.sum())
