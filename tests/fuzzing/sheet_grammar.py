"""Random sheets from the JSON Schema itself: whatever key or bound it gets is reached by itself."""

from __future__ import annotations

import random
import re
import string
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from mixwright.sheet.fits import SchemaCheck
from mixwright.sheet.schema import load_schema

# Python's own reader of patterns: a pattern is a grammar too.
from re import _parser as pattern_reader  # type: ignore[attr-defined]  # isort: skip

Path = tuple[str | int, ...]
Caps = Mapping[str, tuple[float, float]]
NEVER: dict[str, Any] = {"not": {}}
_ASCII = string.ascii_letters + string.digits + " _-.,:;/'\"#&*!?%@{}[]()|<>=+~"


class Grammar:
    """Draws values that fit the schema.

    `words` is asked for each text and each free key first: it returns choices, or None. `caps` are
    tighter bounds by the name of a key. A key that may be left out is there in `share` of all
    cases.
    """

    def __init__(
        self,
        dice: random.Random,
        words: Callable[[Path], list[str] | None],
        share: float = 0.3,
        caps: Caps | None = None,
    ) -> None:
        self.dice, self.words, self.share, self.caps = dice, words, share, caps or {}
        self.schema = load_schema()
        self._quick = SchemaCheck(self.schema)

    def sheet(self) -> dict[str, Any]:
        """A whole sheet that fits the schema; names and times may not fit one another."""
        made = self.value(self.schema, ())
        assert isinstance(made, dict)
        return made

    def value(self, schema: dict[str, Any], path: Path) -> Any:
        """A value that fits a part of the schema."""
        schema = self._resolved(schema)
        if "const" in schema:
            return schema["const"]
        if "enum" in schema:
            return self.dice.choice(schema["enum"])
        kinds = schema["type"]
        kind = self.dice.choice(kinds) if isinstance(kinds, list) else kinds
        if kind == "string" and "enum" in schema.get("then", {}):
            return self.dice.choice(schema["then"]["enum"])
        return getattr(self, f"_{kind}")(schema, path)

    def _resolved(self, schema: dict[str, Any]) -> dict[str, Any]:
        """A schema without references; what stands beside one goes first."""
        if "$ref" not in schema:
            return schema
        named = self._resolved(self.schema["$defs"][schema["$ref"].rpartition("/")[2]])
        own = {key: value for key, value in schema.items() if key != "$ref"}
        if "properties" in own and "properties" in named:
            own["properties"] = {**named["properties"], **own["properties"]}
        return {**named, **own}

    # Kinds

    def _boolean(self, schema: dict[str, Any], path: Path) -> bool:
        return self.dice.random() < 0.5

    def _integer(self, schema: dict[str, Any], path: Path) -> int:
        return int(self._number(schema, path, places=0))

    def _number(self, schema: dict[str, Any], path: Path, places: int = 3) -> float:
        """At a bound, the default, a round number, or anything between."""
        low, high = schema["minimum"], schema["maximum"]
        if (cap := self.caps.get(str(path[-1]))) is not None:
            low, high = max(low, cap[0]), min(high, cap[1])
        choice = self.dice.random()
        if choice < 0.08:
            return low
        if choice < 0.16:
            return high
        default = schema.get("default")
        if choice < 0.25 and isinstance(default, int | float) and low <= default <= high:
            return default
        drawn = self.dice.uniform(low, high)
        if choice < 0.5 and high - low > 2:
            places = 0
        # Rounded inwards: a bound may have more digits than are left.
        rounded = round(drawn, places) if places else float(round(drawn))
        return min(high, max(low, rounded))

    def _string(self, schema: dict[str, Any], path: Path) -> str:
        if (known := self.words(path)) is not None:
            return self.dice.choice(known)
        return text_of(schema.get("pattern", "^.{1,12}$"), self.dice)

    def _array(self, schema: dict[str, Any], path: Path) -> list[Any]:
        least = schema.get("minItems", 0)
        count = max(least, self.dice.choice((0, 1, 1, 2, 3)))
        items = [self.value(schema["items"], (*path, index)) for index in range(count)]
        if schema.get("uniqueItems"):
            return [item for index, item in enumerate(items) if item not in items[:index]]
        return items

    def _object(self, schema: dict[str, Any], path: Path) -> dict[str, Any]:
        """Keys in an order of their own; what a kind does not take is left out."""
        made: dict[str, Any] = {}
        required = list(schema.get("required", []))
        for key in required:
            made[key] = self.value(schema["properties"][key], (*path, key))
        properties, needed = self._for_kind(schema, made)
        least = max(0, schema.get("minProperties", 0) - len(made))
        free = [key for key in properties if key not in made]
        wanted = {key for key in free if self.dice.random() < self._share_at(path)}
        wanted |= set(self.dice.sample(free, min(least, len(free)))) | set(needed)
        for key in (key for key in free if key in wanted):
            made[key] = self.value(properties[key], (*path, key))
        for key, partners in schema.get("dependentRequired", {}).items():
            for partner in partners if key in made else ():
                made.setdefault(partner, self.value(properties[partner], (*path, partner)))
        for pattern, part in schema.get("patternProperties", {}).items():
            for name in self._free_names(path, pattern, least):
                made[name] = self.value(part, (*path, name))
        return made

    def _share_at(self, path: Path) -> float:
        return self.share if path else max(self.share, 0.6)

    def _for_kind(
        self, schema: dict[str, Any], made: dict[str, Any]
    ) -> tuple[dict[str, Any], list[str]]:
        """The properties that a mapping of its kind takes, and which of them it needs."""
        properties, needed = dict(schema.get("properties", {})), []
        for rule in schema.get("allOf", ()):
            if not self._quick.fits_part(made, rule["if"]):
                continue
            needed += rule["then"].get("required", [])
            for key, part in rule["then"].get("properties", {}).items():
                properties[key] = part if part == NEVER else {**properties[key], **part}
        return {key: part for key, part in properties.items() if part != NEVER}, needed

    def _free_names(self, path: Path, pattern: str, least: int) -> list[str]:
        """Names that are free, from those that are known in this place or from the pattern."""
        known = self.words((*path, "")) or []
        most = {"tracks": 6}.get(str(path[-1]), 3) if path else 0
        count = max(least, self.dice.randint(0, most))
        if path != ("tracks",) and self.dice.random() > self.share + 0.2:
            count = least
        names = self.dice.sample(known, min(count, len(known)))
        if not known or self.dice.random() < 0.1:
            names += [text_of(pattern, self.dice) for _ in range(max(1, count - len(names)))]
        return list(dict.fromkeys(names))


