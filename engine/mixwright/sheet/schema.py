"""The schema that editors use too: what it asks of a sheet's shape, and the order of its keys."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, reduce
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


@dataclass(frozen=True)
class SchemaPlace:
    """A place in the sheet, as the schema knows it.

    >>> track = SchemaPlace.root().child("tracks").child("kick")
    >>> sorted(("eq", "why", "gain_db", "file"), key=track.rank)
    ['file', 'gain_db', 'why', 'eq']
    """

    schema: dict[str, Any]

    @staticmethod
    def root() -> SchemaPlace:
        """Return the place of the whole sheet."""
        return SchemaPlace(load_schema())

    def child(self, key: str) -> SchemaPlace:
        """Return the place of the value under `key`; nothing is known of unknown ones."""
        known: dict[str, Any] = self.schema.get("properties", {})
        if key in known:
            return _resolved(known[key])
        patterns: dict[str, Any] = self.schema.get("patternProperties", {})
        found = (part for pattern, part in patterns.items() if re.search(pattern, key))
        return _resolved(next(found, {}))

    def at(self, path: Iterable[str | int]) -> SchemaPlace:
        """Return the place at a path from here."""
        return reduce(
            lambda at, key: at.child(key) if isinstance(key, str) else at.item(), path, self
        )

    def item(self) -> SchemaPlace:
        """Return the place of the items of a list."""
        return _resolved(self.schema.get("items", {}))

    def rank(self, key: str) -> int:
        """Return where a key stands among its kin: those of free choice are all level."""
        known = list(self.schema.get("properties", {}))
        return known.index(key) if key in known else len(known)

    @property
    def names_freely(self) -> bool:
        """Whether the keys here are names that the sheet's author gave, such as of tracks."""
        return "patternProperties" in self.schema and "properties" not in self.schema


def _resolved(schema: dict[str, Any]) -> SchemaPlace:
    while "$ref" in schema:
        schema = load_schema()["$defs"][schema["$ref"].rpartition("/")[2]]
    return SchemaPlace(schema)
