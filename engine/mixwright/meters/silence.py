"""Silence at head and tail, digital silence, and the noise floor, in one pass.

Peak and energy are kept by cells of 10 ms, so the answers can be given for any gain afterwards.

- *Silence* at the head and the tail is where no sample of any channel exceeds a threshold, -60 dBFS
  unless told otherwise: common practice, no standard. It is told to the cell.
- *Digital silence* is a cell in which every sample is exactly zero: single zeros are crossings.
- The *noise floor* is the RMS level over 400 ms (all channels together) that is exceeded 90 % of
  the time, as the background level L90 of environmental acoustics (ISO 1996-1:2016, 3.1.3, N
  percentage exceedance level), unweighted. Digital silence does not count: what is muted has no
  floor. A minimum would read the last moment of a fade; material without pauses reads its quiet
  passages.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.meters.framing import grouped
from mixwright.meters.history import History
from mixwright.meters.loudness import sliding_mean
from mixwright.units import Block, db_to_gain, gain_to_db

CELLS_PER_S = 100
CELLS_PER_HOP, HOPS_PER_WINDOW = 10, 4
THRESHOLD_DBFS = -60.0
FLOOR_QUANTILE = 0.1


@dataclass(frozen=True)
class SilenceReadings:
    """Of a signal of `seconds`; a silent one is all head and all tail.

    `digital_silence` is a share, 0 to 1. `noise_floor_dbfs` is None if there are no 400 ms without
    digital silence.
    """

    seconds: float
    head_s: float
    tail_s: float
    digital_silence: float
    noise_floor_dbfs: float | None


class SilenceMeter:
    """Fed blocks of one or two channels, any sizes.

    >>> meter = SilenceMeter(48000, 1)
    >>> meter.feed(np.concatenate([np.zeros((12000, 1)), np.full((36000, 1), 0.1)]))
    >>> readings = meter.readings()
    >>> readings.head_s, readings.tail_s, readings.digital_silence
    (0.25, 0.0, 0.25)
    >>> round(readings.noise_floor_dbfs, 2)
    -20.0
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._channels = rate_hz, channels
        self._cell = round(rate_hz / CELLS_PER_S)
        # Peak and energy of each cell, and the frames seen of the one under way; a full one is left
        # when more is fed.
        self._cells, self._phase = History(2, room=4096), 0

    def feed(self, block: Block) -> None:
        """Take a block (frames, channels)."""
        from mixwright.meters.kernels import cell_levels

        window = self._cells.window(len(block) // self._cell + 1)
        passed, self._phase = cell_levels(block, window, self._phase, self._cell)
        self._cells.advance(passed)

    def readings(
        self, gain: float = 1.0, threshold_dbfs: float = THRESHOLD_DBFS
    ) -> SilenceReadings:
        """Return what was measured, as if the signal had been multiplied by `gain`."""
        frames = self._cells.index * self._cell + self._phase
        cells = self._cells.index + (self._phase > 0)
        peaks = self._cells.rows[:cells, 0] * gain
        heard = np.flatnonzero(peaks > db_to_gain(threshold_dbfs))
        head = tail = frames
        if len(heard):
            head = int(heard[0]) * self._cell
            tail = max(frames - (int(heard[-1]) + 1) * self._cell, 0)
        lengths = np.minimum(self._cell, frames - np.arange(cells) * self._cell)
        return SilenceReadings(
            seconds=frames / self._rate_hz,
            head_s=head / self._rate_hz,
            tail_s=tail / self._rate_hz,
            digital_silence=float(lengths[peaks == 0.0].sum()) / max(frames, 1),
            noise_floor_dbfs=self._noise_floor_dbfs(peaks == 0.0, gain),
        )

    def _noise_floor_dbfs(self, silent: NDArray[np.bool_], gain: float) -> float | None:
        complete = self._cells.index + self._phase // self._cell
        energies, muted = (
            grouped(cells[:complete], CELLS_PER_HOP).sum(axis=1)
            for cells in (self._cells.rows[:, 1], silent.astype(np.float64))
        )
        windows = sliding_mean(energies, HOPS_PER_WINDOW)
        sounding = windows[sliding_mean(muted, HOPS_PER_WINDOW) == 0.0]
        if not len(sounding):
            return None
        energy = float(np.quantile(sounding, FLOOR_QUANTILE, method="lower"))
        samples = CELLS_PER_HOP * self._cell * self._channels
        return gain_to_db(gain * math.sqrt(energy / samples))
