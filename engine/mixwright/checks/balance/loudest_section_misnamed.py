"""Rule balance/loudest-section-misnamed."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.measuring.measure import levels_by_section


@rule("balance/loudest-section-misnamed", "loudest_tolerance_lu")
def loudest_section_misnamed(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """Another section is louder than the one named as the loudest.

    Measures the integrated loudness (ITU-R BS.1770-5) of each section in the mix made of gain and
    pan alone, and compares the loudest with `song.loudest_section`.

    Why it matters: the balance is set on the loudest part, and most rules of a check judge the mix
    there. Set on a quieter one, the loudest goes over.

    Source: common practice.

    Fails:
        song: {loudest_section: verse}
    """
    levels = levels_by_section(heard.plan, heard.balance)
    if not levels or heard.loudest is None:
        return Result.nothing("the song has no sections")
    loudest, most = heard.loudest, levels[heard.loudest]
    measured = f"{loudest} is loudest at {most:.1f} LUFS"
    claimed = heard.sheet.song.loudest_section
    if claimed is None:
        return Result(measured)
    short = most - levels[claimed]
    if not short > limits["loudest_tolerance_lu"]:
        return Result(f"{claimed} is at {levels[claimed]:.1f} LUFS, as loud as any")
    remark = Remark(
        "fails",
        f"{claimed} is {short:.1f} LU quieter in the balance than {loudest}, "
        f"expected the loudest section",
        help=f"write loudest_section: {loudest}, or balance the sections anew",
        path=("song", "loudest_section"),
        section=loudest,
        measured=short,
        limit=limits["loudest_tolerance_lu"],
        unit="LU",
    )
    return Result(measured, (remark,))
