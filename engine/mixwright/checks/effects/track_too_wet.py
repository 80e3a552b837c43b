"""Rule effects/track-too-wet."""

from __future__ import annotations

import math
from collections.abc import Mapping

from mixwright.checks.effects.wet_shares import wet_energies
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence, TrackHeard


@rule("effects/track-too-wet", "track_wet_to_dry_lu")
def track_too_wet(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A track's effects are too loud against the track.

    Measures for each track its share of what comes back from the returns, by how much of what is
    sent to each is its own, over the track itself as it is placed: K-weighted energy of the whole
    song (ITU-R BS.1770-5, without gates).

    Why it matters: a track that is mostly effect has no place and no edge any more. That can be
    meant: then the sheet accepts it, with the reason.

    Source: common practice; the number is our own choice.

    Fails:
        tracks: {keys: {sends_db: {hall: 12}}}
    """
    tracks = heard.heard_tracks()
    found = [(wet_lu, track, most) for track in tracks for wet_lu, most in _wet(heard, track)]
    if not found:
        return Result.nothing("no track that sounds comes back from a return")
    found.sort(key=lambda one: -one[0])  # ties keep the order of the sheet
    worst_lu, worst, _ = found[0]
    limit = limits["track_wet_to_dry_lu"]
    remarks = tuple(
        Remark(
            "look",
            f"what comes back of {track.name} is {wet_lu:.1f} LU against the track itself, "
            f"expected {limit:g} at most",
            help=f"turn down its send to {loudest}; {wet_lu - limit:.1f} dB less in all would do",
            path=("tracks", track.name, "sends_db", loudest),
            name=track.name,
            measured=wet_lu,
            limit=limit,
            unit="LU",
        )
        for wet_lu, track, loudest in found
        if wet_lu > limit
    )
    return Result(f"wettest {worst.name}, wet to dry {worst_lu:.1f} LU", remarks)


def _wet(heard: Evidence, track: TrackHeard) -> list[tuple[float, str]]:
    """Wet to dry in LU and the return that most of it comes from; empty where nothing does."""
    energies = wet_energies(heard, track.name)
    wet, dry = sum(energies.values()), float(heard.at_bus(track.name).hops.sum())
    if wet <= 0.0 or dry <= 0.0:
        return []
    return [(10.0 * math.log10(wet / dry), max(energies, key=energies.__getitem__))]
