"""Rule balance/headroom-short."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.units import or_silence
from mixwright.words import level


@rule("balance/headroom-short", "balance_peak_dbfs", "balance_aim_dbfs")
def headroom_short(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The balance peaks too high.

    Measures the highest sample peak and the highest true peak (ITU-R BS.1770-5, Annex 2) of the mix
    made of gain and pan alone, over the whole song.

    Why it matters: everything that comes later needs room, and a balance that is set low is set by
    ear against the other tracks, not against full scale.

    Source: common practice, -3 dBFS at most and -6 to aim at.

    Fails:
        tracks: {kick: {gain_db: 6}, bass: {gain_db: 6}, lead_vocal: {gain_db: 6}}
    """
    readings = heard.balance.readings()
    peak_db, at_s = max(
        (or_silence(readings.true_peak_dbtp), readings.true_peak_s),
        (or_silence(readings.sample_peak_dbfs), readings.sample_peak_s),
        key=lambda peak: peak[0],
    )
    measured = f"true peak {level(readings.true_peak_dbtp, 'dBTP')}, "
    measured += f"sample peak {level(readings.sample_peak_dbfs, 'dBFS')}"
    most, aim = limits["balance_peak_dbfs"], limits["balance_aim_dbfs"]
    if peak_db <= aim:
        return Result(measured)
    fails = peak_db > most
    remark = Remark(
        "fails" if fails else "note",
        f"the balance peaks at {peak_db:.2f} dBTP, "
        + (f"expected {most:g} at most" if fails else f"{aim:g} is what to aim at"),
        help=f"take {peak_db - aim:.1f} dB off every fader" if fails else None,
        path=("tracks",),
        section=None if at_s is None else heard.section_at(at_s),
        at_s=at_s,
        measured=peak_db,
        limit=most if fails else aim,
        unit="dBTP",
    )
    return Result(measured, (remark,))
