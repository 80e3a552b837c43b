"""From what a sheet says to the values of the model: levels, pans, the keys that are there."""

from __future__ import annotations

from typing import Any

from mixwright.sheet.tree import Entry
from mixwright.units import SILENCE_DB


def level_db(value: Any) -> float:
    """Return a level as a float; ``off`` is -inf, and true and false are 1 and 0.

    >>> level_db("off"), level_db(-6)
    (-inf, -6.0)
    """
    return SILENCE_DB if value == "off" else float(value)


def pan_value(text: str) -> float:
    """Return a pan from -100 (hard left) to +100 (hard right).

    >>> [pan_value(pan) for pan in ("L100", "C", "R30")]
    [-100.0, 0.0, 30.0]
    """
    if text == "C":
        return 0.0
    return float(text[1:]) * (-1.0 if text[0] == "L" else 1.0)


def plain_of(node: Entry, *keys: str) -> dict[str, Any]:
    """Return the entries under these keys that are there, as they are."""
    return {key: node.value[key] for key in keys if key in node}


def numbers_of(node: Entry, *keys: str) -> dict[str, Any]:
    """Return the entries under these keys that are there, as floats."""
    return {key: float(node.value[key]) for key in keys if key in node}
