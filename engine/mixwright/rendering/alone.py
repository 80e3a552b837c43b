"""One track or group by itself: the plan of what it is where it reaches the bus.

A track is heard after its fader and pan, with no group, returns or mix bus; a group with its
tracks, after its own gain.
"""

from __future__ import annotations

from dataclasses import replace

from mixwright.rendering.parts import PLAIN_BUS, TrackPlan
from mixwright.rendering.plan import Plan, key_only


def alone(plan: Plan, name: str) -> Plan:
    """Return a plan of one track or group as it reaches the bus, and of nothing else."""
    groups = tuple(group for group in plan.groups if group.name == name)
    own = [t for t in plan.tracks if (t.group == name if groups else t.name == name)]
    chains = [t.chain for t in own] + [group.chain for group in groups]
    keys = {key for chain in chains for key in chain.keys}
    tracks = (_apart(track, track in own, name if groups else None, keys) for track in plan.tracks)
    return replace(
        plan,
        tracks=tuple(track for track in tracks if track is not None),
        groups=groups,
        returns=(),
        mix_bus=PLAIN_BUS,
        limiter=None,
        lead_in=0,
        lead_out=0,
    )


def _apart(track: TrackPlan, is_own: bool, group: str | None, keys: set[str]) -> TrackPlan | None:
    """A track on its own; one that is only listened to goes nowhere, and ends after its EQ."""
    if is_own:
        return replace(track, group=group, sends=())
    return key_only(track) if track.name in keys else None