def text_of(pattern: str, dice: random.Random) -> str:
    """Return a text that a pattern finds; one with an assertion is drawn until it holds.

    >>> bool(re.search("^[a-c]{2}x?$", text_of("^[a-c]{2}x?$", random.Random(1))))
    True
    """
    parsed = pattern_reader.parse(pattern)
    while True:
        made = "".join(_drawn(parsed, dice))
        if re.search(pattern, made):
            return made


def _drawn(parsed: Any, dice: random.Random) -> Iterator[str]:
    for kind, value in parsed:
        name = str(kind)
        if name == "LITERAL":
            yield chr(value)
        elif name in ("ANY", "NOT_LITERAL"):
            yield dice.choice(_ASCII)
        elif name == "IN":
            yield _one_of(value, dice)
        elif name in ("MAX_REPEAT", "MIN_REPEAT"):
            low, high, part = value
            for _ in range(dice.randint(low, min(int(high), low + 8))):
                yield from _drawn(part, dice)
        elif name == "SUBPATTERN":
            yield from _drawn(value[-1], dice)
        elif name == "BRANCH":
            yield from _drawn(dice.choice(value[1]), dice)
        elif name not in ("AT", "ASSERT_NOT", "ASSERT"):
            raise ValueError(f"a pattern holds {name}, which is not drawn yet")


def _one_of(parts: Any, dice: random.Random) -> str:
    found = ""
    for kind, value in parts:
        if str(kind) == "LITERAL":
            found += chr(value)
        elif str(kind) == "RANGE":
            found += "".join(map(chr, range(value[0], value[1] + 1)))
        elif str(kind) == "NEGATE":
            kept = re.compile("[^" + "".join(map(_escaped, parts[1:])) + "]")
            return dice.choice([letter for letter in _ASCII + "éß漢🎚" if kept.match(letter)])
        else:
            return dice.choice(string.ascii_letters)
    return dice.choice(found)


def _escaped(part: Any) -> str:
    kind, value = str(part[0]), part[1]
    if kind == "LITERAL":
        return re.escape(chr(value))
    if kind == "RANGE":
        return f"{re.escape(chr(value[0]))}-{re.escape(chr(value[1]))}"
    return r"\s"
