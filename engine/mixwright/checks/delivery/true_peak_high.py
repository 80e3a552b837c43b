"""Rule delivery/true-peak-high."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.delivery.demanded import Demand, demanded_peak, enough_db, place_of_gain
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.sheet.model import PathKey
from mixwright.units import or_silence
from mixwright.words import level

# What the meter can tell, see :mod:`mixwright.meters.peak`.
METER_DB = 0.05


@rule("delivery/true-peak-high", "true_peak_dbtp")
def true_peak_high(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The true peak of the finished mix is too high.

    Measures the highest true peak (ITU-R BS.1770-5, Annex 2). What it may be is what the sheet's
    delivery says, or its standard, or else the limit; the 0.05 dB that the meter may be off are let
    pass.

    Why it matters: between two samples the wave may rise higher than both. Converters and lossy
    coders clip there.

    Source: EBU R 128 and AES77, -1 dBTP; ATSC A/85, -2 dBTP.

    Fails:
        mix_bus: {gain_db: 6}
    """
    readings = heard.mix_readings()
    peak_db, at_s = or_silence(readings.true_peak_dbtp), readings.true_peak_s
    demand = demanded_peak(heard.sheet, limits["true_peak_dbtp"])
    measured = f"true peak {level(readings.true_peak_dbtp, 'dBTP')}"
    if peak_db <= demand.value + METER_DB:
        return Result(measured)
    path, hint = _mend(heard, demand, peak_db - demand.value)
    remark = Remark(
        "fails",
        f"the finished mix has a true peak of {peak_db:.2f} dBTP, "
        f"expected {demand.value:g} at most by {demand.by}",
        help=hint,
        path=path,
        name="mix_bus",
        section=None if at_s is None else heard.section_at(at_s),
        at_s=at_s,
        measured=peak_db,
        limit=demand.value,
        unit="dBTP",
    )
    return Result(measured, (remark,))


def _mend(heard: Evidence, demand: Demand, over_db: float) -> tuple[PathKey, str]:
    """Where to mend it and how: by the limiter if there is one."""
    limiter = heard.sheet.mix_bus.limiter
    if limiter is None:
        hint = f"take {enough_db(over_db):.1f} dB off the gain of the mix bus, or give it a limiter"
        return place_of_gain(heard.sheet), hint
    return ("mix_bus", "limiter", "ceiling_dbtp"), f"set its ceiling_dbtp to {demand.value:g}"
