"""Rule eq/level-changed."""

from __future__ import annotations

import math
from collections.abc import Mapping

from mixwright.checks.eq.bands import is_moving
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence, Levels, TrackHeard
from mixwright.units import db_to_gain


@rule("eq/level-changed", "eq_level_change_lu")
def level_changed(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """An EQ changes how loud its track is.

    Measures the integrated loudness (ITU-R BS.1770-5) of every track that is heard, before its EQ
    and after it with whatever takes the level back, over the whole song. Where a band moves, what
    it does to the level is meant, and where `level_match: false` stands with a reason on the track,
    the change is meant too: both make a note. An EQ of a group or of the mix bus is judged on the
    whole mix and is not looked at here.

    Why it matters: louder sounds better. An EQ that makes its track louder moves the balance, and
    can't be told from a fader by ear.

    Source: common practice; 0.1 LU is the tolerance of EBU Tech 3341 for loudness meters.

    Holds:
        tracks: {keys: {level_match: false, why: the change of level is meant}}
    Fails:
        tracks:
          guitar_left:
            level_match: false
            eq:
              - {type: high_pass, freq_hz: 90, why: low end belongs to kick and bass}
              - {type: bell, freq_hz: 1000, gain_db: 6, q: 0.5, why: forward}
    """
    limit = limits["eq_level_change_lu"]
    changes = [
        (_change_lu(heard, track), track) for track in heard.tracks.values() if _is_heard(track)
    ]
    if not changes:
        return Result.nothing("no track has an EQ")
    changes.sort(key=lambda change: -abs(change[0]))
    most_lu, most = changes[0]
    remarks = [_remark(track, lu, limit) for lu, track in changes if not abs(lu) <= limit]
    order = ("fails", "look", "note")
    remarks.sort(key=lambda remark: order.index(remark.verdict))
    measured = f"greatest change of level {round(most_lu, 2) + 0.0:+.2f} LU, of {most.name}"
    return Result(measured, tuple(remarks))


def _is_heard(track: TrackHeard) -> bool:
    """Whether it has an EQ to be judged: one that is muted has not, unless its EQ silences it."""
    if not track.track.eq or not math.isfinite(track.source.integrated_lufs()):
        return False
    silenced = not math.isfinite(track.equalised.integrated_lufs())
    return math.isfinite(track.placed.integrated_lufs()) or (silenced and not track.track.mute)


def _change_lu(heard: Evidence, track: TrackHeard) -> float:
    """How much louder its EQ makes it; -inf if nothing is left.

    What takes the level back is taken as a number, since it was measured before it was applied: a
    noise floor that it lifts over the absolute gate of -70 LUFS would move the relative one.
    """
    match_db = heard.matches_db.get(f"{track.name}.eq", 0.0)
    match_db = match_db if math.isfinite(match_db) else 0.0
    after = Levels(track.equalised.hops * db_to_gain(-match_db) ** 2)
    return after.integrated_lufs() + match_db - track.source.integrated_lufs()


def _remark(heard: TrackHeard, change_lu: float, limit: float) -> Remark:
    track = heard.track
    matched, left = track.level_match, math.isfinite(change_lu)
    said = f"the EQ of {track.name} makes it {abs(change_lu):.1f} LU "
    said += "louder" if change_lu > 0.0 else "quieter"
    if not left:
        said = f"the EQ of {track.name} leaves nothing of it to be heard"
    help_: str | None = None
    if left and any(is_moving(band) for band in track.eq):
        verdict, expected = "note", "a band of it moves, so that is taken as meant"
    elif left and not matched and track.why:
        verdict, expected = "note", f"which is meant: {track.why}"
    else:
        verdict, expected = "fails", f"expected {limit:g} LU at most"
        if not matched:
            help_ = "leave level_match out, or say in the track's why what the change is for"
    return Remark(
        "note" if verdict == "note" else "fails",
        f"{said}, {expected}",
        help=help_,
        path=("tracks", track.name, "eq" if matched else "level_match"),
        name=track.name,
        measured=change_lu if left else None,
        limit=limit,
        unit="LU",
    )
