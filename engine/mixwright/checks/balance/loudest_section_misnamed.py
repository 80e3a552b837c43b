"""Rule balance/loudest-section-misnamed."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.measuring.measure import levels_by_section
from mixwright.units import SILENCE_DB

LEAST_S = 0.4  # the gating block of BS.1770-5


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
    if most == SILENCE_DB:
        return Result.nothing("the balance is silent")
    measured = f"{loudest} is loudest at {most:.1f} LUFS"
    claimed = heard.sheet.song.loudest_section
    if claimed is None:
        return Result(measured)
    start_s, end_s = next(heard.seconds_of(part) for part in heard.sections if part.name == claimed)
    if end_s - start_s < LEAST_S:
        return Result.nothing(f"{claimed} is too short for its loudness to be measured")
    short = most - levels[claimed]
    if not short > limits["loudest_tolerance_lu"]:
        return Result(f"{claimed} is at {levels[claimed]:.1f} LUFS, as loud as any")
    quieter = "silent" if short == -SILENCE_DB else f"{short:.1f} LU quieter than {loudest}"
    remark = Remark(
        "fails",
        f"{claimed} is {quieter} in the balance, expected the loudest section, which is {loudest}",
        help=f"write loudest_section: {loudest}, or balance the sections anew",
        path=("song", "loudest_section"),
        section=loudest,
        measured=short,
        limit=limits["loudest_tolerance_lu"],
        unit="LU",
    )
    return Result(measured, (remark,))
