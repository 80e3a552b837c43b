"""The names in a sheet: each taken once, and none used that does not exist."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from mixwright.problem import Problem
from mixwright.sheet.nearest import Hints
from mixwright.sheet.tree import Entry

# Reports call the bus by this name.
RESERVED_NAMES = ("mix_bus",)
PARTS = ("tracks", "groups", "returns")


@dataclass(frozen=True)
class Names:
    """The names of tracks, groups and returns in a sheet that is read without trust."""

    sheet: Entry
    hints: Hints = field(default_factory=Hints, repr=False)

    def of(self, *parts: str) -> list[str]:
        """Return the names in these parts of the sheet, in its order."""
        values = (self.sheet.child(part).value for part in parts)
        return [name for value in values if isinstance(value, dict) for name in value]

    def unique(self) -> Iterator[Problem]:
        """A track, group or return by a name that is taken."""
        taken: dict[str, str] = {}
        for part in PARTS:
            for name, node in self.sheet.child(part).entries():
                if name in RESERVED_NAMES:
                    message = f"{name} is a name with a meaning of its own"
                    yield Problem("sheet/name-taken", message, node.key_span, "choose another name")
                other = taken.setdefault(name, part)
                if other != part:
                    message = f"{name} names a {other[:-1]} and a {part[:-1]}"
                    help = "rename one of them"
                    yield Problem("sheet/name-taken", message, node.key_span, help)

    def known(self, node: Entry, *parts: str) -> Iterator[Problem]:
        """A value that names something in one of these parts of the sheet."""
        if node.text is not None and (problem := self._unknown(node.text, parts)):
            yield Problem("sheet/unknown-" + parts[0][:-1], problem[0], node.span, problem[1])

    def known_key(self, node: Entry, name: str, *parts: str) -> Iterator[Problem]:
        """A key that names something in one of these parts of the sheet."""
        if problem := self._unknown(name, parts):
            yield Problem("sheet/unknown-" + parts[0][:-1], problem[0], node.key_span, problem[1])

    def _unknown(self, name: str, parts: tuple[str, ...]) -> tuple[str, str | None] | None:
        if any(name in self.sheet.child(part) for part in parts):
            return None
        kind = " or ".join(part[:-1] for part in parts)
        for part in PARTS:
            if name in self.sheet.child(part):
                return f"unknown {kind} {name}, {name} is a {part[:-1]}", None
        return f"unknown {kind} {name}", self.hints.similar(kind, name, self.of(*parts))
