"""A sheet as it is written: what the reader passes over - comments, empty lines, style - kept.

The parser is the reader's own, so that both see the same words in the same places. It says where
each word stands; whatever is between words is brackets, commas and comments.

A comment at the end of a line belongs to what ends or opens there; one on lines of its own to what
comes next, or, where it is indented more than that, to the end of the block it is indented like.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from yaml import events

from mixwright.sheet.halves import parser_for, whole

_COMMENT = re.compile("#[^\n\r\x85\u2028\u2029]*")


@dataclass(frozen=True)
class Paragraph:
    """A text of several lines after ``|`` or ``>``: `lines` without their indentation.

    `sign` is the mark with ``+`` or ``-`` after it; `is_inset` tells of a first line with spaces.
    """

    sign: str
    lines: tuple[str, ...]
    is_inset: bool


@dataclass(frozen=True)
class Word:
    """A key or value that is not made of others."""

    text: str
    is_plain: bool
    paragraph: Paragraph | None = None


@dataclass
class Many:
    """A mapping or list; `after` are comments and empty lines at its end.

    `is_one_line` says that it was written between brackets, on one line.
    """

    is_list: bool
    is_one_line: bool
    parts: list[Part] = field(default_factory=list)
    after: list[str] = field(default_factory=list)


@dataclass
class Part:
    """An entry of a mapping or item (no key) of a list, with the comments that belong to it.

    `before` are lines above it, comments and empty ones; `beside` are comments at ends of lines.
    """

    key: Word | None
    value: Word | Many
    before: list[str] = field(default_factory=list)
    beside: list[str] = field(default_factory=list)

    @property
    def name(self) -> str:
        """The text of the key; of an item, nothing."""
        return self.key.text if self.key else ""


@dataclass(frozen=True)
class Line:
    """What a line holds: `comment` from `column` (from 0) on, after words or brackets or not."""

    has_code: bool
    column: int
    comment: str


def read_parts(text: str, loader: Any = None) -> Part:
    r"""Return the whole sheet as one part; `text` must be what the reader accepts.

    `loader` is a parser's class.

    >>> part = read_parts("# head\nsong:\n  title: T  # for now\n")
    >>> song = part.value.parts[0]
    >>> song.before, song.value.parts[0].beside
    (['# head'], ['# for now'])
    """
    return _Reader(text, loader).sheet()


def comments_of(text: str) -> list[str]:
    r"""Return the comments of a sheet, sorted.

    >>> comments_of('a: "#1"  # one\n# two\n')
    ['# one', '# two']
    """
    return sorted(line.comment for line in _lines(text, _events(text)) if line.comment)


def _events(text: str, loader: Any = None) -> list[Any]:
    parser = (loader or parser_for(text))(text)
    found = []
    try:
        while parser.check_event():
            found.append(event := parser.get_event())
            if isinstance(event, events.ScalarEvent):
                event.value = whole(event.value)
    finally:
        parser.dispose()
    return found


class _Reader:
    """Walks over the parser's events, and over the lines in step with them."""

    def __init__(self, text: str, loader: Any) -> None:
        self.text = text
        found = _events(text, loader)
        self.lines = _lines(text, found)
        kept = (events.ScalarEvent, events.CollectionStartEvent, events.CollectionEndEvent)
        self.events: Iterator[Any] = iter([event for event in found if isinstance(event, kept)])
        self.next_line = 0
        self.owners: dict[int, Part] = {}  # of what stands beside the words of a line

    def sheet(self) -> Part:
        start = next(self.events)
        part = Part(None, Word("", True))
        if start.flow_style:
            part.before = self.gather(start.start_mark.line)
        part.value = many = self.many(start, part)
        many.after += self.gather(len(self.lines))
        for number, owner in sorted(self.owners.items()):
            if comment := self.lines[number].comment:
                owner.beside.append(comment)
        return part

    def entry(self, key: Any) -> Part:
        """The entry of a mapping that begins with `key`."""
        part = Part(_word(key, self.text), Word("", True), self.gather(key.start_mark.line))
        self.owners[key.end_mark.line] = part
        value = next(self.events)
        if isinstance(value, events.ScalarEvent) or value.flow_style:
            part.before += self.gather(value.start_mark.line)
        return self.completed(part, value)

    def item(self, value: Any) -> Part:
        """The item of a list that begins with `value`."""
        part = Part(None, Word("", True), self.gather(value.start_mark.line))
        return self.completed(part, value)

    def completed(self, part: Part, value: Any) -> Part:
        if isinstance(value, events.ScalarEvent):
            part.value = _word(value, self.text)
            # A paragraph has room for a comment only beside its sign.
            mark: Any = value.start_mark if _is_paragraph(value) else value.end_mark
            self.owners[mark.line] = part
        else:
            part.value = many = self.many(value, part)
            if not many.parts:
                part.before += many.after
                many.after = []
        return part

    def many(self, start: Any, owner: Part) -> Many:
        """The mapping or list that begins with `start`."""
        many = Many(isinstance(start, events.SequenceStartEvent), False)
        first = start.start_mark.line
        if start.flow_style:
            self.owners[first] = owner
        while not isinstance(event := next(self.events), events.CollectionEndEvent):
            many.parts.append(self.item(event) if many.is_list else self.entry(event))
        following: Any = event.start_mark
        if start.flow_style:
            many.is_one_line = following.line == first
            many.after = self.gather(following.line)
            self.owners[following.line] = owner
        else:
            many.after = self.gather(self.end_of_block(start.start_mark.column, following))
        return many

    def gather(self, stop: int) -> list[str]:
        """Comments and empty lines from where we are up to line `stop`, which is left."""
        found = []
        for number in range(self.next_line, stop):
            line = self.lines[number]
            # A line of code that nothing owns holds a lone dash, comma or document mark.
            if number not in self.owners and (line.comment or not line.has_code):
                found.append(line.comment)
        self.next_line = max(self.next_line, stop)
        return found

    def end_of_block(self, column: int, following: Any) -> int:
        """The line after the last comment that belongs to the end of a block at `column`."""
        is_last = following.index >= len(self.text)
        outer = -1 if is_last else following.column
        end = self.next_line
        for number in range(end, len(self.lines) if is_last else following.line):
            line = self.lines[number]
            if line.comment and number not in self.owners:
                if line.column < column or line.column <= outer:
                    break
                end = number + 1
        return end


