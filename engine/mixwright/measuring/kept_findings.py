"""Findings as plain data and back, so that an intake need not be heard twice."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from mixwright.faults import findings as kinds
from mixwright.faults.findings import Finding


def as_data(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """Return findings as plain data, each with the name of its class.

    >>> hum = Finding(kind="dc", track="bass", severity="look", message="has an offset")
    >>> from_data(as_data([hum])) == [hum]
    True
    """
    return [{"class": type(one).__name__, **dataclasses.asdict(one)} for one in findings]


def from_data(data: Any) -> list[Finding] | None:
    """Return the findings again; None for what this version did not write."""
    try:
        return [_finding(dict(one)) for one in data]
    except (TypeError, ValueError, KeyError, AttributeError):
        return None  # damaged: the stems are heard again, which is always right


def _finding(fields: dict[str, Any]) -> Finding:
    kind: Any = getattr(kinds, fields.pop("class"))
    if not isinstance(kind, type) or Finding not in kind.__mro__:
        raise TypeError(f"{kind} is no finding")
    said = {k: tuple(v) if isinstance(v, list) else v for k, v in fields.items()}
    found: Finding = kind(**said)
    return found
