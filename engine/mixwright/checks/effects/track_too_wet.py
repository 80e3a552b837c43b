"""Rule effects/track-too-wet."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.measuring.moves import track_wet_to_dry_lu, wet_energies


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
    shares = [(track_wet_to_dry_lu(heard, one.name), one) for one in heard.heard_tracks()]
    found = [(wet_lu, track) for wet_lu, track in shares if wet_lu is not None]
    if not found:
        return Result.nothing("no track that sounds comes back from a return")
    found.sort(key=lambda one: -one[0])  # ties keep the order of the sheet
    worst_lu, worst = found[0]
    limit = limits["track_wet_to_dry_lu"]
    sends = {track.name: _loudest(heard, track.name) for _, track in found}
    remarks = tuple(
        Remark(
            "look",
            f"what comes back of {track.name} is {wet_lu:.1f} LU against the track itself, "
            f"expected {limit:g} at most",
            help=f"turn down its send to {sends[track.name]}; "
            f"{wet_lu - limit:.1f} dB less in all would do",
            path=("tracks", track.name, "sends_db", sends[track.name]),
            name=track.name,
            measured=wet_lu,
            limit=limit,
            unit="LU",
        )
        for wet_lu, track in found
        if wet_lu > limit
    )
    return Result(f"wettest {worst.name}, wet to dry {worst_lu:.1f} LU", remarks)


def _loudest(heard: Evidence, track: str) -> str:
    """The return that most of a track comes back from."""
    energies = wet_energies(heard, track)
    return max(energies, key=energies.__getitem__)
