"""Rule balance/nothing-at-the-sides."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence, TrackHeard
from mixwright.units import SILENCE_DB

FULLY = 100.0
FEW_TRACKS = 4  # so few may well all stand near the middle


@rule("balance/nothing-at-the-sides")
def nothing_at_the_sides(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """Nothing stands fully left, or nothing fully right.

    Looks at the pan of every track that sounds in the balance, and at stereo tracks at full width
    or more, which reach both sides by themselves. Songs of four tracks or fewer are left alone.

    Why it matters: the sides are free. A source that is hard left, with its answer hard right, does
    more for width and for the room in the middle than anything that comes later.

    Source: common practice.

    Fails:
        tracks:
          guitar_left: {pan: L60}
          guitar_right: {pan: R60}
          overheads: {width_percent: 70}
          keys: {width_percent: 70}
    """
    sounding = [
        t
        for t in heard.tracks.values()
        if heard.balance_at_bus(t.name).integrated_lufs() > SILENCE_DB
    ]
    if len(sounding) <= FEW_TRACKS:
        return Result.nothing(f"{FEW_TRACKS} tracks or fewer, too few to ask for sides")
    left = [t.name for t in sounding if _reaches(t, -FULLY)]
    right = [t.name for t in sounding if _reaches(t, FULLY)]
    measured = f"{len(left)} fully left, {len(right)} fully right"
    missing = [side for side, found in (("left", left), ("right", right)) if not found]
    if not missing:
        return Result(measured)
    furthest = max(abs(t.track.pan) for t in sounding)
    remark = Remark(
        "look",
        f"nothing stands fully {' or '.join(missing)}; the furthest pan is {furthest:g}",
        help="try a source at L100 and its answer at R100",
        path=("tracks",),
        measured=furthest,
        limit=FULLY,
    )
    return Result(measured, (remark,))


def _reaches(track: TrackHeard, side: float) -> bool:
    """Whether a track is panned fully to a side, or is a stereo track that reaches both."""
    stereo = track.plan.stem.channels == 2 and track.plan.width_percent >= FULLY
    return track.track.pan == side or (stereo and track.track.pan == 0.0)
