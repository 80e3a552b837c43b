"""Rule delivery/loudness-off-target."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.delivery.demanded import Demand, demanded_loudness, place_of_gain
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.meters import SoundReadings
from mixwright.meters.loudness import BLOCK_S
from mixwright.units import or_silence


@rule("delivery/loudness-off-target")
def loudness_off_target(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The finished mix is not as loud as it is to be.

    Measures its integrated loudness (ITU-R BS.1770-5), to a hundredth, against the one that the
    sheet's delivery gives, or its standard. Without either there is nothing to judge: how loud a
    mix is for its own sake is nobody's business.

    Why it matters: who asks for a loudness turns down or refuses what has another.

    Source: the standards named in the sheet's `delivery`: EBU R 128 (-23 LUFS, 0.2 LU for files),
    ATSC A/85 (-24 LKFS, 2 dB), AES77 (-16 LUFS for music tracks, 0.2 LU), ITU-R BS.1864 (-24 LKFS;
    1 LU is our choice). 0.5 LU for a loudness without a standard is our choice.

    Holds:
        delivery: {integrated_lufs: -20.5, tolerance_lu: 2, why: as loud as it comes}

    Fails:
        delivery: {standard: ebu_r_128}
    """
    demand = demanded_loudness(heard.sheet)
    if demand is None:
        return Result.nothing("no loudness is asked for")
    readings = heard.mix_readings()
    loudness = readings.integrated_lufs
    if readings.seconds < BLOCK_S:
        return Result.nothing("shorter than 400 ms, no loudness can be measured")
    if loudness is None:
        return Result("silence", (_remark(heard, demand, "is silent", None, None),))
    measured = f"integrated loudness {loudness:.2f} LUFS"
    if round(abs(loudness - demand.value), 2) <= demand.tolerance:
        return Result(measured)
    said = f"has an integrated loudness of {loudness:.2f} LUFS"
    hint = _help(heard, demand.value - loudness, readings)
    return Result(measured, (_remark(heard, demand, said, loudness, hint),))


def _remark(
    heard: Evidence, demand: Demand, said: str, loudness: float | None, hint: str | None
) -> Remark:
    return Remark(
        "fails",
        f"the finished mix {said}, "
        f"expected {demand.value:g} within {demand.tolerance:g} LU by {demand.by}",
        help=hint,
        path=place_of_gain(heard.sheet),
        name="mix_bus",
        measured=loudness,
        limit=demand.value,
        unit="LUFS",
    )


def _help(heard: Evidence, change_db: float, readings: SoundReadings) -> str:
    """Say how far to move the gain, and where that takes the true peak."""
    said = f"move the gain of the mix bus by {change_db:+.1f} dB"
    if heard.sheet.mix_bus.limiter is not None:
        return f"{said} or more, the limiter takes its part of it" if change_db > 0.0 else said
    peak_dbtp = or_silence(readings.true_peak_dbtp) + change_db
    return f"{said}: the true peak is then at {peak_dbtp:.1f} dBTP"
