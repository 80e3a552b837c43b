"""Rule dynamics/spread-grown."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from mixwright.checks.dynamics.processors import AtWork, compressors, lasting, sounding, spread_lu
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import MOMENTARY_HOPS, Evidence
from mixwright.sheet import Group

# Fewer windows of 400 ms, ten a second, are too few for a percentile.
FEWEST_WINDOWS = 20
# A stretch of sound is at least a second long, in hops of 100 ms.
LONG_HOPS = 10


@rule("dynamics/spread-grown", "spread_growth_lu")
def spread_grown(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A track comes out of its compressor more uneven than it went in.

    Measures the spread of momentary loudness (400 ms, EBU Tech 3341), from its 10th to its 95th
    percentile, where the track goes on sounding for a second or more, before its dynamics and after
    its chain. Not judged are compressors that listen to another track, strips with a gate, which is
    there to widen the spread, groups whose level is ridden, and drums that play single hits, whose
    windows tell how many of them hold a hit.

    Why it matters: a compressor is mostly there to even out. Where the spread grows, its times
    don't fit the playing: a slow attack lets beginnings through before it closes, and with a long
    release loud notes pull down the soft ones that follow.

    Source: common practice; the percentiles are those of EBU Tech 3342.

    Fails:
        tracks:
          lead_vocal:
            compressor: {threshold_db: -50, ratio: 20, attack_ms: 100, release_ms: 500}
    """
    limit = limits["spread_growth_lu"]
    judged = [one for one in compressors(heard) if _is_judged(one)]
    growths = [(growth, one) for one in judged if (growth := _growth_lu(one)) is not None]
    if not growths:
        return Result.nothing("no compressor of a track or group to judge")
    growths.sort(key=lambda growth: -growth[0])
    least_lu, least = growths[-1]
    way = "less" if least_lu <= 0.0 else "more"
    measured = f"{least.name} evened out most, {abs(least_lu):.1f} LU {way} spread"
    grown = [(growth, one) for growth, one in growths if growth > limit]
    return Result(measured, tuple(_remark(growth, one, limit) for growth, one in grown))


def _is_judged(one: AtWork) -> bool:
    if one.key is not None or one.strip.gate is not None:
        return False
    rides = one.strip.automation
    return not (isinstance(one.strip, Group) and (rides.gain_db or rides.mute))


def _growth_lu(one: AtWork) -> float | None:
    """How much the spread grew where the strip goes on sounding; None if it hardly does."""
    before, after = one.before.momentary_lufs(), one.after.momentary_lufs()
    both = min(len(before), len(after))
    before, after = before[:both], after[:both]
    goes_on = lasting(sounding(one.before), LONG_HOPS)
    inside = np.array([bool(goes_on[at : at + MOMENTARY_HOPS].all()) for at in range(both)], bool)
    inside &= np.isfinite(before) & np.isfinite(after)
    if inside.sum() < FEWEST_WINDOWS:
        return None
    return spread_lu(after[inside]) - spread_lu(before[inside])


def _remark(growth_lu: float, one: AtWork, limit: float) -> Remark:
    return Remark(
        "look",
        f"{one.name} comes out of its compressor with {growth_lu:.1f} LU more spread than it "
        f"went in, expected {limit:g} at most",
        help="try a shorter attack_ms or release_ms, and a higher threshold_db",
        path=one.path,
        name=one.name,
        measured=growth_lu,
        limit=limit,
        unit="LU",
    )
