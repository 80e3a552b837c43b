"""Rule balance/too-narrow."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence

FEW_TRACKS = 3
MONO_DB = -100.0  # what is left between two equal channels is rounding


@rule("balance/too-narrow", "narrowest_side_to_mid_db")
def too_narrow(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The balance is nearly mono.

    Measures the power of the sides, (L-R)/2, over that of the middle, (L+R)/2, in the loudest
    section of the mix made of gain and pan alone. Songs of three tracks or fewer are left alone.

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
    sounding = [n for n in heard.tracks if heard.balance_at_bus(n).hops.any()]
    if len(sounding) <= FEW_TRACKS:
        return Result.nothing(f"{FEW_TRACKS} tracks or fewer, too few to ask for width")
    ratio_db = heard.balance.readings(*heard.focus_s).side_to_mid_db
    if ratio_db is None:
        return Result.nothing("the balance is silent")
    sides = f"{ratio_db:.1f} dB" if ratio_db > MONO_DB else "nothing"
    measured = f"sides {sides} against the middle{heard.in_focus}"
    least = limits["narrowest_side_to_mid_db"]
    if ratio_db >= least:
        return Result(measured)
    remark = Remark(
        "look",
        f"the sides of the balance have {sides} against the middle{heard.in_focus}, "
        f"expected {least:g} or more",
        help="pan what need not be in the middle: one of two guitars to each side, say",
        path=("tracks",),
        section=heard.focus.name or None,
        measured=ratio_db,
        limit=least,
        unit="dB",
    )
    return Result(measured, (remark,))
