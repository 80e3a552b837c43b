"""Rule balance/dominant-track."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence

FEW_TRACKS = 3  # one of so few may well lead


@rule("balance/dominant-track", "dominant_track_percent")
def dominant_track(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """One track carries most of the loudness.

    Measures the K-weighted energy (ITU-R BS.1770-5) of each track at its fader and pan, in the
    loudest section, as a share of that of all tracks. Songs of three tracks or fewer are left
    alone.

    Why it matters: where one track is nearly all that the meter sees, the others are not part of
    the balance yet. It may be meant: then accept it.

    Source: common practice; the limit is ours.

    Fails:
        tracks: {guitar_left: {gain_db: 14}}
    """
    energies = {
        name: float(heard.balance_at_bus(name).between(*heard.focus_s).sum())
        for name in heard.tracks
    }
    sounding = {name: energy for name, energy in energies.items() if energy > 0.0}
    if len(sounding) <= FEW_TRACKS:
        return Result.nothing(f"{FEW_TRACKS} tracks or fewer, too few to compare")
    name = max(sounding, key=lambda one: sounding[one])
    percent, most = (
        100.0 * sounding[name] / sum(sounding.values()),
        limits["dominant_track_percent"],
    )
    measured = f"{name} carries most, {percent:.0f} % of the energy{heard.in_focus}"
    if percent <= most:
        return Result(measured)
    remark = Remark(
        "look",
        f"{name} carries {percent:.0f} % of the K-weighted energy of all tracks{heard.in_focus}, "
        f"expected {most:g} % at most",
        help=f"turn {name} down, or bring up what it covers",
        path=("tracks", name, "gain_db"),
        name=name,
        section=heard.focus.name or None,
        measured=percent,
        limit=most,
        unit="%",
    )
    return Result(measured, (remark,))
