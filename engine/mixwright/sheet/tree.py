"""YAML, in a strict subset, to one tree that holds what a sheet says and how it is written.

Composed from the parser's events, so that nothing is ever resolved behind the sheet's back:
only ``true`` and ``false`` are booleans, only decimal numbers are numbers, everything else is
text. Duplicate keys, anchors and aliases, tags, merge keys and second documents are refused; an
alias is never expanded, so a small file cannot grow. Every reader of a sheet works from this tree:
the loader, the checks, ``tidy`` and edits. Comments are laid over it by
:mod:`mixwright.sheet.comments`, for those who ask.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import yaml
from yaml import events

from mixwright.problem import Problem, ProblemError, Span
from mixwright.sheet.halves import has_lone_half, lone_half_at, parser_for, whole
from mixwright.sheet.text import SheetText

if TYPE_CHECKING:
    from mixwright.sheet.model import PathKey

MAX_DEPTH = 32
_NUMBER = re.compile(r"[-+]?(?:(?:0|[1-9][0-9]*)(\.[0-9]*)?|(\.[0-9]+))([eE][-+]?[0-9]+)?")
# Past this a whole number is of no use in a sheet, and too long to be printed in a message.
_LARGEST_WHOLE = 2**53
_BOOLEANS = {"true": True, "false": False}
_NULLS = ("", "~", "null", "Null", "NULL")


class Token(NamedTuple):
    """A key or value that is not made of others, as it is written at `start` up to `end`.

    Indices into the sheet's text. `style` is the quote it begins with, ``|`` or ``>``, if any.
    """

    text: str
    is_plain: bool
    style: str = ""
    start: int = 0
    end: int = 0

    def span_in(self, sheet: SheetText) -> Span:
        """Return its place in a sheet."""
        return sheet.span_at(self.start, self.end - self.start)


@dataclass(slots=True, eq=False)
class Entry:
    """A key with its value, an item of a list, or the whole sheet; `value` as plain values.

    `parts` are the entries of a mapping by key, or of a list by index. It is read without trust: a
    part that is missing or of another kind is empty. So names and times can be checked in a sheet
    whose shape is not all sound.

    The value is written from `start` up to `end` in the text, as `scalar` if it is not made of
    others, `is_flow` between brackets; a block ends where the next word begins. `before` are the
    lines above it, comments and empty ones; `beside` comments at ends of its lines; `after` lines
    at the end of a mapping or list. `stop` is the line (from 0) after its last. `place` is where
    messages point to, from an index up to another.
    """

    sheet: SheetText = field(repr=False)
    path: PathKey
    value: Any = None
    parts: dict[str | int, Entry] = field(default_factory=lambda: _NO_PARTS)
    key: Token | None = None
    scalar: Token | None = None
    is_flow: bool = False
    start: int = 0
    end: int = 0
    place: tuple[int, int] = (0, 0)
    before: Sequence[str] = ()
    beside: Sequence[str] = ()
    after: Sequence[str] = ()
    stop: int = 0

    def __contains__(self, key: str) -> bool:
        return isinstance(self.value, dict) and key in self.parts

    def child(self, key: str) -> Entry:
        """Return the entry under `key`, with the value None where there is none."""
        found = self.parts.get(key) if isinstance(self.value, dict) else None
        return found or Entry(self.sheet, (*self.path, key), place=self.place)

    def entries(self) -> list[tuple[str, Entry]]:
        """Return the entries of a mapping by their keys, in the sheet's order."""
        is_mapping = isinstance(self.value, dict)
        return [(str(key), part) for key, part in self.parts.items()] if is_mapping else []

    def items(self) -> list[Entry]:
        """Return the items of a list."""
        return list(self.parts.values()) if isinstance(self.value, list) else []

    @property
    def text(self) -> str | None:
        """The value if it is text."""
        return self.value if isinstance(self.value, str) else None

    @property
    def number(self) -> float | None:
        """The value as a float if it is a number."""
        is_number = isinstance(self.value, int | float) and not isinstance(self.value, bool)
        return float(self.value) if is_number else None

    @property
    def is_paragraph(self) -> bool:
        """Whether it is a text of several lines after ``|`` or ``>``."""
        return self.scalar is not None and self.scalar.style in ("|", ">")

    @property
    def written(self) -> str:
        """The value as it is written."""
        return self.sheet.text[self.start : self.end]

    @property
    def name(self) -> str:
        """The key, as text; of an item or the whole sheet, nothing."""
        return self.key.text if self.key else ""

    @property
    def span(self) -> Span:
        """The place of the value, or of the nearest entry around it that is there.

        A mapping or list that has a key is placed at that key: it is what a person would point at.
        """
        return self.sheet.span_at(self.place[0], self.place[1] - self.place[0])

    @property
    def key_span(self) -> Span:
        """The place of the key; of the value where there is no key."""
        return self.key.span_in(self.sheet) if self.key else self.span

    def nearest(self, path: PathKey) -> Entry:
        """Return the entry at a path from here, or the last one on the way that is there."""
        entry = self
        for key in path:
            if (found := entry.parts.get(key)) is None:
                break
            entry = found
        return entry

    def walk(self) -> Iterator[Entry]:
        """This entry and all below it, in the sheet's order."""
        yield self
        for part in self.parts.values():
            yield from part.walk()

    @property
    def spans(self) -> dict[PathKey, Span]:
        """The place of each value below."""
        return {entry.path: entry.span for entry in self.walk() if entry.path}

    def without(self, bad: Iterable[PathKey]) -> Entry:
        """Return the entry with the value None at these paths, which lie below or are its own."""
        depth = len(self.path)
        below: dict[str | int, list[PathKey]] = {}
        for path in bad:
            if len(path) == depth:
                return replace(self, value=None, parts={})
            below.setdefault(path[depth], []).append(path)
        parts = {k: p.without(below[k]) if k in below else p for k, p in self.parts.items()}
        if isinstance(self.value, dict):
            return replace(self, parts=parts, value={k: p.value for k, p in parts.items()})
        return replace(self, parts=parts, value=[part.value for part in parts.values()])


