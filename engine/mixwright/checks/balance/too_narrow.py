"""Rule balance/too-narrow."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence


@rule("balance/too-narrow", "narrowest_side_to_mid_db")
def too_narrow(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The balance is nearly mono.

    Measures the power of the sides, (L-R)/2, over that of the middle, (L+R)/2, in the loudest
    section of the mix made of gain and pan alone.

    Why it matters: width comes from where things stand. What pan has not done by now, later steps
    will not do without harm.

    Source: common practice; the limit is ours.

    Fails:
        tracks:
          guitar_left: {pan: C}
          guitar_right: {pan: C}
          overheads: {width_percent: 0}
          keys: {width_percent: 0, pan: C}
          backing_vocal: {pan: C}
    """
    ratio_db = heard.balance.readings(*heard.focus_s).side_to_mid_db
    if ratio_db is None:
        return Result.nothing("the balance is silent")
    measured = f"sides {ratio_db:.1f} dB against the middle{heard.in_focus}"
    least = limits["narrowest_side_to_mid_db"]
    if ratio_db >= least:
        return Result(measured)
    remark = Remark(
        "look",
        f"the sides of the balance are at {ratio_db:.1f} dB against the middle{heard.in_focus}, "
        f"expected {least:g} or more",
        help="pan what need not be in the middle: one of two guitars to each side, say",
        path=("tracks",),
        section=heard.focus.name or None,
        measured=ratio_db,
        limit=least,
        unit="dB",
    )
    return Result(measured, (remark,))
