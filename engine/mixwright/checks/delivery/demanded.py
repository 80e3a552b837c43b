"""What the finished mix is to have: by the sheet's delivery, its standard, or the limits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from mixwright.meters.targets import TARGETS, LoudnessTarget
from mixwright.sheet import Sheet
from mixwright.sheet.model import PathKey

PLAIN_TOLERANCE_LU = 0.5  # for a loudness that the sheet gives without one


@dataclass(frozen=True)
class Demand:
    """A figure that is asked for, how far it may be off, and who asks: the sheet or a standard."""

    value: float
    tolerance: float
    by: str


def standard_of(sheet: Sheet) -> LoudnessTarget | None:
    """Return the published target that the sheet names, if any."""
    delivery = sheet.delivery
    named = None if delivery is None else delivery.standard
    return None if named is None else TARGETS[named]


def demanded_loudness(sheet: Sheet) -> Demand | None:
    """Return the integrated loudness (LUFS) asked for and its tolerance in LU; None if none is."""
    delivery, standard = sheet.delivery, standard_of(sheet)
    if delivery is None:
        return None
    tolerance_lu = delivery.tolerance_lu
    if tolerance_lu is None:
        tolerance_lu = PLAIN_TOLERANCE_LU if standard is None else standard.tolerance_lu
    if delivery.integrated_lufs is not None:
        return Demand(delivery.integrated_lufs, tolerance_lu, "the sheet")
    if standard is None:
        return None
    return Demand(standard.integrated_lufs, tolerance_lu, standard.name)


def demanded_peak(sheet: Sheet, limit_dbtp: float) -> Demand:
    """Return the highest true peak (dBTP) allowed; `limit_dbtp` where no delivery says another."""
    delivery, standard = sheet.delivery, standard_of(sheet)
    if delivery is not None and delivery.true_peak_dbtp is not None:
        return Demand(delivery.true_peak_dbtp, 0.0, "the sheet")
    if standard is not None and standard.true_peak_dbtp is not None:
        return Demand(standard.true_peak_dbtp, 0.0, standard.name)
    return Demand(limit_dbtp, 0.0, "the limit true_peak_dbtp")


def place_of_gain(sheet: Sheet) -> PathKey:
    """Return where the level of the whole mix is written, or what there is in its place."""
    if sheet.span_of("mix_bus") is not None:
        return ("mix_bus", "gain_db")
    return ("tracks",) if sheet.delivery is None else ("delivery",)


def enough_db(over_db: float) -> float:
    """Return how much to take off in tenths of a decibel, rounded up so that it is enough.

    >>> enough_db(2.31)
    2.4
    """
    return math.ceil(round(10.0 * over_db, 6)) / 10.0
