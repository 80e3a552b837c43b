"""Short decays made to measure: the last per cents that chance takes from a low octave.

In 50 ms the 125 Hz octave has room for a handful of independent values: however a tail is made,
what is read from it is off by 5 or 10 %. So the finished response is read the way others will read
it (ISO 3382-1: octave filter, backward integration, least squares over -5 to -35 dB), each such
octave is tilted by what is missing, and sides that happen to agree are taken apart.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.late import DECAY_60, OCTAVES_HZ
from mixwright.units import Floats

# Octaves that are read, and below which product of width and decay they are trued.
READ = range(2, 9)
TRUED_BELOW = 400.0
# So many rounds, each taking so much of what is missing and less where that overshoots. They end
# early once every reading is within 0.3 %; the best reading of all counts.
ROUNDS, SHARE, NEAR_ENOUGH = 12, 0.6, 0.003
# Sides are taken apart in the first of them only, so that the rest may settle.
PARTING_ROUNDS = 4
# Stretches in which the sides are taken apart, from the start of the late tail, in decays.
STRETCHES = (0.0, 0.1, 0.2, 0.35)
# What a filter rings ahead of the response is kept apart from its end by this.
APART_S = 0.1


def trued(response: Floats, decays_s: Floats, late_s: float, rate_hz: int) -> Floats:
    """Return `response` (samples, 2) with T30 by octave as in `decays_s`, where chance is large.

    `late_s` is when its late tail is alone: from there on the sides are made independent by octave.
    A response without such octaves is returned as it is.
    """
    from scipy import fft

    rough = [k for k in READ if decays_s[k] * OCTAVES_HZ[k] / math.sqrt(2.0) < TRUED_BELOW]
    if not rough:
        return response
    size = 2 * fft.next_fast_len(-(-(len(response) + round(APART_S * rate_hz)) // 2), real=True)
    sides = np.ascontiguousarray(response.T, dtype=np.float32)
    made = np.asarray(fft.rfft(sides, size, axis=1), dtype=np.complex64)
    spectrum = made.copy()
    octaves = [_Octave(OCTAVES_HZ[k], float(decays_s[k]), late_s, size, rate_hz) for k in rough]
    for turn in range(ROUNDS):
        off = [octave.true(spectrum, turn < PARTING_ROUNDS) for octave in octaves]
        if max(off) < NEAR_ENOUGH and turn >= 1:
            break
    for octave in octaves:
        octave.settle(spectrum)
    return np.asarray(response + fft.irfft(spectrum - made, size, axis=1).T[: len(response)])


def _octave_filter(ratio: Floats) -> NDArray[np.complex128]:
    """A Butterworth octave, 24 dB per octave, run backwards, at frequencies over its middle."""
    offset = 1j * math.sqrt(2.0) * (ratio - 1.0 / ratio)
    poles = [np.exp(1j * math.pi * (0.5 + (2 * k + 1) / 8.0)) for k in range(4)]
    return np.asarray(np.conj(1.0 / np.prod([offset - pole for pole in poles], axis=0)))


class _Octave:
    """One octave of a response, at a rate that is just enough for it."""

    def __init__(self, hz: float, asked_s: float, late_s: float, size: int, rate_hz: int) -> None:
        from scipy import fft

        share = min(1.0, 4.0 * hz / (0.5 * rate_hz))
        half = fft.next_fast_len(math.ceil(share * size / 2), real=True)
        self.bins = min(half, size // 2) + 1
        self.points = 2 * (self.bins - 1)
        self.rate = rate_hz * self.points / size
        at = np.maximum(np.arange(self.bins) * (rate_hz / size), 1e-3)
        self.heard = _octave_filter(at / hz)
        # Wide slopes, over an octave each: steep ones would ring longer than the decay.
        self.own = np.cos(0.5 * np.pi * np.clip(np.log2(at / hz), -1.0, 1.0)) ** 2
        self.seconds = np.arange(self.points) / self.rate
        self.ahead = self.points - round(0.9 * APART_S * self.rate)
        self.fall = DECAY_60 * np.minimum(self.seconds / asked_s, 1.0)
        # Nothing is changed from 75 dB down on, nor in what rings ahead.
        over = np.clip((self.seconds / asked_s - 0.75) / 0.5, 0.0, 1.0)
        self.within = np.cos(0.5 * np.pi * over) ** 2
        self.asked_s, self.late_s = asked_s, late_s
        self.share = np.full(2, SHARE)
        self.off, self.least = np.zeros(2), np.full(2, np.inf)
        self.tilt, self.best = np.zeros(2), np.zeros(2)

    def true(self, spectrum: NDArray[np.complex64], part: bool) -> float:
        """Tilt and, with `part`, take apart the two sides (2, bins) of this octave in place.

        Returns by what share the worse reading was off.
        """
        from scipy import fft

        heard = fft.irfft(spectrum[:, : self.bins] * self.heard, self.points, axis=1)
        off = np.array([self.asked_s / self._decay_s(side) - 1.0 for side in heard])
        overshot = (off * self.off < 0.0) & (np.abs(off) > 0.5 * np.abs(self.off))
        self.share = np.where(overshot, 0.5 * self.share, self.share)
        better = np.abs(off) < self.least
        self.least = np.where(better, np.abs(off), self.least)
        self.best = np.where(better, self.tilt, self.best)
        self.off = off
        more = self.share * np.clip(off, -0.2, 0.2)
        self._change(spectrum, more, self._shared(heard) if part else np.zeros((2, 1)))
        return float(np.abs(off).max())

    def settle(self, spectrum: NDArray[np.complex64]) -> None:
        """Go back to the tilt at which the reading was best."""
        self._change(spectrum, self.best - self.tilt, np.zeros((2, 1)))

    def _change(self, spectrum: NDArray[np.complex64], more: Floats, shared: Floats) -> None:
        from scipy import fft

        own = fft.irfft(spectrum[:, : self.bins] * self.own, self.points, axis=1)
        changed = (own - shared * own[::-1]) * np.exp(more[:, None] * self.fall) - own
        changed *= self.within
        spectrum[:, : self.bins] += fft.rfft(changed, axis=1)
        self.tilt = self.tilt + more

    def _shared(self, heard: Floats) -> Floats:
        """Half of what each side has of the other (2, points), by stretches of the late tail."""
        bounds = np.append(self.late_s + self.asked_s * np.array(STRETCHES), self.ahead / self.rate)
        places = np.minimum(np.round(bounds * self.rate).astype(int), self.ahead)
        found = []
        for first, last in itertools.pairwise(places):
            left, right = heard[:, first:last]
            energy = np.array([np.sum(right**2), np.sum(left**2)])
            found.append(0.5 * np.sum(left * right) / np.maximum(energy, 1e-300))
        middles = bounds[:-1] + 0.5 * self.asked_s * STRETCHES[1]
        shared = [np.interp(self.seconds, middles, side) for side in np.array(found).T]
        come = np.clip(self.seconds / self.late_s, 0.0, 1.0) if self.late_s > 0.0 else 1.0
        return np.asarray(np.stack(shared) * come)

    def _decay_s(self, heard: Floats) -> float:
        """T30 of one side; what rings ahead of the start is at the end of the circle."""
        energy = np.roll(heard, self.points - self.ahead) ** 2
        left = np.cumsum(energy[::-1])[::-1]
        level = 10.0 * np.log10(np.maximum(left / left[0], 1e-30))
        first, last = np.searchsorted(-level, [5.0, 35.0])
        at, level = np.arange(first, last) / self.rate, level[first:last]
        at -= at.mean()
        return float(-60.0 * np.sum(at * at) / np.sum(at * (level - level.mean())))
