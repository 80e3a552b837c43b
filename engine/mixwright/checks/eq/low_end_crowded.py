"""Rule eq/low-end-crowded."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from mixwright.checks.eq.bands import clears_lows
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Bands, Evidence, TrackHeard
from mixwright.meters.bands import third_octaves
from mixwright.sheet import Band
from mixwright.units import SILENCE_DB

LOW_END_HZ = 100.0
HIGH_PASS_HZ = 40.0
OWNERS = ("kick", "bass")
# A floor tom has its note down there and plays it now and then; nobody takes it off.
FREE = (*OWNERS, "toms")


@rule("eq/low-end-crowded", "low_end_crowding_db")
def low_end_crowded(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A track without a high-pass plays along in the low end.

    Measures the energy of the third octaves below 100 Hz (25 to 80 Hz) of every track after its EQ,
    at its fader in the balance, in the loudest section, against that of all tracks with the role
    kick or bass together. Tracks with a high-pass at 40 Hz or above, their own or that of their
    group, are left out, and so are toms, whose note may lie there.

    Why it matters: the low end is narrow and takes most of the headroom. What lies there beside
    kick and bass is mostly rumble, handling and spill, and blurs both.

    Source: common practice; the limit in dB is a choice, a twentieth of the energy is about -13.

    Fails:
        tracks: {bass: {role: synth}}
    """
    limit = limits["low_end_crowding_db"]
    sounding = [track for track in heard.heard_tracks() if heard.plays_in_focus(track.name)]
    owners = [track for track in sounding if track.track.role in OWNERS]
    if not owners:
        return Result.nothing("no track with the role kick or bass is heard in the loudest section")
    owned = sum(_low_power(track.eq_bands) for track in owners)
    if owned <= 0.0:
        return Result.nothing("kick and bass have no low end in the loudest section")
    levels = [
        (_against_db(_low_power(track.eq_bands), owned), track)
        for track in sounding
        if track.track.role not in FREE
        and not any(clears_lows(band, HIGH_PASS_HZ) for band in _bands(heard, track))
    ]
    levels.sort(key=lambda level: -level[0])
    if not levels:
        return Result("no track but kick, bass and toms goes without a high-pass")
    most_db, most = levels[0]
    at_most = f"{most_db:.1f} dB" if math.isfinite(most_db) else "nothing"
    measured = f"without a high-pass, {most.name} has most: {at_most} against kick and bass"
    crowding = [(level_db, track) for level_db, track in levels if level_db > limit]
    return Result(measured, tuple(_remark(heard, one, at, limit) for at, one in crowding))


def _low_power(bands: Bands) -> float:
    """The mean power below 100 Hz, 0 where there are no frames."""
    lows = [index for index, band in enumerate(third_octaves()) if band.high_hz <= LOW_END_HZ]
    return float(np.mean(bands[:, lows].sum(axis=1))) if len(bands) else 0.0


def _against_db(power: float, owned: float) -> float:
    return 10.0 * math.log10(power / owned) if power > 0.0 else SILENCE_DB


def _bands(heard: Evidence, track: TrackHeard) -> tuple[Band, ...]:
    """The bands that a track goes through: its own and those of its group."""
    groups = (group for group in heard.sheet.groups if group.name == track.track.group)
    return (*track.track.eq, *(band for group in groups for band in group.eq))


def _remark(heard: Evidence, track: TrackHeard, level_db: float, limit: float) -> Remark:
    return Remark(
        "look",
        f"below 100 Hz {track.name} has {level_db:.1f} dB against kick and bass together and no "
        f"high-pass, expected one, or {limit:g} dB at most",
        help="put a high-pass at the lowest note it plays, or give it the role bass if it is one",
        path=("tracks", track.name, "eq"),
        name=track.name,
        section=heard.section_at(heard.focus_s[0]),
        measured=level_db,
        limit=limit,
        unit="dB",
    )
