"""YAML, in a strict subset, to plain values that know where they came from.

Composed from the parser's events, so that nothing is ever resolved behind the sheet's back:
only ``true`` and ``false`` are booleans, only decimal numbers are numbers, everything else is
text. Duplicate keys, anchors and aliases, tags, merge keys and second documents are refused; an
alias is never expanded, so a small file cannot grow.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

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


@dataclass(frozen=True)
class Tree:
    """Plain values with, for each path, the span of its value and of its key.

    A mapping or list that has a key is placed at that key: it is what a person would point at.
    """

    text: SheetText = field(repr=False)
    value: Any
    spans: dict[PathKey, Span] = field(repr=False)
    key_spans: dict[PathKey, Span] = field(repr=False)

    def span(self, path: PathKey) -> Span:
        """Return the place of a value, or of its nearest parent that has one."""
        return _nearest(self.spans, path) or self.text.span(1, 1)

    def key_span(self, path: PathKey) -> Span:
        """Return the place of a key; of the value where there is no key."""
        return self.key_spans.get(path) or self.span(path)


@dataclass(frozen=True)
class Node:
    """A place in a tree that is read without trust: what is missing or of another kind is empty.

    This lets names and times be checked in a sheet whose shape is not all sound.
    """

    tree: Tree = field(repr=False)
    value: Any
    path: PathKey = ()

    def __contains__(self, key: str) -> bool:
        return isinstance(self.value, dict) and key in self.value

    def child(self, key: str) -> Node:
        """Return the entry under `key`, with the value None where there is none."""
        found = self.value.get(key) if isinstance(self.value, dict) else None
        return Node(self.tree, found, (*self.path, key))

    def entries(self) -> list[tuple[str, Node]]:
        """Return the entries of a mapping in the sheet's order."""
        keys = self.value if isinstance(self.value, dict) else {}
        return [(key, self.child(key)) for key in keys]

    def items(self) -> list[Node]:
        """Return the items of a list."""
        values = self.value if isinstance(self.value, list) else []
        return [Node(self.tree, v, (*self.path, index)) for index, v in enumerate(values)]

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
    def span(self) -> Span:
        """The place of the value."""
        return self.tree.span(self.path)

    @property
    def key_span(self) -> Span:
        """The place of the key."""
        return self.tree.key_span(self.path)


def read_tree(text: SheetText, loader: Any = None) -> Tree:
    """Turn a sheet's text into values and spans; `loader` is a YAML parser's class.

    Raises ProblemError for text that is not YAML or not in the strict subset.
    """
    composer = _Composer(text, (loader or parser_for(text.text))(text.text))
    try:
        value = composer.document()
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
    return Tree(text, value, composer.spans, composer.key_spans)


class _Composer:
    """Reads events into values; keeps going over faults that leave the structure clear."""

    def __init__(self, text: SheetText, parser: Any) -> None:
        self.text = text
        self.parser = parser
        self.spans: dict[PathKey, Span] = {}
        self.key_spans: dict[PathKey, Span] = {}
        self.problems: list[Problem] = []
        self.anchors: set[str] = set()

    def document(self) -> Any:
        value = None
        documents = 0
        while not isinstance(event := self.parser.get_event(), events.StreamEndEvent):
            if isinstance(event, events.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    message = "a second document begins here, expected one sheet to a file"
                    self.fault("several-documents", message, self.mark(event))
                    break
                value = self.value(self.parser.get_event(), (), None)
        if not documents or (value is None and not self.problems):
            message = f"{self.text.path} has no content, expected a mix sheet"
            self.fault("empty", message, self.text.span(1, 1))
        return value

    def value(self, event: Any, path: PathKey, key: Span | None) -> Any:
        """The value that begins with `event`; `key` is where its key stands."""
        self.refuse_extras(event)
        if isinstance(event, events.ScalarEvent):
            span = self.between(event, event)
            is_plain = event.implicit[0]
            self.spans[path] = key if key and is_plain and not event.value else span
            return plain_value(event.value) if is_plain else self.text_of(event)
        if isinstance(event, events.AliasEvent):
            return None
        if len(path) >= MAX_DEPTH:
            message = f"nested more than {MAX_DEPTH} deep"
            self.fault("too-deep", message, self.mark(event))
            raise ProblemError(self.problems)
        if isinstance(event, events.MappingStartEvent):
            found, end = self.mapping(path)
        else:
            found, end = self.sequence(path)
        if path:
            self.spans[path] = key or self.between(event, end)
        return found

    def mapping(self, path: PathKey) -> tuple[Any, Any]:
        found: dict[str, Any] = {}
        while not isinstance(event := self.parser.get_event(), events.MappingEndEvent):
            key, span = self.key(event, path)
            here = (*path, key)
            if key in found:
                first = self.key_spans[here]
                hint = f"it is first given in line {first.line}"
                self.fault("duplicate-key", f"the key {key} is given twice", span, hint)
                here = (*path, f"{key} again in line {span.line}")
            self.key_spans[here] = span
            value = self.value(self.parser.get_event(), here, span)
            found.setdefault(key, value)
        return found, event

    def sequence(self, path: PathKey) -> tuple[Any, Any]:
        found: list[Any] = []
        while not isinstance(event := self.parser.get_event(), events.SequenceEndEvent):
            found.append(self.value(event, (*path, len(found)), None))
        return found, event

    def key(self, event: Any, path: PathKey) -> tuple[str, Span]:
        self.refuse_extras(event)
        span = self.between(event, event)
        if not isinstance(event, events.ScalarEvent):
            self.fault("bad-key", "a key is a list, mapping or alias, expected a plain word", span)
            if not isinstance(event, events.AliasEvent):
                self.value(event, (*path, "?"), span)
            return f"? in line {span.line} column {span.column}", span
        if event.value == "<<" and event.implicit[0]:
            hint = "write the keys out where they are used"
            self.fault("merge-key", "merge keys (<<) are not allowed in a sheet", span, hint)
        text = self.text_of(event)
        if not text or not text.isprintable():
            message = "a key is empty or holds a line break, expected a plain word"
            self.fault("bad-key", message, span)
        return text, span

    def text_of(self, event: Any) -> str:
        """The text of a scalar; half a character, which only an escape can be, is refused."""
        if not has_lone_half(text := whole(event.value)):
            return text
        start, end = event.start_mark.index, event.end_mark.index
        at, half = lone_half_at(self.text.text[start:end])
        message = f"{half} is half a character, expected its other half beside it"
        self.fault("half-character", message, self.text.span_at(start + at))
        return text.encode("utf-8", "replace").decode()

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
        start = event.start_mark
        return self.text.span(start.line + 1, start.column + 1, length)

    def between(self, first: Any, last: Any) -> Span:
        """From where `first` starts to where `last` ends, or to the end of the first line."""
        start, end = first.start_mark, last.end_mark
        length = end.column - start.column if end.line == start.line else 10**6
        return self.text.span(start.line + 1, start.column + 1, length)


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


def _nearest(spans: dict[PathKey, Span], path: PathKey) -> Span | None:
    for length in range(len(path), 0, -1):
        if (span := spans.get(path[:length])) is not None:
            return span
    return None
