"""The order of keys in a tidy sheet: that of the schema."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import reduce
from typing import Any

from mixwright.sheet.schema import load_schema


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