_NO_PARTS: dict[str | int, Entry] = {}


def read_tree(text: SheetText, loader: Any = None) -> Entry:
    """Return a sheet's text as a tree; `loader` is a YAML parser's class.

    Raises ProblemError for text that is not YAML or not in the strict subset.
    """
    composer = _Composer(text, (loader or parser_for(text.text))(text.text))
    root = Entry(text, ())
    try:
        composer.document(root)
    except yaml.YAMLError as error:
        from mixwright.sheet.syntax import syntax_problem

        composer.problems.append(syntax_problem(text, error))
    except (ValueError, OverflowError):  # the plain parser takes any number for a character
        mark = composer.parser.get_mark()
        message = "not valid YAML: an escape that stands for no character"
        composer.fault("not-yaml", message, text.span(mark.line + 1, mark.column - 1))
    finally:
        composer.parser.dispose()
    if composer.problems:
        raise ProblemError(composer.problems)
    return root


class _Composer:
    """Reads events into entries; keeps going over faults that leave the structure clear."""

    def __init__(self, text: SheetText, parser: Any) -> None:
        self.text = text
        self.parser = parser
        self.problems: list[Problem] = []
        self.anchors: set[str] = set()

    def document(self, root: Entry) -> None:
        documents = 0
        while not isinstance(event := self.parser.get_event(), events.StreamEndEvent):
            if isinstance(event, events.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    message = "a second document begins here, expected one sheet to a file"
                    self.fault("several-documents", message, self.mark(event))
                    break
                self.compose(root, self.parser.get_event())
        root.place = (0, 0)
        if not documents or (root.value is None and not self.problems):
            message = f"{self.text.path} has no content, expected a mix sheet"
            self.fault("empty", message, self.text.span(1, 1))

    def compose(self, entry: Entry, event: Any) -> None:
        """Read the value that begins with `event`; the entry's key is known."""
        self.refuse_extras(event)
        entry.start, entry.end = event.start_mark.index, event.end_mark.index
        if isinstance(event, events.ScalarEvent):
            entry.scalar = token = self.token(event)
            entry.value = plain_value(token.text) if token.is_plain else token.text
            is_nothing = token.is_plain and not token.text
            shown = entry.key if entry.key and is_nothing else token
            entry.place = shown.start, shown.end
            return
        if isinstance(event, events.AliasEvent):
            return
        if len(entry.path) >= MAX_DEPTH:
            self.fault("too-deep", f"nested more than {MAX_DEPTH} deep", self.mark(event))
            raise ProblemError(self.problems)
        entry.is_flow, entry.parts = bool(event.flow_style), {}
        is_mapping = isinstance(event, events.MappingStartEvent)
        last = (self.mapping if is_mapping else self.sequence)(entry)
        entry.end = last.end_mark.index if entry.is_flow else last.start_mark.index
        entry.place = (entry.key.start, entry.key.end) if entry.key else (entry.start, entry.end)

    def mapping(self, entry: Entry) -> Any:
        while not isinstance(event := self.parser.get_event(), events.MappingEndEvent):
            token = self.key(event, entry.path)
            key = token.text
            if (first := entry.parts.get(key)) is not None:
                hint = f"it is first given in line {first.key_span.line}"
                message = f"the key {key} is given twice"
                span = token.span_in(self.text)
                self.fault("duplicate-key", message, span, hint)
                key = f"{key} again in line {span.line}"
            part = Entry(self.text, (*entry.path, key), key=token)
            entry.parts[key] = part
            self.compose(part, self.parser.get_event())
        entry.value = {key: part.value for key, part in entry.parts.items()}
        return event

    def sequence(self, entry: Entry) -> Any:
        while not isinstance(event := self.parser.get_event(), events.SequenceEndEvent):
            index = len(entry.parts)
            entry.parts[index] = part = Entry(self.text, (*entry.path, index))
            self.compose(part, event)
        entry.value = [part.value for part in entry.parts.values()]
        return event

    def key(self, event: Any, path: PathKey) -> Token:
        self.refuse_extras(event)
        start, end = event.start_mark.index, event.end_mark.index
        if not isinstance(event, events.ScalarEvent):
            span = self.text.span_at(start, end - start)
            token = Token(f"? in line {span.line} column {span.column}", True, "", start, end)
            message = "a key is a list, mapping or alias, expected a plain word"
            self.fault("bad-key", message, span)
            if not isinstance(event, events.AliasEvent):
                self.compose(Entry(self.text, (*path, "?"), key=token), event)
            return token
        if event.value == "<<" and event.implicit[0]:
            hint = "write the keys out where they are used"
            message = "merge keys (<<) are not allowed in a sheet"
            self.fault("merge-key", message, self.text.span_at(start, end - start), hint)
        token = self.token(event)
        if not token.text or not token.text.isprintable():
            message = "a key is empty or holds a line break, expected a plain word"
            self.fault("bad-key", message, token.span_in(self.text))
        return token

    def token(self, event: Any) -> Token:
        """A scalar as it is written; half a character, which only an escape can be, is refused."""
        text, start, end = whole(event.value), event.start_mark.index, event.end_mark.index
        if has_lone_half(text):
            at, half = lone_half_at(self.text.text[start:end])
            message = f"{half} is half a character, expected its other half beside it"
            self.fault("half-character", message, self.text.span_at(start + at))
            text = text.encode("utf-8", "replace").decode()
        return Token(text, event.implicit[0], event.style or "", start, end)

    def refuse_extras(self, event: Any) -> None:
        is_alias = isinstance(event, events.AliasEvent)
        # Said once, at the anchor: what points to it goes with it.
        if event.anchor is not None and event.anchor not in self.anchors:
            self.anchors.add(event.anchor)
            what = f"aliases (*{event.anchor})" if is_alias else f"anchors (&{event.anchor})"
            hint = "write the values out where they are used"
            span = self.mark(event, 1 + len(event.anchor))
            self.fault("alias", f"{what} are not allowed in a sheet", span, hint)
        if not is_alias and event.tag is not None:
            shown = event.tag.replace("tag:yaml.org,2002:", "!!")
            message = f"tags ({shown}) are not allowed in a sheet"
            self.fault("tag", message, self.mark(event, len(shown)), "leave the tag out")

    def fault(self, rule: str, message: str, span: Span, help: str | None = None) -> None:
        self.problems.append(Problem(f"sheet/{rule}", message, span, help))

    def mark(self, event: Any, length: int = 1) -> Span:
        return self.text.span_at(event.start_mark.index, length)


def plain_value(text: str) -> Any:
    """Return what an unquoted scalar stands for: a number, a boolean, None or its own text.

    >>> [plain_value(text) for text in ("-3.5", "1e3", "true", "yes", "010", "12:30", "~")]
    [-3.5, 1000.0, True, 'yes', '010', '12:30', None]
    """
    if text in _BOOLEANS:
        return _BOOLEANS[text]
    if text in _NULLS:
        return None
    match = _NUMBER.fullmatch(text)
    if match is None:
        return text
    if not any(match.groups()) and len(text) < 20 and abs(int(text)) <= _LARGEST_WHOLE:
        return int(text)
    return float(text)


def are_same(value: Any, other: Any) -> bool:
    """Return whether values are equal, and of the same kind: in Python, true and 1 are equal.

    >>> are_same([1.0], [1]), are_same([True], [1])
    (True, False)
    """
    if isinstance(value, dict) and isinstance(other, dict):
        return value.keys() == other.keys() and all(are_same(value[k], other[k]) for k in value)
    if isinstance(value, list) and isinstance(other, list):
        return len(value) == len(other) and all(map(are_same, value, other))
    return isinstance(value, bool) is isinstance(other, bool) and bool(value == other)
