"""How long sound rings on, and how early to begin a part of a song for it to sound as in the whole.

Along each path the times add up: what a track's filter still rings with goes on into the return,
and that into the mix bus. Parallel paths count by the longest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.eq import EqSettings
from mixwright.dsp.inserts import InsertSettings, SaturationSettings
from mixwright.dsp.limiter import LimiterSettings
from mixwright.rendering.parts import BusPlan, ChainPlan, ReturnPlan, TrackPlan

# After so many time constants a compressor has forgotten where it was started: e^-12 is -104 dB.
TIME_CONSTANTS = 12.0
LEAST_S = 1.0
# Filters that ring longer than this after the end are cut: at 75 dB down by then, they are unheard.
LONGEST_FILTER_TAIL_S = 2.0
LONGEST_INSERT_TAIL_S = 12.0
DUCKING_MEMORY_S = 9.0


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
        inserts = max([0, *(_insert_tail(track.chain.inserts, rate_hz) for track in self.tracks)])
        inserts += max([0, *(_insert_tail(g.chain.inserts, rate_hz) for g in self.groups)])
        return filters + inserts + max([0, *(_return_tail(part, rate_hz) for part in self.returns)])

    @property
    def keeps_time(self) -> bool:
        """Whether something swings or cuts into frames from the start of the song on.

        A part of the song can then be begun nowhere else.
        """
        chains = [*(t.chain for t in self.tracks), *(g.chain for g in self.groups)]
        lists = [chain.inserts for chain in chains] + [part.inserts for part in self.returns]
        return any(not isinstance(i, SaturationSettings) for inserts in lists for i in inserts)

    @property
    def settling(self) -> int:
        """How early a part of a song is begun."""
        rate_hz = self.rate_hz
        longest_track = max(_chain_time(track.chain, rate_hz) for track in self.tracks)
        after = [0, *(_chain_time(group.chain, rate_hz) for group in self.groups)]
        after += [_return_tail(part, rate_hz) + _memory(part, rate_hz) for part in self.returns]
        along = longest_track + max(after) + _chain_time(self.mix_bus.chain, rate_hz)
        return max(along, round(LEAST_S * rate_hz))


def limiter_settling(limiter: LimiterSettings | None, rate_hz: int) -> int:
    """Return how many samples ahead a limiter is begun to work as in the whole song."""
    if limiter is None:
        return 0
    time_ms = TIME_CONSTANTS * limiter.release_ms + 2.0 * limiter.look_ahead_ms
    return math.ceil(time_ms * rate_hz / 1000.0)


def _chain_time(chain: ChainPlan, rate_hz: int) -> int:
    slow_ms = 0.0
    for part in (chain.gate, chain.compressor, chain.de_esser):
        if part is not None:
            slow_ms += TIME_CONSTANTS * max(part.attack_ms, part.release_ms)
    if chain.gate is not None:
        slow_ms += chain.gate.hold_ms
    if chain.compressor is not None and chain.compressor.detector == "rms":
        slow_ms += TIME_CONSTANTS * chain.compressor.rms_ms
    settled = _eq_tail(chain.eq, rate_hz) + math.ceil(slow_ms * rate_hz / 1000.0)
    return settled + _insert_tail(chain.inserts, rate_hz)


def _memory(part: ReturnPlan, rate_hz: int) -> int:
    """A delay that ducks goes by the loudest it has heard in the last seconds."""
    ducks = isinstance(part.effect, DelaySettings) and part.effect.duck_db is not None
    return round(DUCKING_MEMORY_S * rate_hz) if ducks else 0


def _return_tail(part: ReturnPlan, rate_hz: int) -> int:
    inserts = _insert_tail(part.inserts, rate_hz)
    return part.effect.tail_samples(rate_hz) + inserts + _eq_tail(part.eq, rate_hz)


def _insert_tail(inserts: Sequence[InsertSettings], rate_hz: int) -> int:
    ringing = sum(insert.tail_samples(rate_hz) for insert in inserts)
    return min(ringing, round(LONGEST_INSERT_TAIL_S * rate_hz))


def _eq_tail(eq: EqSettings, rate_hz: int) -> int:
    return eq.start(rate_hz, 2).tail if eq.bands else 0
