"""Recorded rooms: convolution with an impulse response that was measured somewhere.

What a recording has around the response goes: silence, and what rings ahead, before the sound sets
in; and the tail where it has sunk into the recording's own noise. The level is set as that of a
synthesised room. The direct sound stays if the recording has one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from mixwright.dsp.contract import TAIL_DB, bounded, check_bounds
from mixwright.dsp.convolution import RunningConvolution
from mixwright.dsp.delay import Times, times_from
from mixwright.dsp.response import (
    RunningRoom,
    after_silence,
    as_loud_as_dry,
    cut,
    started,
)
from mixwright.units import Floats


@dataclass(frozen=True)
class ImpulseSettings:
    """A recorded room; `seconds` is the length of the recording.

    `pre_delay_ms` is the time from the dry sound to the onset of the recording.
    `later_pre_delays_ms` holds ``(from_s, ms)`` pairs where a tempo change moves it.
    """

    seconds: float = bounded(0.005, 30.0)
    pre_delay_ms: float = bounded(0.0, 500.0, default=0.0)
    high_pass_hz: float | None = bounded(10.0, 2000.0, default=None)
    low_pass_hz: float | None = bounded(500.0, 22000.0, default=None)
    later_pre_delays_ms: Times = ()

    def __post_init__(self) -> None:
        check_bounds(self)

    def start_with(self, samples: Floats, rate_hz: int) -> RunningConvolution | RunningRoom:
        """Return the running room of a recording ``(frames, 1 or 2)`` that is at `rate_hz`.

        ValueError if there is nothing in it or it holds something that is not a number.
        """
        response, tail = prepared_impulse(samples, self, rate_hz), self.tail_samples(rate_hz)
        return started(response, tail, self.pre_delay_ms, self.later_pre_delays_ms, rate_hz)

    def begun_at(self, start_s: float) -> ImpulseSettings:
        """Return the settings for a room that starts so far into the song."""
        now_ms, later = times_from(start_s, self.pre_delay_ms, self.later_pre_delays_ms)
        return replace(self, pre_delay_ms=now_ms, later_pre_delays_ms=later)

    def tail_samples(self, rate_hz: int) -> int:
        """Samples until the recording is over, the longest pre-delay included."""
        longest_ms = max([self.pre_delay_ms, *(ms for _, ms in self.later_pre_delays_ms)])
        return math.ceil((self.seconds + longest_ms / 1000.0) * rate_hz)


# The response sets in where it first comes within 60 dB of its peak, or out of the noise if that is
# louder: 15 dB above its RMS. A millisecond before that is kept, faded in.
ONSET_DB, ABOVE_NOISE_DB, KEPT_MS = 60.0, 15.0, 1.0
# The end of a recording is noise where the level by stretches (a fiftieth of it, at least 10 ms)
# stays within 3 dB of that of its last tenth for at least a fifth of the whole, without falling by
# more than 2 dB on the way.
STRETCHES, LEAST_STRETCH_MS, LAST_SHARE, FLOOR_DB, FLOOR_SHARE, FLOOR_FALL_DB = (
    50,
    10.0,
    0.1,
    3.0,
    0.2,
    2.0,
)
# What is left is faded out over its last twentieth, within these ms.
FADE_SHARE, LEAST_FADE_MS, MOST_FADE_MS = 0.05, 1.0, 100.0


def prepared_impulse(samples: Floats, settings: ImpulseSettings, rate_hz: int) -> Floats:
    """Return the response ``(frames, 2)`` that a recording is used as, pre-delay included.

    The pre-delay is not in it if there are later ones.

    >>> recording = np.zeros((4800, 1))
    >>> recording[1000:3000, 0] = np.exp(-np.arange(2000) / 200.0)
    >>> prepared_impulse(recording, ImpulseSettings(0.1), 48000).shape
    (1769, 2)
    """
    if samples.ndim != 2 or samples.shape[1] not in (1, 2):
        raise ValueError(f"a recording of shape {samples.shape}, expected one or two channels")
    if not np.isfinite(samples).all():
        raise ValueError("the recording holds values that are not numbers")
    if not samples.any():
        raise ValueError("the recording is silent, expected the response of a room")
    both = np.repeat(samples, 2, axis=1) if samples.shape[1] == 1 else samples
    both = both / np.abs(both).max()
    noise_db, end = _floor(both, rate_hz)
    trimmed = _trimmed(both, noise_db, end, rate_hz)
    cuts = cut(trimmed, settings.high_pass_hz, settings.low_pass_hz, rate_hz)
    wait_ms = 0.0 if settings.later_pre_delays_ms else settings.pre_delay_ms
    return after_silence(as_loud_as_dry(cuts, rate_hz), wait_ms, rate_hz)


def _floor(both: Floats, rate_hz: int) -> tuple[float, int]:
    """Level in dB of the noise in which the recording ends, and the sample from which it is that.

    Without noise at the end, -inf and the end.
    """
    stretch = max(len(both) // STRETCHES, round(LEAST_STRETCH_MS * rate_hz / 1000.0))
    count = len(both) // stretch
    if count < 20:
        return -math.inf, len(both)
    power = np.mean(both[: count * stretch].reshape(count, -1) ** 2, axis=1)
    last = float(np.mean(power[-max(2, round(LAST_SHARE * count)) :]))
    if last <= 0.0:
        return -math.inf, len(both)
    level = 10.0 * np.log10(np.maximum(power, 1e-30) / last)
    louder = np.flatnonzero(level > FLOOR_DB)
    first = int(louder[-1]) + 1 if len(louder) else 0
    rest = level[first:]
    if len(rest) < FLOOR_SHARE * count or first == 0:
        return -math.inf, len(both)
    fall_db = -float(np.polyfit(np.linspace(0.0, 1.0, len(rest)), rest, 1)[0])
    if fall_db > FLOOR_FALL_DB:
        return -math.inf, len(both)
    return 10.0 * math.log10(last), first * stretch


def _trimmed(both: Floats, noise_db: float, end: int, rate_hz: int) -> Floats:
    """The response between its onset and where it ends in noise or is `TAIL_DB` down."""
    loudest = np.abs(both).max(axis=1)
    onset_db = max(-ONSET_DB, min(noise_db + ABOVE_NOISE_DB, -20.0))
    onset = int(np.argmax(loudest >= 10.0 ** (onset_db / 20.0)))
    left = np.cumsum(np.sum(both[onset:end][::-1] ** 2, axis=1))[::-1]
    over = np.flatnonzero(left >= left[0] * 10.0 ** (-TAIL_DB / 10.0))
    end = onset + int(over[-1]) + 1
    kept = min(onset, round(KEPT_MS * rate_hz / 1000.0))
    response = np.array(both[onset - kept : end])
    response[:kept] *= (np.sin(0.5 * np.pi * np.arange(kept) / max(kept, 1)) ** 2)[:, None]
    fade_ms = min(max(FADE_SHARE * len(response) * 1000.0 / rate_hz, LEAST_FADE_MS), MOST_FADE_MS)
    fade = min(len(response) - kept - 1, round(fade_ms * rate_hz / 1000.0))
    if fade > 0:
        response[-fade:] *= (np.cos(0.5 * np.pi * np.arange(1, fade + 1) / fade) ** 2)[:, None]
    return response
