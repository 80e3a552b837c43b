"""How long sound rings on, and how early to begin a part of a song for it to sound as in the whole.

Along each path the times add up: what a track's filter still rings with goes on into the return,
and that into the mix bus. Parallel paths count by the longest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from mixwright.dsp.detector import TIME_CONSTANTS
from mixwright.dsp.limiter import LimiterSettings
from mixwright.rendering.parts import BusPlan, ChainPlan, TrackPlan
from mixwright.rendering.stages import Stage

LEAST_S = 1.0
# Filters that ring longer than this after the end are cut: at 75 dB down by then, they are unheard.
LONGEST_FILTER_TAIL_S = 2.0


@dataclass(frozen=True)
class Paths:
    """Everything sound runs through; both times are in samples."""

    tracks: Sequence[TrackPlan]
    groups: Sequence[BusPlan]
    returns: Sequence[BusPlan]
    mix_bus: BusPlan
    rate_hz: int

    @property
    def ring_out(self) -> int:
        """How long after the end of the song something is still heard."""
        rate_hz = self.rate_hz
        chains = [[t.chain for t in self.tracks], [g.chain for g in self.groups]]
        filters = rest = 0
        for parallel in (*chains, [self.mix_bus.chain]):
            filters += max([0, *(_tail(one.as_far_as("eq").stages, rate_hz) for one in parallel)])
            rest += max([0, *(_tail(one.after_eq, rate_hz) for one in parallel)])
        filters = min(filters, round(LONGEST_FILTER_TAIL_S * rate_hz))
        return filters + rest + max([0, *(_tail(r.chain.stages, rate_hz) for r in self.returns)])

    @property
    def keeps_time(self) -> bool:
        """Whether something swings or cuts into frames from the start of the song on.

        A part of the song can then be begun nowhere else.
        """
        buses = (*self.groups, *self.returns, self.mix_bus)
        chains = [*(track.chain for track in self.tracks), *(bus.chain for bus in buses)]
        return any(stage.keeps_time for chain in chains for stage in chain.stages)

    @property
    def settling(self) -> int:
        """How early a part of a song is begun."""
        rate_hz = self.rate_hz
        longest_track = max(_chain_time(track.chain, rate_hz) for track in self.tracks)
        buses = (*self.groups, *self.returns)
        after = [0, *(_chain_time(bus.chain, rate_hz) for bus in buses)]
        along = longest_track + max(after) + _chain_time(self.mix_bus.chain, rate_hz)
        return max(along, round(LEAST_S * rate_hz))


def limiter_settling(limiter: LimiterSettings | None, rate_hz: int) -> int:
    """Return how many samples ahead a limiter is begun to work as in the whole song."""
    if limiter is None:
        return 0
    time_ms = TIME_CONSTANTS * limiter.release_ms + 2.0 * limiter.look_ahead_ms
    return math.ceil(time_ms * rate_hz / 1000.0)


def _chain_time(chain: ChainPlan, rate_hz: int) -> int:
    settling_ms = [stage.settling_ms for stage in chain.stages]
    slow_ms = 0.0
    for time_ms in (*(fading for fading, _ in settling_ms), *(held for _, held in settling_ms)):
        slow_ms += time_ms  # one by one, as sum() would round otherwise from one Python to another
    return _tail(chain.stages, rate_hz) + math.ceil(slow_ms * rate_hz / 1000.0)


def _tail(stages: Sequence[Stage], rate_hz: int) -> int:
    return sum(stage.tail(rate_hz) for stage in stages)
