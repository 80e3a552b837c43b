"""Bending a wave at a multiple of its rate, so that new harmonics do not fold back.

The rate is doubled up to three times and halved again by linear-phase filters, sinc functions under
a Kaiser window (J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window
function", IEEE Int. Symp. Circuits and Systems, 1974; its formulas for length and shape as in A.
Oppenheim and R. Schafer, "Discrete-Time Signal Processing", pp. 475-476, after SciPy's `kaiserord`
and `kaiser_beta`, with 8 for 7.95). All but one are half-band filters, of which every second tap is
zero. The last one down is steeper: it passes 0.4535 of the rate, which is 20 kHz at 44.1 kHz, and
is silent from half the rate on, so that nothing at all folds over.
"""

from __future__ import annotations

import math

import numpy as np

from mixwright.units import Block, Floats

STOP_DB = 120.0
PASS = 0.4535
# Beyond this rate, a full-scale tone driven by 12 dB leaves nothing that is heard to fold back.
ENOUGH_HZ = 352800

Lanes = Floats  # (channels, frames)


def factor_for(rate_hz: int) -> int:
    """Return how many times the rate is worked at: 8, 4 or 2.

    >>> [factor_for(rate_hz) for rate_hz in (44100, 48000, 96000, 192000)]
    [8, 8, 4, 2]
    """
    return 2 if 2 * rate_hz >= ENOUGH_HZ else 4 if 4 * rate_hz >= ENOUGH_HZ else 8


def low_pass(pass_edge: float, stop_edge: float) -> tuple[float, Lanes, Lanes]:
    """Return the middle tap, the even and the odd taps on one side of it, nearest first.

    Edges are shares of the lower of two rates, the taps are at the higher. Edges that lie evenly
    about a half give a half-band filter, and no even taps.

    >>> middle, even, odd = low_pass(0.45, 0.55)
    >>> middle, len(even), round(float(odd.sum()), 12)
    (0.5, 0, 0.25)
    """
    width, cut = (stop_edge - pass_edge) / 2.0, (stop_edge + pass_edge) / 4.0
    length = (STOP_DB - 8.0) / (2.285 * 2.0 * math.pi * width)
    reach = math.ceil((length + 1.0) / 4.0)
    offset = np.arange(2 * reach)
    shape = np.i0(0.1102 * (STOP_DB - 8.7) * np.sqrt(1.0 - (offset / (2.0 * reach)) ** 2))
    taps = 2.0 * cut * np.sinc(2.0 * cut * offset) * shape / shape[0]
    if math.isclose(cut, 0.25):
        taps[1::2] *= 0.25 / taps[1::2].sum()
        return 0.5, np.zeros(0), taps[1::2].copy()
    taps /= taps[0] + 2.0 * taps[1:].sum()
    return float(taps[0]), taps[2::2].copy(), taps[1::2].copy()


class Oversampled:
    """Bends chunks by tanh at a multiple of the rate; it lags by `latency` whole samples."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        factor = factor_for(rate_hz)
        self._stages = [_Halving(k, channels) for k in range(int(math.log2(factor)))]
        lag = sum(stage.lag * factor // 2**k for k, stage in enumerate(self._stages))
        self.latency: int = -(-lag // factor)
        # Brings the lag to a whole number of samples of the song.
        self._wait = np.zeros((channels, self.latency * factor - lag))

    def bend(self, chunk: Block, drive: float, gain: float) -> Block:
        """Return ``gain * tanh(drive * x)`` of the next frames, a new block of the same shape."""
        from mixwright.dsp.kernels.oversampling import bend

        lanes = np.ascontiguousarray(chunk.T)
        for stage in self._stages:
            lanes = stage.up(lanes)
        bend(lanes, drive, gain)
        joined = np.concatenate([self._wait, lanes], axis=1)
        lanes, self._wait = joined[:, : lanes.shape[1]], joined[:, lanes.shape[1] :].copy()
        for stage in reversed(self._stages):
            lanes = stage.down(lanes)
        return np.ascontiguousarray(lanes.T)


class _Halving:
    """One doubling and its halving, with what both remember."""

    def __init__(self, turn: int, channels: int) -> None:
        pass_edge = PASS if turn == 0 else (1.0 - PASS) / 2**turn
        _, _, odd = low_pass(pass_edge, 1.0 - pass_edge)
        self._up_taps = 2.0 * odd
        self._down_taps = low_pass(pass_edge, 0.5 if turn == 0 else 1.0 - pass_edge)
        up, down = len(odd), len(self._down_taps[2])
        self.lag = up + down - 1  # there and back, in samples of the lower rate
        self._before = np.zeros((channels, 2 * up - 1))
        self._even = np.zeros((channels, 2 * down - 2))
        self._odd = np.zeros((channels, 2 * down - 1))

    def up(self, lanes: Lanes) -> Lanes:
        from mixwright.dsp.kernels.oversampling import double_rate

        heard = np.concatenate([self._before, lanes], axis=1)
        self._before = heard[:, lanes.shape[1] :].copy()
        out = np.empty((lanes.shape[0], 2 * lanes.shape[1]))
        double_rate(heard, self._up_taps, out)
        return out

    def down(self, lanes: Lanes) -> Lanes:
        from mixwright.dsp.kernels.oversampling import halve_rate

        frames = lanes.shape[1] // 2
        even = np.concatenate([self._even, lanes[:, ::2]], axis=1)
        odd = np.concatenate([self._odd, lanes[:, 1::2]], axis=1)
        self._even, self._odd = even[:, frames:].copy(), odd[:, frames:].copy()
        out = np.empty((lanes.shape[0], frames))
        halve_rate(even, odd, *self._down_taps, out)
        return out
