"""The limits of rules: their defaults are those of the schema, a sheet may set others."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from mixwright.sheet import Sheet
from mixwright.sheet.schema import load_schema

UNITS = {
    "dbfs": "dBFS",
    "dbtp": "dBTP",
    "db": "dB",
    "lu": "LU",
    "lufs": "LUFS",
    "percent": "%",
    "ms": "ms",
    "s": "s",
    "hz": "Hz",
    "bars": "bars",
}


@cache
def default_limits() -> Mapping[str, float]:
    """Return every limit by its key.

    >>> default_limits()["balance_peak_dbfs"]
    -3.0
    """
    declared = load_schema()["properties"]["limits"]["properties"]
    return {key: float(limit["default"]) for key, limit in declared.items()}


def limits_of(sheet: Sheet) -> dict[str, float]:
    """Return the limits that hold for a sheet."""
    return {**default_limits(), **sheet.limits}


def unit_of(key: str) -> str:
    """Return the unit that a limit's key ends with; a ratio has none.

    >>> unit_of("mono_loss_lu"), unit_of("bus_ratio")
    ('LU', '')
    """
    return UNITS.get(key.rpartition("_")[2], "")
