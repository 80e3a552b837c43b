"""What the rules of the mix bus's compressor share."""

from __future__ import annotations

from dataclasses import dataclass

from mixwright.checks.rule import Remark
from mixwright.dsp.reduction import GainReduction
from mixwright.measuring.evidence import Evidence
from mixwright.rendering.reductions import Reduction
from mixwright.sheet import Compressor
from mixwright.units import db_to_gain, gain_to_db

COMPRESSOR = ("mix_bus", "compressor")
NO_COMPRESSOR = "no compressor on the mix bus"
WHOLE_PERCENT = 100.0
ENOUGH = {"attack_ms": "more", "ratio": "less"}  # which way a setting may be off its limit


@dataclass(frozen=True)
class BusReduction:
    """What is taken off the mix while the compressor works: mean, most (dB), share of the time."""

    mean_db: float
    most_db: float
    active_share: float


def setting_remark(
    compressor: Compressor, has: str, expected: str, *, key: str, limit: float, unit: str = ""
) -> Remark:
    """Return what is wrong with one setting; a note where the untouched sound is mixed to it."""
    share = compressor.settings.mix_percent
    beside = share < WHOLE_PERCENT
    part = f" on {share:g} % of the sound" if beside else ""
    help_ = f"set {key} to {limit:g} or {ENOUGH[key]}, and set the threshold anew"
    return Remark(
        "note" if beside else "fails",
        f"the mix bus compressor has {has}{part}, {expected}",
        help=None if beside else help_,
        path=(*COMPRESSOR, key),
        name="mix_bus",
        measured=float(getattr(compressor.settings, key)),
        limit=limit,
        unit=unit,
    )


def reduction_in_focus(heard: Evidence, reduction: Reduction, mix_percent: float) -> BusReduction:
    """Return the reduction over the focus, of the mix with what passes the compressor untouched."""
    found: GainReduction = reduction.by_section.get(heard.focus.name, reduction)
    return BusReduction(
        blended_db(found.mean_db, mix_percent),
        blended_db(found.max_db, mix_percent),
        found.active_share,
    )


def blended_db(reduction_db: float, mix_percent: float) -> float:
    """Return what is left of a reduction when `mix_percent` of the sound is turned down by it.

    >>> blended_db(3.0, 100.0), round(blended_db(10.0, 50.0), 2)
    (3.0, 3.63)
    """
    if mix_percent >= WHOLE_PERCENT:
        return reduction_db
    share = mix_percent / WHOLE_PERCENT
    return -gain_to_db(1.0 - share * (1.0 - db_to_gain(-reduction_db)))
