"""Rule eq/boost-without-cut."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.eq.bands import cuts, lifts
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.sheet import Track
from mixwright.words import band_words


@rule("eq/boost-without-cut")
def boost_without_cut(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """An EQ only boosts.

    Measures, of every track that is heard, whether a bell or shelf boosts by 1 dB or more and
    nothing is taken away: no bell or shelf below 0 dB, no high-pass, low-pass or notch.

    Why it matters: what is missing in a sound is mostly covered by something there is too much of.
    An EQ that only adds piles up level in the ranges in which every track wants to be heard.

    Source: common practice ("cut before you boost").

    Fails:
        tracks:
          snare:
            eq:
              - {type: bell, freq_hz: 200, gain_db: 3, why: body}
              - {type: high_shelf, freq_hz: 6000, gain_db: 2, why: stick}
    """
    sounding = [track.track for track in heard.heard_tracks() if track.track.eq]
    if not sounding:
        return Result.nothing("no track has an EQ")
    boosting = [track for track in sounding if any(lifts(band) for band in track.eq)]
    only = [track for track in boosting if not any(cuts(band) for band in track.eq)]
    measured = f"{len(boosting)} of {len(sounding)} EQs of tracks boost, "
    measured += f"{len(only)} of these cut nothing"
    return Result(measured, tuple(_remark(track) for track in only))


def _remark(track: Track) -> Remark:
    index = next(index for index, band in enumerate(track.eq) if lifts(band))
    return Remark(
        "look",
        f"the EQ of {track.name} boosts ({band_words(track.eq[index].settings)}) and cuts nothing, "
        "expected a cut first",
        help="look for what covers the sound that is missing, and take that down",
        path=("tracks", track.name, "eq", index),
        name=track.name,
    )
