"""Reverb: convolution with the response of a room synthesised from decay figures.

Early reflections of a rectangular room (:mod:`mixwright.dsp.early`) hand over to dense noise that
decays by octave band (:mod:`mixwright.dsp.late`) at the level and time at which the images of that
room would have become as dense. The level is set so that a send of 0 dB gives pink noise the same
K-weighted loudness wet as dry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from mixwright.dsp.contract import TAIL_DB, bounded, check_bounds
from mixwright.dsp.convolution import RunningConvolution
from mixwright.dsp.delay import Times, times_from
from mixwright.dsp.early import Room, early_response, room_for
from mixwright.dsp.late import OCTAVES_HZ, DecayBand, bands_for, factor_at, late_tail
from mixwright.dsp.response import (
    RunningRoom,
    after_silence,
    as_loud_as_dry,
    cut,
    started,
)
from mixwright.dsp.trueing import trued
from mixwright.units import Floats, db_to_gain

# Without early reflections the tail comes up within so long.
ONSET_MS = 1.5
# Responses that are remembered: as many as songs have rooms, and then some. A few MB each.
IMPULSES_KEPT = 8


@dataclass(frozen=True)
class ReverbSettings:
    """A room by its figures: time to decay by 60 dB, and factors on it by octave band.

    `pre_delay_ms` is the time from the dry sound to the first reflection. `size_m` is the longest
    side of the room; None is 16 m for each second of decay, within 2 to 60 m. `early_db` turns the
    early reflections up or down against their natural level; None leaves them out, and the tail
    begins at once. A room too large for its decay keeps what reflections fall into the first tenth
    of the decay. `later_pre_delays_ms` holds ``(from_s, ms)`` pairs where a tempo change moves the
    pre-delay.
    """

    decay_s: float = bounded(0.1, 20.0)
    pre_delay_ms: float = bounded(0.0, 500.0, default=0.0)
    decay_by_band: tuple[tuple[float, float], ...] = ()
    high_pass_hz: float | None = bounded(10.0, 2000.0, default=None)
    low_pass_hz: float | None = bounded(500.0, 22000.0, default=None)
    seed: int = bounded(0, 2**31 - 1, default=1)
    size_m: float | None = bounded(2.0, 60.0, default=None)
    early_db: float | None = bounded(-40.0, 12.0, default=0.0)
    later_pre_delays_ms: Times = ()

    def __post_init__(self) -> None:
        check_bounds(self)

    def start(self, rate_hz: int, channels: int) -> RunningConvolution | RunningRoom:
        """Return a running stereo convolution; mono input is not taken."""
        if channels != 2:
            raise ValueError("a reverb takes stereo blocks")
        response, tail = _kept_impulse(self, rate_hz), self.tail_samples(rate_hz)
        return started(response, tail, self.pre_delay_ms, self.later_pre_delays_ms, rate_hz)

    def begun_at(self, start_s: float) -> ReverbSettings:
        """Return the settings for a reverb that starts so far into the song."""
        now_ms, later = times_from(start_s, self.pre_delay_ms, self.later_pre_delays_ms)
        return replace(self, pre_delay_ms=now_ms, later_pre_delays_ms=later)

    def tail_samples(self, rate_hz: int) -> int:
        """Samples until the slowest band is `TAIL_DB` down, the longest pre-delay included."""
        slowest = max([1.0, *(factor for _, factor in self.decay_by_band)])
        ring_s = self.decay_s * slowest * TAIL_DB / 60.0
        longest_ms = max([self.pre_delay_ms, *(ms for _, ms in self.later_pre_delays_ms)])
        return math.ceil((ring_s + longest_ms / 1000.0) * rate_hz)


@lru_cache(IMPULSES_KEPT)
def _kept_impulse(settings: ReverbSettings, rate_hz: int) -> Floats:
    """The impulse response, read-only: several mixes at once have the same rooms."""
    response = synthesise_impulse(settings, rate_hz)
    response.setflags(write=False)
    return response


def synthesise_impulse(settings: ReverbSettings, rate_hz: int) -> Floats:
    """Return the impulse response, shape ``(samples, 2)``, the same bits for the same settings.

    The pre-delay is in it unless there are later ones.

    >>> synthesise_impulse(ReverbSettings(0.5), 48000).shape[1]
    2
    """
    s = settings
    decays_s = s.decay_s * factor_at(np.array(OCTAVES_HZ), s.decay_by_band)
    room = room_for(s.decay_s, s.size_m, s.decay_by_band, s.seed)
    late_s = 0.0 if s.early_db is None else room.hand_over_s
    bands = bands_for(decays_s)
    length = math.ceil(decays_s.max() * TAIL_DB / 60.0 * rate_hz)
    whole = trued(_whole(s, room, bands, length, rate_hz), decays_s, late_s, rate_hz)
    cuts = cut(_faded(whole), s.high_pass_hz, s.low_pass_hz, rate_hz)
    wait_ms = 0.0 if s.later_pre_delays_ms else s.pre_delay_ms
    return after_silence(as_loud_as_dry(cuts, rate_hz), wait_ms, rate_hz)


def _whole(
    settings: ReverbSettings, room: Room, bands: list[DecayBand], length: int, rate_hz: int
) -> Floats:
    """Early reflections and late tail, from the first reflection on."""
    if settings.early_db is None:
        tail = late_tail(bands, 0.0, rate_hz, settings.seed, length)
        onset = max(1, int(ONSET_MS * rate_hz / 1000.0))
        tail[:onset] *= (np.arange(onset) / onset)[:, None]
        return tail
    early, first_s = early_response(room, rate_hz)
    length = max(length, len(early))
    tail = late_tail(bands, first_s, rate_hz, settings.seed, length)
    tail *= math.sqrt(room.late_power(rate_hz))
    come = math.ceil(room.hand_over_s * rate_hz)
    tail[:come] *= np.sin(0.5 * np.pi * np.arange(come) / (room.hand_over_s * rate_hz))[:, None]
    tail[: len(early)] += db_to_gain(settings.early_db) * early
    return tail


def _faded(tail: Floats) -> Floats:
    count = max(1, len(tail) // 20)
    tail[-count:] *= (np.cos(0.5 * np.pi * np.arange(count) / count) ** 2)[:, None]
    return tail
