"""Rule dynamics/makeup-off."""

from __future__ import annotations

import math
from collections.abc import Mapping

from mixwright.checks.dynamics.processors import AtWork, compressors
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence, Levels
from mixwright.sheet import Compressor, Group
from mixwright.sheet.model import processors_of
from mixwright.units import db_to_gain
from mixwright.words import named


@rule("dynamics/makeup-off", "makeup_lu")
def makeup_off(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A compressor and its make-up change how loud the track is.

    Measures the integrated loudness (ITU-R BS.1770-5) of every track and group with a compressor,
    before its dynamics and after its chain, over the whole song. Left out are groups whose level
    also changes by an EQ that is not matched, a width or rides. Where a track gets quieter and a
    gate, a de-esser or a compressor that listens to another track may be the cause, a note is made.

    Why it matters: a compressor that makes its track louder sounds better for that alone, and one
    that makes it quieter sounds worse. The balance was made before it and is to stand after it.

    Source: common practice.

    Fails:
        tracks: {lead_vocal: {compressor: {makeup_db: 9}}}
    """
    limit = limits["makeup_lu"]
    judged = [one for one in compressors(heard) if _is_judged(one)]
    changes = [(change, one) for one in judged if math.isfinite(change := _change_lu(heard, one))]
    if not changes:
        return Result.nothing("no compressor of a track or group to judge")
    changes.sort(key=lambda change: -abs(change[0]))
    most_lu, most = changes[0]
    off = [_remark(change, one, limit) for change, one in changes if abs(change) > limit]
    off.sort(key=lambda remark: remark.verdict != "look")
    measured = f"greatest change of level {round(most_lu, 1) + 0.0:+.1f} LU, of {most.name}"
    return Result(measured, tuple(off))


def _is_judged(one: AtWork) -> bool:
    if not isinstance(one.strip, Group):
        return True
    strip, rides = one.strip, one.strip.automation
    still = not (rides.gain_db or rides.mute) and strip.width_percent == 100.0
    return still and (strip.level_match or not (strip.eq or strip.inserts))


def _change_lu(heard: Evidence, one: AtWork) -> float:
    """How much louder the strip is after its chain, its fader not counted.

    Gains that were set or matched are taken as numbers, as they were when they were measured: a
    noise floor that they lift over the absolute gate of -70 LUFS would move the relative one.
    """
    assert isinstance(one.settings, Compressor)
    gains_db = [heard.matches_db.get(f"{one.name}.inserts", 0.0)]
    gains_db.append(heard.matches_db.get(f"{one.name}.compressor", one.settings.makeup_db or 0.0))
    gain_db = sum(gain_db for gain_db in gains_db if math.isfinite(gain_db))
    fader_db = one.strip.gain_db if isinstance(one.strip, Group) else 0.0
    if not math.isfinite(fader_db):
        return math.nan
    after = Levels(one.after.hops * db_to_gain(-gain_db - fader_db) ** 2)
    return after.integrated_lufs() + gain_db - one.before.integrated_lufs()


def _others(one: AtWork, change_lu: float) -> str | None:
    """What else in the chain may have changed the level that way, in words."""
    if one.strip.inserts and not one.strip.level_match:
        return "its inserts"
    if change_lu > 0.0:
        return None
    if one.key is not None:
        return f"making way for {one.key}"
    others = [kind.id for kind, _ in processors_of(one.strip) if kind.id != one.part]
    return " and ".join(f"its {named(other)}" for other in others) or None


def _remark(change_lu: float, one: AtWork, limit: float) -> Remark:
    assert isinstance(one.settings, Compressor)
    makeup_db, others = one.settings.makeup_db, _others(one, change_lu)
    way = "louder" if change_lu > 0.0 else "quieter"
    said = f"{one.name} is {abs(change_lu):.1f} LU {way} after its compressor"
    path = one.path if makeup_db is None else (*one.path, "makeup_db")
    help_ = None
    if others is not None:
        said += f", part of which may be {others}"
    elif makeup_db is None:
        said += f" although it is matched, expected {limit:g} LU at most"
    else:
        said += f" with {makeup_db:+.1f} dB of make-up, expected {limit:g} LU at most"
        help_ = f"set makeup_db to {makeup_db - change_lu:.1f}, or to matched"
    return Remark(
        "look" if others is None else "note",
        said,
        help=help_,
        path=path,
        name=one.name,
        measured=change_lu,
        limit=limit,
        unit="LU",
    )
