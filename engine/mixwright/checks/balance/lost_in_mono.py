"""Rule balance/lost-in-mono."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence

UNRELATED_LU = 3.1  # 3.01, and room for rounding


@rule("balance/lost-in-mono", "mono_loss_lu")
def lost_in_mono(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The balance loses too much when it is folded to mono.

    Measures the integrated loudness (ITU-R BS.1770-5) of (L+R)/2 played from both sides, less that
    of the stereo, section by section. One signal in the middle loses nothing, unrelated signals on
    both sides lose 3.0 LU, and opposite ones vanish. The loudest section is held to the limit; a
    sparse one that is wide on purpose may lose what unrelated signals do.

    Why it matters: telephones, kitchens, shops and many stages play one channel.

    Source: common practice; the limit is ours. The loss of unrelated signals follows from adding
    powers.

    Fails:
        tracks:
          keys: {width_percent: 200, gain_db: 6}
          overheads: {width_percent: 200, gain_db: 6}
    """
    losses = {}
    for part in heard.sections or (heard.focus,):
        found = heard.balance.readings(*heard.seconds_of(part)).mono_loss_lu
        if found is not None:
            losses[part.name] = round(-found, 6) + 0.0  # no -0.0
    if not losses:
        return Result.nothing("the balance is silent")
    allowed = dict.fromkeys(losses, max(UNRELATED_LU, limits["mono_loss_lu"]))
    allowed[heard.focus.name] = limits["mono_loss_lu"]
    section = max(losses, key=lambda name: losses[name] - allowed[name])
    lost, most = losses[section], allowed[section]
    where = f" in {section}" if section else ""
    measured = f"{lost:.1f} LU lost in mono{where}"
    if section != heard.focus.name:
        measured += f" (up to {most:g} are fine outside the loudest section)"
    if lost <= most:
        return Result(measured)
    remark = Remark(
        "fails",
        f"folded to mono the balance loses {lost:.1f} LU{where}, expected {most:g} at most",
        help="look for wide stereo tracks and for an inverted polarity; render with --mono to hear",
        path=("tracks",),
        section=section or None,
        measured=lost,
        limit=most,
        unit="LU",
    )
    return Result(measured, (remark,))
