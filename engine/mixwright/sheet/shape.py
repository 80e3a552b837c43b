"""Faults of shape in words: one cause, one message, at the smallest place that shows it."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from mixwright.problem import Problem
from mixwright.sheet.fits import Misfit, first_again
from mixwright.sheet.nearest import Hints
from mixwright.sheet.slips import meant_number, meant_pan, meant_word
from mixwright.sheet.syntax import NEEDS_QUOTES
from mixwright.sheet.tree import Entry
from mixwright.words import listed, unit_of

if TYPE_CHECKING:
    from mixwright.sheet.model import PathKey

_KINDS = {
    "object": "a mapping",
    "array": "a list",
    "string": "a string",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
}
_BOOLEAN_WORDS = {"yes": "true", "on": "true", "no": "false", "off": "false"}
_ORDER = {"type": 0, "additionalProperties": 1, "required": 2}
_LONGEST_LISTED = 8
_LONGEST_SAID = 60


def shape_faults(misfits: Iterable[Misfit], tree: Entry) -> tuple[list[Problem], set[PathKey]]:
    """Return the problems that misfits are, and the paths of the bad values."""
    hints = Hints()
    problems: dict[Problem, None] = {}
    bad: set[PathKey] = set()
    meant: set[PathKey] = set()
    # A wrong type first: what else is wrong with such a value follows from it. Unknown keys
    # before missing ones: a misspelt key is not missing as well.
    for misfit in sorted(misfits, key=lambda one: _ORDER.get(one.keyword, len(_ORDER))):
        fault, keyword = _ShapeFault(misfit, tree, hints), misfit.keyword
        if keyword == "additionalProperties":
            for path, problem in fault.unknown_keys(meant):
                problems[problem] = None
                bad.add(path)
        elif keyword == "required":
            problems.update(dict.fromkeys(fault.missing_keys(meant)))
        elif fault.path not in bad:
            problems[fault.bad_value(keyword)] = None
            if keyword not in ("uniqueItems", "dependentRequired"):
                bad.add(fault.path)
    return list(problems), bad


@dataclass(frozen=True)
class _ShapeFault:
    """One misfit with what is needed to word it."""

    misfit: Misfit
    tree: Entry
    hints: Hints

    @property
    def path(self) -> PathKey:
        return self.misfit.path

    @property
    def schema(self) -> Any:
        return self.misfit.schema

    @property
    def value(self) -> Any:
        return self.misfit.value

    @property
    def asked(self) -> Any:
        """What the keyword that failed asks for."""
        return self.schema[self.misfit.keyword]

    @property
    def name(self) -> str:
        """The key, or the key of the list that the value is an item of."""
        keys = [part for part in self.path if isinstance(part, str)]
        name = keys[-1] if keys else "the sheet"
        return f"an item of {name}" if self.path and isinstance(self.path[-1], int) else name

    @property
    def said(self) -> str:
        """The value as a person writes it, in one line that is not too long."""
        words = " ".join(as_written(self.value).split())
        return words if len(words) <= _LONGEST_SAID else words[: _LONGEST_SAID - 4] + " ..."

    def problem(self, rule: str, message: str, help: str | None = None) -> Problem:
        return Problem(f"sheet/{rule}", message, self.tree.nearest(self.path).span, help)

    def unknown_keys(self, meant: set[PathKey]) -> Iterator[tuple[PathKey, Problem]]:
        """A problem for each key that has no place; `meant` collects what they stand for."""
        known = self.schema.get("properties", {})
        patterns = self.schema.get("patternProperties", {})
        free = [key for key in known if key not in self.value]
        for key in self.value:
            if key in known or any(re.search(pattern, key) for pattern in patterns):
                continue
            path = (*self.path, key)
            span = self.tree.nearest(path).key_span
            if patterns and not known:
                yield path, Problem("sheet/bad-name", _bad_name(key), span, _better_name(key))
                continue
            found = self.hints.nearest(key, free)
            if found is not None:
                meant.add((*self.path, found))
            help = self.hints.similar("key", key, free if found else list(known))
            if patterns and key.startswith("send") and "." in key:
                help = f"write sends_db.{key.partition('.')[2]}"
            if " " in key:  # the rest of a text that a comma has cut in two
                help = NEEDS_QUOTES
            yield path, Problem("sheet/unknown-key", f"unknown key {key}", span, help)

    def missing_keys(self, meant: set[PathKey]) -> Iterator[Problem]:
        span = self.tree.nearest(self.path).key_span
        for key in self.asked:
            if key not in self.value and (*self.path, key) not in meant:
                help = "write format: 1 at the top" if (*self.path, key) == ("format",) else None
                yield Problem("sheet/missing-key", f"{self.owner} has no {key}", span, help)

    @property
    def owner(self) -> str:
        """What a mapping is, for a message about its keys."""
        if not self.path:
            return "the sheet"
        last = self.path[-1]
        kind = self.value.get("type") if isinstance(self.value, dict) else None
        if len(self.path) == 2 and self.path[0] in ("tracks", "groups", "returns", "variants"):
            what = kind if self.path[0] == "returns" and kind else str(self.path[0])[:-1]
            return f"the {what} {last}"
        if isinstance(last, str):
            return f"the {last.replace('_', ' ')}"
        if self.path[-2] == "eq":
            return f"a {kind} band" if isinstance(kind, str) else "an EQ band"
        if self.path[-2] == "inserts":
            return f"a {kind} insert" if isinstance(kind, str) else "an insert"
        return _SINGULAR.get(str(self.path[-2]), "an automation point")

    def bad_value(self, keyword: str) -> Problem:
        if self.value is None and keyword != "not":
            message = f"{self.name} has no value, expected {self.expected}"
            help = (
                "write {} for one with nothing set" if self.schema.get("type") == "object" else None
            )
            return self.problem("no-value", message, help)
        return _BAD_VALUES[keyword](self)

    @property
    def expected(self) -> str:
        """What kind of value the schema asks for."""
        if "patternErrorMessage" in self.schema:
            return str(self.schema["patternErrorMessage"]).removeprefix("expected ")
        kinds = self.schema.get("type", "object")
        if isinstance(kinds, list):
            words = self.schema.get("then", {}).get("enum", ["a string", "true or false"])
            return listed(["a number", *words])
        return _KINDS[kinds]

    def wrong_type(self) -> Problem:
        value, kinds, help = self.value, self.schema["type"], None
        if isinstance(value, float | int) and not isinstance(value, bool) and kinds == "integer":
            return self.problem(
                "wrong-type", f"{self.name} is {self.said}, expected a whole number"
            )
        if isinstance(value, str) and kinds == "boolean" and value.lower() in _BOOLEAN_WORDS:
            help = f"write {_BOOLEAN_WORDS[value.lower()]}"
        elif isinstance(value, str) and kinds in ("number", "integer"):
            help = meant_number(value)
        elif isinstance(value, int | float) and kinds == "string":
            help = _text_help(value, self.schema)
        message = f"expected {self.expected} for {self.name}, found {_kind(value)}"
        return self.problem("wrong-type", message, help)

    def out_of_bounds(self) -> Problem:
        low, high = self.schema.get("minimum"), self.schema.get("maximum")
        within = f"between {as_written(low)} and {as_written(high)}"
        unit = _unit_at(self.path)
        message = f"{self.name} is {self.said}, expected {within}{unit and ' ' + unit}"
        return self.problem("out-of-bounds", message)

    def not_listed(self) -> Problem:
        choices = self.asked if isinstance(self.asked, list) else [self.asked]
        if choices in (["off"], ["matched"]):
            message = f"{self.name} is {self.said}, expected a number or {choices[0]}"
            help = meant_number(self.value)
            if help is None and self.hints.nearest(self.value, choices):
                help = f"write {choices[0]}"
            return self.problem("not-listed", message, help)
        every = [as_written(choice) for choice in choices]
        help = None
        if isinstance(self.value, str):
            if (meant := meant_word(self.value, every)) is not None:
                help = f"write {meant}"
            elif (found := self.hints.nearest(self.said, every)) is not None:
                help = f"a similar one exists: {found}"
        if len(every) <= _LONGEST_LISTED:
            message = f"{self.name} is {self.said}, expected {listed(every)}"
            return self.problem("not-listed", message, help)
        name = self.name.removeprefix("an item of ").removesuffix("s")
        help = help or f"known {name}s: {', '.join(every)}"
        return self.problem("not-listed", f"unknown {name} {self.said}", help)

    def off_pattern(self) -> Problem:
        help = None
        if isinstance(self.value, str) and self.name in _IN_CAPITALS:
            upper = self.value.upper().replace(" ", "")
            pan = meant_pan(self.value) if self.name in ("pan", "value") else None
            meant = pan or upper
            help = f"write {meant}" if re.search(self.asked, meant) else None
        message = f"{self.name} is {self.said or 'empty'}, expected {self.expected}"
        return self.problem("bad-value", message, help)

    def empty(self) -> Problem:
        kind = {"tracks": "at least one track"}.get(self.name, "at least one item")
        kind = "some text" if isinstance(self.value, str) else kind
        return self.problem("empty-value", f"{self.name} is empty, expected {kind}")

    def repeated(self) -> Problem:
        again = first_again(self.value)
        assert again is not None
        message = f"{self.name} names {as_written(self.value[again])} twice"
        return Problem("sheet/named-twice", message, self.tree.nearest((*self.path, again)).span)

    def lacks_partner(self) -> Problem:
        for key, partners in self.asked.items():
            lacking = [p for p in partners if p not in self.value]
            if key in self.value and lacking:
                break
        span = self.tree.nearest((*self.path, key)).key_span
        message = f"{key} does nothing without {lacking[0]}"
        return Problem("sheet/no-effect", message, span)

    def no_place(self) -> Problem:
        """A key that is known but has nothing to do in this kind of part."""
        key, parent = self.path[-1], self.path[:-1]
        what = f"a {self.tree.nearest(parent).value.get('type')}"
        if parent == ("mix_bus", "compressor"):
            what = "the mix bus compressor"
        elif parent[-2] in ("eq", "inserts"):
            what = f"{what} {'band' if parent[-2] == 'eq' else 'insert'}"
        elif parent[-2] == "mute":
            what = "a mute point"
        return Problem(
            "sheet/no-effect", f"{what} takes no {key}", self.tree.nearest(self.path).key_span
        )


# Values that are written in capitals, without spaces.
_IN_CAPITALS = ("pan", "value", "isrc")
# What an entry of a list is, for a message about its keys.
_SINGULAR = {
    "tempo": "a tempo change",
    "sections": "a section",
    "references": "a reference",
    "accept": "an accepted finding",
    "clean": "a cover",
}

_BAD_VALUES: dict[str, Callable[[_ShapeFault], Problem]] = {
    "type": _ShapeFault.wrong_type,
    "minimum": _ShapeFault.out_of_bounds,
    "maximum": _ShapeFault.out_of_bounds,
    "enum": _ShapeFault.not_listed,
    "const": _ShapeFault.not_listed,
    "pattern": _ShapeFault.off_pattern,
    "minItems": _ShapeFault.empty,
    "minLength": _ShapeFault.empty,
    "minProperties": _ShapeFault.empty,
    "uniqueItems": _ShapeFault.repeated,
    "dependentRequired": _ShapeFault.lacks_partner,
    "not": _ShapeFault.no_place,
}
# Every keyword in the schema that can fail; a test holds the two together.
SPOKEN_KEYWORDS = frozenset({*_BAD_VALUES, "additionalProperties", "required"})


def _unit_at(path: PathKey) -> str:
    """Return the unit that the key of a value names; an automation value has its curve's.

    >>> _unit_at(("tracks", "bass", "automation", "gain_db", 0, "value"))
    'dB'
    """
    if path[-1:] == ("value",):
        path = path[:-2]
    if len(path) > 1 and path[-2] in ("sends_db", "offset_db"):
        return "dB"
    return unit_of(str(path[-1]).partition(".")[0])


def as_written(value: Any) -> str:
    """Return a value as one writes it in a sheet, without losing digits.

    >>> as_written(5.0), as_written(True), as_written("bass")
    ('5', 'true', 'bass')
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return _kind(value) if isinstance(value, dict | list) else str(value)


def _kind(value: Any) -> str:
    if isinstance(value, bool):
        return as_written(value)
    if isinstance(value, int | float):
        return "a number"
    names: dict[type, str] = {dict: "a mapping", list: "a list", str: "a string"}
    return names.get(type(value), "nothing")


def _text_help(value: float, schema: dict[str, Any]) -> str | None:
    if "pattern" in schema and not re.search(schema["pattern"], as_written(value)):
        side = "L" if value < 0 else "R"
        better = f"{side}{as_written(abs(value))}" if value else "C"
        return f"write {better}" if re.search(schema["pattern"], better) else None
    return None if "enum" in schema else "put it in quotes to make it a string"


def _bad_name(key: str) -> str:
    return f"{key} is not a name, expected letters, digits, _ and -, the first a letter or digit"


def _better_name(key: str) -> str | None:
    letters = unicodedata.normalize("NFKD", key).encode("ascii", "ignore").decode()
    better = re.sub(r"[^A-Za-z0-9_-]+", "_", letters).strip("_-")
    return f"a name that works: {better}" if better else None
