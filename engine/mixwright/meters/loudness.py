"""Loudness by ITU-R BS.1770-5: K-weighted energy in 100 ms hops, gated.

Blocks of 400 ms overlap by 75 %, so each is the mean of four hops. Short-term loudness is the mean
of thirty (EBU Tech 3341). Everything is kept as energy per hop, so memory is 16 bytes a hop and a
later change of gain can be applied exactly.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.eq import RunningCascade
from mixwright.dsp.filters import Sections, k_weighting
from mixwright.meters.history import History
from mixwright.units import FADED, SILENCE_DB, Block, Floats, db_to_power, power_to_db

HOP_S = 0.1
OFFSET_LU = -0.691
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
RANGE_PERCENTILES = (10, 95)
BLOCK_HOPS, SHORT_TERM_HOPS = 4, 30
BLOCK_S = BLOCK_HOPS * HOP_S  # what is shorter has no integrated loudness


def to_lufs(mean_square: float) -> float:
    """Return the loudness of a K-weighted mean square summed over channels; 0 is -inf."""
    return OFFSET_LU + power_to_db(mean_square)


def to_mean_square(lufs: float) -> float:
    """Return the K-weighted mean square of a loudness; the inverse of :func:`to_lufs`."""
    return db_to_power(lufs - OFFSET_LU)


def sliding_mean(hops: Floats, count: int) -> Floats:
    """Return the means of `count` neighbouring hops, shape ``(len(hops) - count + 1,)``."""
    if len(hops) < count:
        return np.empty(0)
    return np.asarray(np.convolve(hops, np.full(count, 1.0 / count), mode="valid"))


def integrated_lufs(hops: Floats) -> float:
    """Return the gated integrated loudness of mean squares per hop (BS.1770-5 eqs. 3 to 7).

    -inf when there is less than one block of 400 ms or nothing passes the gates.
    """
    blocks = sliding_mean(hops, BLOCK_HOPS)
    for gate in (ABSOLUTE_GATE_LUFS, None):
        if gate is None:
            if not len(blocks):
                break
            gate = to_lufs(float(blocks.mean())) + RELATIVE_GATE_LU
        blocks = blocks[blocks > to_mean_square(gate)]
    return to_lufs(float(blocks.mean())) if len(blocks) else SILENCE_DB


def settled(power: Floats, gate_db: float) -> NDArray[np.intp]:
    """Return which powers lie above a gate under the mean of those that do, as indices.

    The gate is drawn from the loudest down until nothing changes; `gate_db` is below 0.

    >>> settled(np.array([0.0, 1.0, 2.0, 1e-9, 1e-4]), -20.0).tolist()
    [1, 2]
    """
    kept = np.flatnonzero(power > 0.0)
    while len(kept):
        above = kept[power[kept] >= float(power[kept].mean()) * db_to_power(gate_db)]
        if len(above) == len(kept):
            break
        kept = above
    return kept


def programme(short_term: Floats) -> NDArray[np.bool_]:
    """Return which of the mean squares over 3 s are programme: neither silence nor a pause.

    The gates of EBU Tech 3342 (v4): at least -70 LUFS, then at least 20 LU below the mean energy
    of what is left. A level on the gate passes, other than in BS.1770.
    """
    loud = short_term >= to_mean_square(ABSOLUTE_GATE_LUFS)
    if not loud.any():
        return loud
    gate = to_lufs(float(short_term[loud].mean())) + RANGE_GATE_LU
    return np.asarray(loud & (short_term >= to_mean_square(gate)))


def loudness_range_lu(short_term: Floats) -> float | None:
    """Return the loudness range of mean squares over 3 s, ten or more of them a second.

    EBU Tech 3342 (v4): from the 10th to the 95th percentile of what passes the gates, by nearest
    rank. None if nothing passes.

    >>> steps = np.repeat([to_mean_square(-20.0), to_mean_square(-30.0)], 200)
    >>> round(loudness_range_lu(steps), 6)
    10.0
    """
    levels = np.sort(short_term[programme(short_term)])
    if not len(levels):
        return None
    low, high = (
        levels[math.floor((len(levels) - 1) * percent / 100.0 + 0.5)]
        for percent in RANGE_PERCENTILES
    )
    return to_lufs(float(high)) - to_lufs(float(low))


class HopEnergies:
    """Energy by hop and channel, growing as blocks arrive."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.hop = round(HOP_S * rate_hz)
        self.phase = 0
        self._energy = History(channels)

    def window(self, frames: int) -> Floats:
        """Return the hops that the next `frames` reach into, to be added to."""
        return self._energy.window(frames // self.hop + 1)

    def advance(self, hops: int, phase: int) -> None:
        """Move on by so many complete hops, `phase` samples into the one under way."""
        self._energy.advance(hops)
        self.phase = phase

    def mean_squares(self) -> Floats:
        """Return the mean square of each complete hop, summed over channels."""
        return np.asarray(self._energy.complete.sum(axis=1) / self.hop)


class LoudnessMeter:
    """Collects K-weighted hop energies from blocks of one or two channels.

    >>> meter = LoudnessMeter(48000, 1)
    >>> tone = np.sin(2 * np.pi * 997 / 48000 * np.arange(96000))[:, None]
    >>> energy = meter.feed(tone)
    >>> round(meter.integrated_lufs, 2)
    -3.01
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._sections = k_weighting(rate_hz)
        self._state = np.zeros((2, 2, channels))
        self._energies = HopEnergies(rate_hz, channels)

    def feed(self, block: Block) -> float:
        """Take a block (frames, channels); return its weighted energy, not finite if it is not."""
        from mixwright.dsp.kernels.cascade import weighted_energy

        kept = self._energies
        window = kept.window(len(block))
        hops, phase, energy = weighted_energy(
            self._sections, self._state, block, window, kept.phase, kept.hop
        )
        # After a sound that ends in digital silence the filters would ring on for ever among the
        # smallest numbers there are, where a block takes eighty times as long.
        self._state[np.abs(self._state) < FADED] = 0.0
        kept.advance(hops, phase)
        return float(energy)

    def hops(self) -> Floats:
        """Return the mean square of each complete hop, summed over channels."""
        return self._energies.mean_squares()

    @property
    def integrated_lufs(self) -> float:
        """The gated integrated loudness so far."""
        return integrated_lufs(self.hops())


class FilterLoudnessMeter:
    """The loudness of a signal before and after a filter, in one go.

    Both weighting and filter are linear and constant, so their order does not matter: the signal is
    weighted once and the filter works on the weighted signal.
    """

    def __init__(self, rate_hz: int, channels: int, sections: Sections) -> None:
        self._weighting = RunningCascade(k_weighting(rate_hz), channels)
        self._filter = RunningCascade(sections, channels)
        self._before, self._after = (HopEnergies(rate_hz, channels) for _ in range(2))

    def feed(self, block: Block) -> None:
        """Take a block (frames, channels); it is used up."""
        from mixwright.dsp.kernels.cascade import hop_energy

        for cascade, kept in ((self._weighting, self._before), (self._filter, self._after)):
            cascade.process(block)
            window = kept.window(len(block))
            kept.advance(*hop_energy(block, window, kept.phase, kept.hop))

    @property
    def before_lufs(self) -> float:
        """The gated integrated loudness of the signal itself."""
        return integrated_lufs(self._before.mean_squares())

    @property
    def after_lufs(self) -> float:
        """The gated integrated loudness of the filtered signal."""
        return integrated_lufs(self._after.mean_squares())
