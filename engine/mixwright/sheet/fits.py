"""A quick yes or no to whether a value fits the schema.

Most sheets fit, and then the full validator, whose import and walk take longer than everything
else together, is not needed. It knows just the keywords the sheet's schema uses; a test holds
its answer to the full validator's.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

ANNOTATIONS = frozenset(
    ("$schema", "$id", "$defs", "title", "description", "default", "patternErrorMessage")
)


class QuickCheck:
    """Holds values to one schema, given as plain values."""

    def __init__(self, schema: dict[str, Any]) -> None:
        self._schema = schema
        self._defs: dict[str, Any] = schema.get("$defs", {})

    def fits(self, value: Any) -> bool:
        """Return whether the value fits the whole schema."""
        return self.fits_part(value, self._schema)

    def fits_part(self, value: Any, schema: Any) -> bool:
        """Return whether a value fits a part of the schema."""
        for keyword, asked in schema.items():
            check = CHECKS.get(keyword)
            if check is not None and not check(self, value, asked, schema):
                return False
        return True

    def _ref(self, value: Any, asked: str, schema: dict[str, Any]) -> bool:
        return self.fits_part(value, self._defs[asked.rpartition("/")[2]])

    def _all_of(self, value: Any, asked: list[Any], schema: dict[str, Any]) -> bool:
        return all(self.fits_part(value, part) for part in asked)

    def _if(self, value: Any, asked: Any, schema: dict[str, Any]) -> bool:
        return not self.fits_part(value, asked) or self.fits_part(value, schema["then"])

    def _not(self, value: Any, asked: Any, schema: dict[str, Any]) -> bool:
        return not self.fits_part(value, asked)

    def _items(self, value: Any, asked: Any, schema: dict[str, Any]) -> bool:
        return not isinstance(value, list) or all(self.fits_part(item, asked) for item in value)

    def _properties(self, value: Any, asked: dict[str, Any], schema: dict[str, Any]) -> bool:
        return not isinstance(value, dict) or all(
            self.fits_part(item, asked[key]) for key, item in value.items() if key in asked
        )

    def _pattern_properties(
        self, value: Any, asked: dict[str, Any], schema: dict[str, Any]
    ) -> bool:
        return not isinstance(value, dict) or all(
            self.fits_part(item, part)
            for pattern, part in asked.items()
            for key, item in value.items()
            if re.search(pattern, key)
        )

    def _no_more(self, value: Any, asked: bool, schema: dict[str, Any]) -> bool:
        known, patterns = schema.get("properties", {}), schema.get("patternProperties", {})
        return not isinstance(value, dict) or all(
            key in known or any(re.search(pattern, key) for pattern in patterns) for key in value
        )

    def _required(self, value: Any, asked: list[str], schema: dict[str, Any]) -> bool:
        return not isinstance(value, dict) or all(key in value for key in asked)

    def _dependent(self, value: Any, asked: dict[str, Any], schema: dict[str, Any]) -> bool:
        return not isinstance(value, dict) or all(
            partner in value for key in asked if key in value for partner in asked[key]
        )

    def _type(self, value: Any, asked: str | list[str], schema: dict[str, Any]) -> bool:
        return any(_is(value, kind) for kind in ([asked] if isinstance(asked, str) else asked))

    def _minimum(self, value: Any, asked: float, schema: dict[str, Any]) -> bool:
        return not _is(value, "number") or bool(value >= asked)

    def _maximum(self, value: Any, asked: float, schema: dict[str, Any]) -> bool:
        return not _is(value, "number") or bool(value <= asked)

    def _enum(self, value: Any, asked: list[Any], schema: dict[str, Any]) -> bool:
        return any(_same(value, choice) for choice in asked)

    def _const(self, value: Any, asked: Any, schema: dict[str, Any]) -> bool:
        return _same(value, asked)

    def _pattern(self, value: Any, asked: str, schema: dict[str, Any]) -> bool:
        return not isinstance(value, str) or re.search(asked, value) is not None

    def _least(self, value: Any, asked: int, schema: dict[str, Any]) -> bool:
        # Kinds are held to by `type`; the schema gives each of these only with its own kind.
        return not isinstance(value, str | list | dict) or len(value) >= asked

    def _unique(self, value: Any, asked: bool, schema: dict[str, Any]) -> bool:
        if not isinstance(value, list):
            return True
        try:
            return len(set(value)) == len(value)
        except TypeError:  # lists and mappings are no members of sets
            return not any(item in value[:index] for index, item in enumerate(value))


CHECKS: dict[str, Callable[[QuickCheck, Any, Any, dict[str, Any]], bool]] = {
    "$ref": QuickCheck._ref,
    "allOf": QuickCheck._all_of,
    "if": QuickCheck._if,
    "not": QuickCheck._not,
    "items": QuickCheck._items,
    "properties": QuickCheck._properties,
    "patternProperties": QuickCheck._pattern_properties,
    "additionalProperties": QuickCheck._no_more,
    "required": QuickCheck._required,
    "dependentRequired": QuickCheck._dependent,
    "type": QuickCheck._type,
    "minimum": QuickCheck._minimum,
    "maximum": QuickCheck._maximum,
    "enum": QuickCheck._enum,
    "const": QuickCheck._const,
    "pattern": QuickCheck._pattern,
    "minLength": QuickCheck._least,
    "minItems": QuickCheck._least,
    "minProperties": QuickCheck._least,
    "uniqueItems": QuickCheck._unique,
}
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


def _same(value: Any, other: Any) -> bool:
    return isinstance(value, bool) is isinstance(other, bool) and bool(value == other)
