"""A band that moves: one section for each of its prototypes, in a form that may change at any time.

Every second-order section is also a trapezoidal state-variable filter with outputs in the right
shares: its tuning ``g`` and damping ``k`` follow from the poles, the shares from the zeros. With g
and k above 0, whatever they do, the energy in its two integrators never grows by itself (A.
Wishnick, "Time-Varying Filters for Musical Applications", DAFx-14, 2014, proves it stable), so fast
moves neither burst nor click. Values are set every `STEP` samples of the song, and go in straight
lines between: the song decides where, not the size of a block.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from mixwright.dsp.band import BandSettings
from mixwright.dsp.contract import TAIL_DB, bounds_of
from mixwright.dsp.curve import Curve
from mixwright.dsp.filters import DESIGNS_KEPT, Sections, design_moving_band
from mixwright.units import Block, Floats

# Samples between two settings of a moving band.
STEP = 256
# On the move, designs are mixed from those at these places, so that they can be kept.
PLACES_FROM_HZ, PLACES_PER_OCTAVE = 1000.0, 24
PLACES_PER_DB = 2
NEAREST_SHARE = 1e-9
FREQ_BOUNDS = bounds_of(BandSettings)["freq_hz"]


def state_variable_rows(sections: Sections) -> Floats:
    """Return sections as rows ``g k`` and shares of input, band-pass and low-pass, shape (n, 5).

    From the gains at 0 Hz and at half the rate, and from b0 - b2.

    >>> state_variable_rows(np.array([[0.25, 0.5, 0.25, 0.0, 0.0]])).tolist()
    [[1.0, 2.0, 0.0, 0.0, 1.0]]
    """
    b0, b1, b2, a1, a2 = sections.T
    at_zero, at_top = 1.0 + a1 + a2, 1.0 - a1 + a2
    g = np.sqrt(at_zero / at_top)
    k = 2.0 * (1.0 - a2) / (at_top * g)
    through = (b0 - b1 + b2) / at_top
    band = 2.0 * (b0 - b2 - through * (1.0 - a2)) / (at_top * g)
    return np.stack([g, k, through, band, (b0 + b1 + b2) / at_zero - through], axis=1)


@lru_cache(DESIGNS_KEPT)
def _design(band: BandSettings, freq_hz: float, gain_db: float, rate_hz: int) -> Sections:
    """One section a row for each prototype of a band that rests at these values."""
    return design_moving_band(replace(band, freq_hz=freq_hz, gain_db=gain_db), rate_hz)


@lru_cache(DESIGNS_KEPT)
def _rows_of(band: BandSettings, freq_hz: float, gain_db: float, rate_hz: int) -> Floats:
    return state_variable_rows(_design(band, freq_hz, gain_db, rate_hz))


def _places(value: float, rests: bool, of: str) -> list[tuple[float, float]]:
    """Values to design for and their shares: itself at rest, on the move the kept ones about it."""
    if rests:
        return [(value, 1.0)]
    if of == "freq_hz":
        low = math.floor(PLACES_PER_OCTAVE * math.log2(value / PLACES_FROM_HZ))
        below, above = (_kept_freq_hz(low), _kept_freq_hz(low + 1))
        share = math.log(value / below) / math.log(above / below)
    else:
        below = math.floor(PLACES_PER_DB * value) / PLACES_PER_DB
        above = below + 1.0 / PLACES_PER_DB
        share = (value - below) * PLACES_PER_DB
    if share < NEAREST_SHARE:
        return [(below, 1.0)]
    return [(below, 1.0 - share), (above, share)]


def _kept_freq_hz(place: int) -> float:
    freq_hz = PLACES_FROM_HZ * 2.0 ** (place / PLACES_PER_OCTAVE)
    return float(min(max(freq_hz, FREQ_BOUNDS.low), FREQ_BOUNDS.high))


class RunningSweep:
    """A moving band at work, on the channels from `first` to `last` (not included).

    `at` is the song sample of the first frame. A curve that is None leaves the band's own value.
    """

    latency = 0

    def __init__(
        self,
        band: BandSettings,
        curves: tuple[Curve | None, Curve | None],
        rate_hz: int,
        at: int,
        lanes: range,
    ) -> None:
        freq, gain = curves
        self._band, self._rate_hz, self._at, self._lanes = band, rate_hz, at, lanes
        self._freq = freq or Curve("plain", band.freq_hz)
        self._gain = gain or Curve("plain", band.gain_db)
        count = len(self._rows(band.freq_hz, True, band.gain_db, True))
        self._state = np.zeros((count, 2, lanes.stop))

    @property
    def tail(self) -> int:
        """Samples until the slowest pole at any end of what it rides through has decayed."""
        freqs, gains = (
            {min(values), max(values)}
            for values in (_values_of(self._freq), _values_of(self._gain))
        )
        designs = [_design(self._band, f, g, self._rate_hz) for f in freqs for g in gains]
        return max(tail_of(sections) for sections in designs)

    def process(self, block: Block) -> Block:
        """Filter its channels of `block` (frames, channels) in place and return it."""
        from mixwright.dsp.kernels.sweep import run_sweep

        if len(block):
            first, last = self._at // STEP, (self._at + len(block) - 1) // STEP + 1
            points = self._points(first, last)
            phase = self._at - first * STEP
            for section, state in enumerate(self._state):
                table = np.ascontiguousarray(points[:, section])
                run_sweep(table, STEP, phase, state, block, self._lanes.start, self._lanes.stop)
            self._at += len(block)
        return block

    def _points(self, first: int, last: int) -> Floats:
        """Rows at the settings `first` to `last`, shape (settings, sections, 5)."""
        freqs, gains = (_set_values(curve, first, last) for curve in (self._freq, self._gain))
        known: dict[tuple[float, bool, float, bool], Floats] = {}
        rows = []
        for place in zip(*freqs, *gains, strict=True):
            if place not in known:
                known[place] = self._rows(*place)
            rows.append(known[place])
        return np.array(rows)

    def _rows(self, freq_hz: float, freq_rests: bool, gain_db: float, gain_rests: bool) -> Floats:
        parts = [
            freq_share * gain_share * _rows_of(self._band, freq, gain, self._rate_hz)
            for freq, freq_share in _places(freq_hz, freq_rests, "freq_hz")
            for gain, gain_share in _places(gain_db, gain_rests, "gain_db")
        ]
        return np.asarray(sum(parts[1:], start=parts[0]))


def _values_of(curve: Curve) -> list[float]:
    return [curve.initial, *(move.value for move in curve.moves)]


def _set_values(curve: Curve, first: int, last: int) -> tuple[list[float], list[bool]]:
    """The curve at the settings `first` to `last`, and whether it rests there on either side."""
    count = last - first + 3
    values = curve.values((first - 1) * STEP, (count - 1) * STEP + 1)[::STEP]
    values = np.broadcast_to(values, count)
    still = values[1:] == values[:-1]
    return values[1:-1].tolist(), (still[1:] | still[:-1]).tolist()


def tail_of(sections: Sections) -> int:
    """Samples until the slowest pole of some sections has decayed by `TAIL_DB`."""
    if not len(sections):
        return 0
    poles = [np.abs(np.roots([1.0, a1, a2])).max() for a1, a2 in sections[:, 3:]]
    slowest = min(max(poles), 1.0 - 1e-9)
    return 0 if slowest <= 0.0 else math.ceil(-TAIL_DB / (20.0 * math.log10(slowest)))
