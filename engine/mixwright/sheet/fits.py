"""What of a value does not fit a JSON Schema (draft 2020-12), and where.

A schema library's import and walk take longer than reading most sheets, and many times as long as
reading one with a fault in each line. This knows just the keywords that the sheet's schema uses; a
test holds its answers to a schema library's.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from mixwright.sheet.tree import are_same

if TYPE_CHECKING:
    from mixwright.sheet.model import PathKey

ANNOTATIONS = frozenset(
    ("$schema", "$id", "$defs", "title", "description", "default", "patternErrorMessage")
)
Schema = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Misfit:
    """A `value` at a path that a `keyword` of the schema there does not let pass."""

    path: PathKey
    keyword: str
    value: Any
    schema: Schema


class SchemaCheck:
    """Holds values to one schema, given as plain values."""

    def __init__(self, schema: Schema) -> None:
        self._schema = schema
        self._defs: Schema = schema.get("$defs", {})

    def misfits(self, value: Any) -> list[Misfit]:
        """Return what does not fit the whole schema, in the order of its keywords."""
        found: list[Misfit] = []
        self._walk(value, self._schema, (), found)
        return found

    def fits(self, value: Any) -> bool:
        """Return whether the value fits the whole schema."""
        return self.fits_part(value, self._schema)

    def fits_part(self, value: Any, schema: Schema) -> bool:
        """Return whether a value fits a part of the schema."""
        found: list[Misfit] = []
        self._walk(value, schema, (), found)
        return not found

    def _walk(self, value: Any, schema: Schema, path: PathKey, found: list[Misfit]) -> None:
        for keyword, asked in schema.items():
            if (holds := HOLDS.get(keyword)) is not None:
                if not holds(value, asked, schema):
                    found.append(Misfit(path, keyword, value, schema))
            elif keyword == "$ref":
                self._walk(value, self._defs[asked.rpartition("/")[2]], path, found)
            elif keyword == "allOf":
                for part in asked:
                    self._walk(value, part, path, found)
            elif keyword == "if":
                if self.fits_part(value, asked):
                    self._walk(value, schema["then"], path, found)
            elif keyword == "not":
                if self.fits_part(value, asked):
                    found.append(Misfit(path, keyword, value, schema))
            elif (below := BELOW.get(keyword)) is not None:
                for key, part in below(value, asked):
                    self._walk(value[key], part, (*path, key), found)


def _items(value: Any, asked: Schema) -> Iterable[tuple[int, Schema]]:
    return ((index, asked) for index in range(len(value))) if isinstance(value, list) else ()


def _properties(value: Any, asked: Schema) -> Iterable[tuple[str, Schema]]:
    # In the order of the schema, which is that in which faults of equal weight are judged.
    return ((k, part) for k, part in asked.items() if k in value) if isinstance(value, dict) else ()


def _pattern_properties(value: Any, asked: Schema) -> Iterator[tuple[str, Schema]]:
    for pattern, part in asked.items() if isinstance(value, dict) else ():
        yield from ((key, part) for key in value if re.search(pattern, key))


def _no_more(value: Any, asked: bool, schema: Schema) -> bool:
    known, patterns = schema.get("properties", {}), schema.get("patternProperties", {})
    return not isinstance(value, dict) or all(
        key in known or any(re.search(pattern, key) for pattern in patterns) for key in value
    )


def _required(value: Any, asked: list[str], schema: Schema) -> bool:
    return not isinstance(value, dict) or all(key in value for key in asked)


def _dependent(value: Any, asked: dict[str, list[str]], schema: Schema) -> bool:
    return not isinstance(value, dict) or all(
        partner in value for key in asked if key in value for partner in asked[key]
    )


def _type(value: Any, asked: str | list[str], schema: Schema) -> bool:
    return any(_is(value, kind) for kind in ([asked] if isinstance(asked, str) else asked))


def _least(kind: str) -> Callable[[Any, Any, Schema], bool]:
    """Whether a value of a kind has so many letters, items or keys."""
    return lambda value, asked, schema: not _is(value, kind) or len(value) >= asked


def _unique(value: Any, asked: bool, schema: Schema) -> bool:
    return not isinstance(value, list) or first_again(value) is None


def first_again(items: list[Any]) -> int | None:
    """Return the index of the first item that stands before it as well.

    >>> first_again(["a", 1, True, "a", 1]), first_again([[1], {"a": 1}])
    (3, None)
    """
    seen: set[Any] = set()
    for index, item in enumerate(items):
        # True is not 1; lists and mappings, which are no members of sets, go by how they look.
        key = repr(item) if isinstance(item, dict | list) else (isinstance(item, bool), item)
        if key in seen:
            return index
        seen.add(key)
    return None


# Keywords that say something of the value itself, and those that say it of what lies below.
HOLDS: dict[str, Callable[[Any, Any, Schema], bool]] = {
    "additionalProperties": _no_more,
    "required": _required,
    "dependentRequired": _dependent,
    "type": _type,
    "minimum": lambda value, asked, schema: not _is(value, "number") or bool(value >= asked),
    "maximum": lambda value, asked, schema: not _is(value, "number") or bool(value <= asked),
    "enum": lambda value, asked, schema: any(are_same(value, choice) for choice in asked),
    "const": lambda value, asked, schema: are_same(value, asked),
    "pattern": lambda value, asked, schema: (
        not isinstance(value, str) or re.search(asked, value) is not None
    ),
    "minLength": _least("string"),
    "minItems": _least("array"),
    "minProperties": _least("object"),
    "uniqueItems": _unique,
}
BELOW: dict[str, Callable[[Any, Any], Iterable[tuple[Any, Schema]]]] = {
    "items": _items,
    "properties": _properties,
    "patternProperties": _pattern_properties,
}
KNOWN = frozenset({*HOLDS, *BELOW, "$ref", "allOf", "if", "then", "not"})
_TYPES: dict[str, tuple[type, ...]] = {
    "object": (dict,),
    "array": (list,),
    "string": (str,),
    "number": (int, float),
}


def _is(value: Any, kind: str) -> bool:
    if isinstance(value, bool):
        return kind == "boolean"
    if kind == "integer":
        return isinstance(value, int) or (isinstance(value, float) and value.is_integer())
    return isinstance(value, _TYPES.get(kind, ()))
