"""Rule eq/on-most-tracks."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence


@rule("eq/on-most-tracks", "eq_tracks_percent")
def on_most_tracks(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """More tracks have an EQ than should need one.

    Measures the share of the tracks that are heard which have an EQ, whatever it does. The limit
    lets all of them have one: a song that was recorded with care may ask for less.

    Why it matters: an EQ on every track is a habit. A track that sits well in the balance needs
    none, and each one that is left out leaves a sound as it was played.

    Source: common practice, no published figure.

    Fails:
        limits: {eq_tracks_percent: 40}
    """
    limit = limits["eq_tracks_percent"]
    sounding = heard.heard_tracks()
    if not sounding:
        return Result.nothing("no track is heard")
    equalised = [track for track in sounding if track.track.eq]
    percent = 100.0 * len(equalised) / len(sounding)
    measured = f"{len(equalised)} of {len(sounding)} tracks have an EQ ({percent:.0f} %)"
    if percent <= limit:
        return Result(measured)
    remark = Remark(
        "look",
        f"{measured}, expected {limit:g} % at most",
        help="take one out at a time and keep out those that nobody misses",
        path=("tracks",),
        measured=percent,
        limit=limit,
        unit="%",
    )
    return Result(measured, (remark,))
