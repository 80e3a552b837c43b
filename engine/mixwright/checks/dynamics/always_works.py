"""Rule dynamics/always-works."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.dynamics.processors import (
    AtWork,
    compressors,
    held_over_s,
    seconds_at_work,
    sounding,
)
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.meters.loudness import HOP_S
from mixwright.sheet import Compressor

# Holding a bass or a voice by a few dB all the time is levelling and does no harm.
GENTLE_MEAN_DB = 4.0


@rule("dynamics/always-works", "compressor_always_percent")
def always_works(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A compressor never lets go.

    Measures for how much of the time in which a track or group sounds (within 20 LU of its own
    loudness) its compressor turns down by more than 0.1 dB. What its release may have held on for
    in pauses is taken off, so that the figure is rather too small. A mean below 4 dB is left alone:
    a steady hold on a bass or a voice is common. Parallel compressors, and those that listen to
    another track, are not judged.

    Why it matters: a compressor tells soft from loud by working on one and not on the other. One
    that is never at rest has its threshold below everything: it mostly turns the track down, and
    what it does to the sound it does all the time.

    Source: common practice ("the needle should come back to zero").

    Fails:
        tracks: {bass: {compressor: {threshold_db: -60}}}
    """
    limit = limits["compressor_always_percent"]
    own = [one for one in compressors(heard) if not one.is_parallel and one.key is None]
    shares = [(share, one) for one in own if (share := _share_percent(heard, one)) is not None]
    if not shares:
        return Result.nothing("no compressor of a track or group to judge")
    shares.sort(key=lambda share: -share[0])
    most_percent, most = shares[0]
    held = [
        (percent, one)
        for percent, one in shares
        if percent > limit and one.reduction.mean_db >= GENTLE_MEAN_DB
    ]
    measured = f"longest at work is {most.told}, {most_percent:.0f} % of the time, "
    measured += f"{most.reduction.mean_db:.1f} dB in the mean"
    return Result(measured, tuple(_remark(percent, one, limit) for percent, one in held))


def _share_percent(heard: Evidence, one: AtWork) -> float | None:
    """How much of the time in which the strip sounds it is surely at work; None if it is silent."""
    assert isinstance(one.settings, Compressor)
    sounds = sounding(one.before)
    if not sounds.any():
        return None
    held_s = held_over_s(sounds, one.settings.settings, one.reduction.max_db)
    working_s = max(0.0, seconds_at_work(heard, one) - held_s)
    return min(100.0, 100.0 * working_s / (float(sounds.sum()) * HOP_S))


def _remark(percent: float, one: AtWork, limit: float) -> Remark:
    mean_db = one.reduction.mean_db
    return Remark(
        "look",
        f"{one.told} is at work for {percent:.0f} % of the time in which it sounds, by "
        f"{mean_db:.1f} dB in the mean, expected {limit:g} % at most",
        help="set threshold_db higher, so that it lets go where the playing is soft",
        path=(*one.path, "threshold_db"),
        name=one.name,
        measured=percent,
        limit=limit,
        unit="%",
    )
