"""Rule dynamics/never-works."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from mixwright.checks.dynamics.processors import AtWork, at_work, seconds_at_work, sounding
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.meters.loudness import HOP_S

# A gate is closed before the first sound, and closes once at the end.
SPARE_S = 0.5


@rule("dynamics/never-works", "compressor_least_db")
def never_works(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A compressor, gate or de-esser does nothing.

    Measures the most that each one on a track or group turns down, over the whole song. A gate
    begins closed, so one that stays open from the first sound on counts as doing nothing. Tracks
    that are not heard are left out, and so is the mix bus, which has a rule of its own.

    Why it matters: a processor that never acts is a setting that was forgotten, mostly because the
    level before it has changed since. It looks as if something were taken care of that is not.

    Source: common practice; less than 0.5 dB is hardly ever heard.

    Fails:
        tracks: {bass: {compressor: {threshold_db: 0, knee_db: 0}}}
    """
    least = limits["compressor_least_db"]
    processors = list(at_work(heard))
    if not processors:
        return Result.nothing("no track or group that is heard has dynamics")
    idle = [one for one in processors if _is_idle(heard, one, least)]
    judged = [one for one in processors if one.part != "gate"]
    measured = f"{len(processors) - len(idle)} of {len(processors)} processors work"
    if judged:
        lowest = min(judged, key=lambda one: one.reduction.max_db)
        measured += f", least {lowest.told} with {lowest.reduction.max_db:.1f} dB at most"
    return Result(measured, tuple(_remark(one, least) for one in idle))


def _is_idle(heard: Evidence, one: AtWork, least_db: float) -> bool:
    if one.reduction.max_db < least_db:
        return True
    return one.part == "gate" and _stays_open(heard, one)


def _stays_open(heard: Evidence, gate: AtWork) -> bool:
    """Whether a gate is closed no longer than until the first sound that it listens to."""
    key = heard.tracks.get(gate.key or "")
    sounds = np.flatnonzero(sounding(gate.before if key is None else key.equalised))
    return len(sounds) > 0 and seconds_at_work(heard, gate) <= sounds[0] * HOP_S + SPARE_S


def _remark(one: AtWork, least_db: float) -> Remark:
    most_db = one.reduction.max_db
    if most_db < least_db:
        said = f"{one.told} turns down by {most_db:.1f} dB at most, expected {least_db:g} or more"
    else:
        said = f"{one.told} stays open from the first sound on, expected it to close in between"
    return Remark(
        "look",
        said,
        help=f"set threshold_db {'higher' if one.part == 'gate' else 'lower'}, or take it out",
        path=one.path,
        name=one.name,
        measured=most_db if most_db < least_db else None,
        limit=least_db if most_db < least_db else None,
        unit="dB",
    )
