"""The few conversions and conventions that every room shares.

A *Block* is a C-contiguous float64 array of shape ``(frames, channels)``; channels is 1 or 2
and is never guessed from the shape of anything else. Levels are in dB re full scale (amplitude
1.0) unless a name says otherwise; positions are in samples from the start of the song.
"""

from __future__ import annotations

import math
import threading
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
"""Numbers of any shape, which the docstring of whoever takes or gives them says."""
Block: TypeAlias = Floats

SILENCE_DB = -math.inf
# The state of a filter below this is nothing: 3,000 dB under full scale, where no sample format
# reaches. Left alone it would ring on among the smallest numbers there are, which are slow.
FADED = 1e-150


_scratch = threading.local()


def scratch_block(frames: int, channels: int, use: str) -> Block:
    """Return an array of that shape which this thread reuses; its old content is still in it.

    What passes through one buffer stays in the processor's cache. `use` keeps apart what one
    thread needs at the same time.
    """
    kept: dict[str, Block] = _scratch.__dict__
    key = f"{use}/{channels}"
    if key not in kept or len(kept[key]) < frames:
        kept[key] = np.zeros((frames, channels))
    return kept[key][:frames]


def db_to_gain(level_db: float) -> float:
    """Return the amplitude ratio of a level in dB; -inf dB is 0.0.

    >>> round(db_to_gain(-6.0206), 4)
    0.5
    """
    return 0.0 if level_db == SILENCE_DB else float(10.0 ** (level_db / 20.0))


def gain_to_db(gain: float) -> float:
    """Return the level in dB of a non-negative amplitude ratio; 0.0 is -inf dB.

    >>> round(gain_to_db(0.5), 4)
    -6.0206
    """
    return SILENCE_DB if gain <= 0.0 else 20.0 * math.log10(gain)


def db_to_power(level_db: float) -> float:
    """Return the power ratio of a level in dB; -inf dB is 0.0.

    >>> round(db_to_power(-3.0103), 4)
    0.5
    """
    return float(10.0 ** (level_db / 10.0))


def power_to_db(power: float) -> float:
    """Return the level in dB of a non-negative power ratio; 0.0 is -inf dB.

    >>> round(power_to_db(0.5), 4)
    -3.0103
    """
    return SILENCE_DB if power <= 0.0 else 10.0 * math.log10(power)


def unless_silent(level_db: float | None) -> float | None:
    """Return a level as readings have it: None for one of nothing, which arithmetic has as -inf.

    >>> unless_silent(-3.0), unless_silent(SILENCE_DB)
    (-3.0, None)
    """
    return None if level_db == SILENCE_DB else level_db


def or_silence(level_db: float | None) -> float:
    """Return a reading of a level as arithmetic has it: -inf where there is none.

    >>> or_silence(-3.0), or_silence(None)
    (-3.0, -inf)
    """
    return SILENCE_DB if level_db is None else level_db


def difference_db(level_db: float | None, other_db: float | None) -> float | None:
    """Return by how much a reading is above another; None where one of the two can't be had.

    >>> difference_db(-3.0, -9.0), difference_db(None, -9.0)
    (6.0, None)
    """
    if level_db is None or other_db is None:
        return None
    return 0.0 if level_db == other_db else level_db - other_db  # two infinite ratios are alike


def ms_to_samples(time_ms: float, rate_hz: int) -> float:
    """Return a time in milliseconds as a (fractional) count of samples.

    >>> ms_to_samples(2.5, 48000)
    120.0
    """
    return time_ms * rate_hz / 1000.0
