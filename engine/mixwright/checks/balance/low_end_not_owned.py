"""Rule balance/low-end-not-owned."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.meters.bands import nominal_third_octaves

OWNERS = ("kick", "bass")
BELOW_HZ = 100.0
# What little there is below 100 Hz belongs to nobody: so much under all else it does not matter.
MATTERS_DB = -30.0


@rule("balance/low-end-not-owned", "low_end_owned_percent")
def low_end_not_owned(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The low end does not belong to kick and bass.

    Measures the energy of each track in the third octaves up to 80 Hz, which end at 89 Hz (IEC
    61260-1), at its fader and pan in the loudest section, and the share that tracks with the roles
    kick and bass have of it.

    Why it matters: below about 100 Hz there is room for two. What else rumbles there eats headroom
    and blurs both.

    Source: common practice.

    Fails:
        tracks: {bass: {role: synth}, kick: {gain_db: -12}}
    """
    roles = {track.track.role for track in heard.tracks.values()}
    if not roles & set(OWNERS):
        return Result.nothing("no track has the role kick or bass")
    columns = sum(hz < BELOW_HZ for hz in nominal_third_octaves())
    low = {n: float(t.balance_bands[:, :columns].sum()) for n, t in heard.tracks.items()}
    everything = sum(float(t.balance_bands.sum()) for t in heard.tracks.values())
    total = sum(low.values())
    if total <= everything * 10.0 ** (MATTERS_DB / 10.0):
        return Result.nothing("there is hardly anything below 100 Hz")
    owned = sum(low[n] for n, t in heard.tracks.items() if t.track.role in OWNERS)
    percent, least = 100.0 * owned / total, limits["low_end_owned_percent"]
    measured = f"kick and bass own {percent:.0f} % below 100 Hz{heard.in_focus}"
    if percent >= least:
        return Result(measured)
    others = {n: e for n, e in low.items() if heard.tracks[n].track.role not in OWNERS}
    name = max(others, key=lambda one: others[one])
    remark = Remark(
        "look",
        f"kick and bass own {percent:.0f} % of the energy below 100 Hz{heard.in_focus}, "
        f"expected {least:g} % or more; most of the rest is {name}",
        help=f"turn {name} down, bring bass or kick up, and high-pass {name} in the EQ step",
        path=("tracks", name),
        name=name,
        section=heard.focus.name or None,
        measured=percent,
        limit=least,
        unit="%",
    )
    return Result(measured, (remark,))
