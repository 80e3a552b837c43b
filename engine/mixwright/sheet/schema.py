"""The sheet's shape, held to the JSON Schema that editors use too."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from mixwright.problem import Problem
from mixwright.sheet.fits import SchemaCheck
from mixwright.sheet.tree import Entry

FORMAT = 1
SCHEMA_FILE = "mix-sheet.schema.json"


def schema_path(name: str = SCHEMA_FILE) -> Path:
    """Return a schema's file: inside the package, or beside `engine/` in a working copy."""
    here = Path(__file__).resolve()
    inside = here.parents[1] / "schemas" / name
    return inside if inside.is_file() else here.parents[3] / "schemas" / name


@cache
def load_schema() -> dict[str, Any]:
    """Return the schema as plain values; not to be changed."""
    schema: dict[str, Any] = json.loads(schema_path().read_text(encoding="utf-8"))
    return schema


def check_format(tree: Entry) -> Problem | None:
    """Return the problem of a sheet in another format; nothing else in it can be judged then."""
    node = tree.child("format")
    if node.number is None or node.number == FORMAT:
        return None
    span = node.span
    if node.number > FORMAT:
        message = f"format {node.number:g} is newer than this mixwright reads ({FORMAT})"
        return Problem("sheet/newer-format", message, span, "upgrade mixwright")
    message = f"format {node.number:g} is older than this mixwright reads ({FORMAT})"
    return Problem("sheet/older-format", message, span, f"write format: {FORMAT}")


def check_shape(tree: Entry) -> tuple[list[Problem], Entry]:
    """Return the faults of shape, and the tree with each faulty value put to None.

    The second is fit for :mod:`mixwright.sheet.meaning`: what it still holds is within bounds.
    """
    misfits = SchemaCheck(load_schema()).misfits(tree.value)
    if not misfits:
        return [], tree
    from mixwright.sheet.shape import shape_faults

    problems, bad = shape_faults(misfits, tree)
    return problems, tree.without(bad)
