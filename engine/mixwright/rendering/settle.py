"""How long sound rings on, and how early to begin a part of a song for it to sound as in the whole.

Along each path the times add up: what a track's filter still rings with goes on into the return,
and that into the mix bus. Parallel paths count by the longest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from mixwright.dsp.eq import EqSettings
from mixwright.rendering.parts import BusPlan, ChainPlan, ReturnPlan, TrackPlan

# After so many time constants a compressor has forgotten where it was started: e^-12 is -104 dB.
TIME_CONSTANTS = 12.0
LEAST_S = 1.0
# Filters that ring longer than this after the end are cut: at 75 dB down by then, they are unheard.
LONGEST_FILTER_TAIL_S = 2.0


@dataclass(frozen=True)
class Paths:
    """Everything sound runs through; both times are in samples."""

    tracks: Sequence[TrackPlan]
    groups: Sequence[BusPlan]
    returns: Sequence[ReturnPlan]
    mix_bus: BusPlan
    rate_hz: int

    @property
    def ring_out(self) -> int:
        """How long after the end of the song something is still heard."""
        rate_hz = self.rate_hz
        filters = max([0, *(_eq_tail(track.chain.eq, rate_hz) for track in self.tracks)])
        filters += max([0, *(_eq_tail(group.chain.eq, rate_hz) for group in self.groups)])
        filters += _eq_tail(self.mix_bus.chain.eq, rate_hz)
        filters = min(filters, round(LONGEST_FILTER_TAIL_S * rate_hz))
        return filters + max([0, *(_return_tail(part, rate_hz) for part in self.returns)])

    @property
    def settling(self) -> int:
        """How early a part of a song is begun."""
        rate_hz = self.rate_hz
        longest_track = max(_chain_time(track.chain, rate_hz) for track in self.tracks)
        after = [0, *(_chain_time(group.chain, rate_hz) for group in self.groups)]
        after += [_return_tail(part, rate_hz) for part in self.returns]
        along = longest_track + max(after) + _chain_time(self.mix_bus.chain, rate_hz)
        return max(along, round(LEAST_S * rate_hz))


def _chain_time(chain: ChainPlan, rate_hz: int) -> int:
    compressor = chain.compressor
    slowest_ms = 0.0
    if compressor is not None:
        slowest_ms = max(compressor.attack_ms, compressor.release_ms)
    return _eq_tail(chain.eq, rate_hz) + math.ceil(TIME_CONSTANTS * slowest_ms * rate_hz / 1000.0)


def _return_tail(part: ReturnPlan, rate_hz: int) -> int:
    return part.effect.tail_samples(rate_hz) + _eq_tail(part.eq, rate_hz)


def _eq_tail(eq: EqSettings, rate_hz: int) -> int:
    return eq.start(rate_hz, 2).tail if eq.bands else 0
