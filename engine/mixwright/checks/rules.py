"""All rules, in the order in which the schema lists their ids; each is found by its id."""

from __future__ import annotations

import importlib

from mixwright.checks.rule import Rule
from mixwright.sheet.schema import load_schema


def rule_ids() -> tuple[str, ...]:
    """Return the ids of all rules in step order.

    >>> rule_ids()[1]
    'balance/headroom-short'
    """
    accepted = load_schema()["properties"]["accept"]["items"]["properties"]
    return tuple(accepted["rule"]["enum"])


def rule_by_id(id: str) -> Rule:
    """Return a rule: ``eq/reason-missing`` is in ``checks/eq/reason_missing.py``."""
    stage, _, name = id.partition("/")
    name = name.replace("-", "_")
    found = getattr(importlib.import_module(f"mixwright.checks.{stage}.{name}"), name)
    assert isinstance(found, Rule)
    assert found.id == id
    return found


RULES = tuple(rule_by_id(id) for id in rule_ids())