def _word(event: Any, text: str) -> Word:
    paragraph = None
    # What a paragraph can't hold safely is written in quotes: ends that count, odd line ends.
    is_odd = event.value.endswith("\n\n") or re.search("[\r\x85\u2028\u2029]", event.value)
    if _is_paragraph(event) and event.value.strip() and not is_odd:
        paragraph = _paragraph(event, text)
    return Word(event.value, event.implicit[0], paragraph)


def _is_paragraph(event: Any) -> bool:
    return event.style in ("|", ">")


def _paragraph(event: Any, text: str) -> Paragraph:
    source = text[event.start_mark.index : event.end_mark.index].splitlines()[1:]
    while not source[-1].strip():
        source.pop()
    first = next(line for line in source if line.strip())
    read = event.value.lstrip("\n")
    indent = _spaces(first) - _spaces(read)
    sign = event.style + ("" if event.value.endswith("\n") else "-")
    return Paragraph(sign, tuple(line[indent:] for line in source), read.startswith(" "))


def _spaces(text: str) -> int:
    return len(text) - len(text.lstrip(" "))


def _lines(text: str, found: list[Any]) -> list[Line]:
    """What each line holds beside the words that the events tell of."""
    starts = [0, *(match.end() for match in re.finditer("\r\n|[\n\r\x85\u2028\u2029]", text))]
    if starts[-1] < len(text):
        starts.append(len(text))
    busy: set[int] = set()
    comments: dict[int, tuple[int, str]] = {}
    for gap in _gaps(text, found, starts, busy):
        for match in _COMMENT.finditer(text, *gap):
            number = bisect_right(starts, match.start()) - 1
            comments[number] = (match.start() - starts[number], match.group().rstrip())
    lines = []
    for number, (start, stop) in enumerate(pairwise(starts)):
        column, comment = comments.get(number, (stop - start, ""))
        has_code = number in busy or bool(text[start : start + column].strip())
        lines.append(Line(has_code, column, comment))
    return lines


def _gaps(
    text: str, found: list[Any], starts: list[int], busy: set[int]
) -> Iterator[tuple[int, int]]:
    """The stretches between words; the lines that words are on become `busy`."""
    at = 0
    for event in found:
        first, stop = event.start_mark, event.end_mark
        if not isinstance(event, events.ScalarEvent):
            continue
        last = stop.line
        if not _is_paragraph(event):
            yield at, first.index
            at = stop.index
        else:
            # A comment may follow the sign; the lines after it are text up to the last.
            yield at, starts[first.line + 1]
            at = stop.index
            last = first.line + len(text[first.index : at].rstrip().splitlines()) - 1
        busy.update(range(first.line, last + 1))
    yield at, len(text)
