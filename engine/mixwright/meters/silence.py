"""Silence at head and tail, digital silence, and the noise floor, from the trace of a sound.

It has peak and energy by hops of 10 ms, so the answers can be given for any gain afterwards.

- *Silence* at the head and the tail is where no sample of any channel exceeds a threshold, -60 dBFS
  unless told otherwise: common practice, no standard. It is told to the hop.
- *Digital silence* is a hop in which every sample is exactly zero: single zeros are crossings.
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

from mixwright.meters.framing import grouped
from mixwright.meters.layout import PLAIN_LEFT, SAMPLE_LEFT
from mixwright.meters.loudness import sliding_mean
from mixwright.meters.trace import HOPS_PER_S, SoundTrace
from mixwright.units import Floats, db_to_gain, gain_to_db

TENTH, TENTHS_PER_WINDOW = HOPS_PER_S // 10, 4
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


def silence_of(
    trace: SoundTrace, gain: float, threshold_dbfs: float, frames: int | None
) -> SilenceReadings:
    """Return what was measured of all frames, or the first so many, as if multiplied by `gain`."""
    frames = trace.frames if frames is None else min(frames, trace.frames)
    edges = np.array([trace.edge(hop) for hop in range(len(trace.rows()) + 1)])
    begun = int(np.searchsorted(edges, frames))
    whole = begun - int(edges[begun] > frames)
    rows, edges = trace.rows()[:begun], np.minimum(edges[: begun + 1], frames)
    peaks = rows[:, SAMPLE_LEFT : SAMPLE_LEFT + 2].max(axis=1, initial=0.0) * gain
    heard = np.flatnonzero(peaks > db_to_gain(threshold_dbfs))
    head = tail = frames
    if len(heard):
        head, tail = int(edges[heard[0]]), frames - int(edges[heard[-1] + 1])
    digital = int(np.diff(edges)[peaks == 0.0].sum())
    return SilenceReadings(
        seconds=frames / trace.rate_hz,
        head_s=head / trace.rate_hz,
        tail_s=tail / trace.rate_hz,
        digital_silence=digital / max(frames, 1),
        noise_floor_dbfs=_noise_floor_dbfs(trace, rows[:whole], gain),
    )


def _noise_floor_dbfs(trace: SoundTrace, rows: Floats, gain: float) -> float | None:
    both = rows[:, PLAIN_LEFT : PLAIN_LEFT + 2].sum(axis=1)
    silent = rows[:, SAMPLE_LEFT : SAMPLE_LEFT + 2].max(axis=1, initial=0.0) == 0.0
    energies, muted = (grouped(row, TENTH).sum(axis=1) for row in (both, silent.astype(np.float64)))
    windows = sliding_mean(energies, TENTHS_PER_WINDOW)
    sounding = windows[sliding_mean(muted, TENTHS_PER_WINDOW) == 0.0]
    if not len(sounding):
        return None
    energy = float(np.quantile(sounding, FLOOR_QUANTILE, method="lower"))
    return gain_to_db(gain * math.sqrt(energy / (trace.rate_hz / 10 * trace.channels)))
