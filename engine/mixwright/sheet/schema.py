"""The sheet's shape, held to the JSON Schema that editors use too."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mixwright.problem import Problem
from mixwright.sheet.fits import QuickCheck
from mixwright.sheet.tree import Entry

if TYPE_CHECKING:
    from jsonschema import Draft202012Validator

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


@cache
def validator() -> Draft202012Validator:
    """Return the full validator, the judge of what fits."""
    from jsonschema import Draft202012Validator

    return Draft202012Validator(load_schema())


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
    quick = QuickCheck(load_schema())
    if quick.fits(tree.value):
        return [], tree
    from mixwright.sheet.shape import shape_faults

    errors = validator().iter_errors(_doubtful(quick, tree.value))
    problems, bad = shape_faults(errors, tree)
    return problems, tree.without(bad)


def _doubtful(quick: QuickCheck, value: Any) -> Any:
    """The sheet without the tracks that fit: they are most of it, and the validator is slow."""
    tracks = value.get("tracks") if isinstance(value, dict) else None
    if not isinstance(tracks, dict):
        return value
    schema = load_schema()["properties"]["tracks"]
    kept = {
        name: track for name, track in tracks.items() if not quick.fits_part({name: track}, schema)
    }
    return {**value, "tracks": kept or tracks}
