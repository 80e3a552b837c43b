"""The limits of rules: their defaults are those of the schema, a sheet may set others."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from mixwright.sheet import Sheet
from mixwright.sheet.schema import load_schema


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
