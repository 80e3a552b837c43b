"""Comments and empty lines, laid over the tree of a sheet: each belongs to an entry.

The parser says where each word stands; whatever is between words is brackets, commas and comments.

A comment at the end of a line belongs to what ends or opens there; one on lines of its own to what
comes next, or, where it is indented more than that, to the end of the block it is indented like.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, NamedTuple

from mixwright.sheet.tree import Entry

_COMMENT = re.compile("#[^\n\r\x85\u2028\u2029]*")
_LINE_END = re.compile("\r\n|[\n\r\x85\u2028\u2029]")


class _Row(NamedTuple):
    """What a line holds: `comment` from `column` (from 0) on, after words or brackets or not."""

    has_code: bool
    column: int
    comment: str


def lay_comments(root: Entry) -> Entry:
    r"""Fill in the comments and empty lines around each entry of a whole sheet; return it.

    >>> from mixwright.sheet.text import lined
    >>> from mixwright.sheet.tree import read_tree
    >>> root = lay_comments(read_tree(lined("# head\nsong:\n  title: T  # for now\n")))
    >>> root.child("song").before, root.child("song").child("title").beside
    (['# head'], ['# for now'])
    """
    _Layer(root).lay()
    return root


def comments_of(root: Entry) -> list[str]:
    """Return the comments of a whole sheet, sorted."""
    return sorted(row.comment for row in _rows(root) if row.comment)


def line_starts(text: str) -> list[int]:
    r"""Return where each line begins, and where the last one ends.

    >>> line_starts("a\r\nb"), line_starts("a\n")
    ([0, 3, 4], [0, 2])
    """
    starts = [0, *(match.end() for match in _LINE_END.finditer(text))]
    return starts if starts[-1] == len(text) else [*starts, len(text)]


class _Layer:
    """Walks over the entries, and over the lines in step with them."""

    def __init__(self, root: Entry) -> None:
        self.root = root
        self.rows = _rows(root)
        self.next_row = 0
        self.owners: dict[int, Entry] = {}  # of what stands beside the words of a line

    def lay(self) -> None:
        if self.root.is_flow:
            self.root.before = self.gather(self.root.first.start_mark.line)
        self.fill(self.root)
        self.root.after = [*self.root.after, *self.gather(len(self.rows))]
        for number, owner in sorted(self.owners.items()):
            if comment := self.rows[number].comment:
                owner.beside = [*owner.beside, comment]

    def fill(self, entry: Entry) -> None:
        """Fill in what is around and below an entry whose own line has been come to."""
        if entry.is_scalar:
            # A paragraph has room for a comment only beside its sign.
            first, last = entry.first.start_mark.line, last_line(entry)
            self.owners[first if entry.is_paragraph else last] = entry
            entry.stop = last + 1
            return
        self.fill_parts(entry)
        if not entry.parts:
            entry.before = [*entry.before, *entry.after]
            entry.after = []

    def fill_parts(self, entry: Entry) -> None:
        first, following = entry.first.start_mark, entry.last.start_mark
        if entry.is_flow:
            self.owners[first.line] = entry
        for part in entry.parts.values():
            if part.key is not None:
                part.before = self.gather(part.key.start_mark.line)
                self.owners[part.key.end_mark.line] = part
            if part.key is None or part.is_scalar or part.is_flow:
                part.before = [*part.before, *self.gather(part.first.start_mark.line)]
            self.fill(part)
            entry.stop = part.stop
        if entry.is_flow:
            entry.after = self.gather(following.line)
            self.owners[following.line] = entry
            entry.stop = following.line + 1
        else:
            entry.after = self.gather(self.end_of_block(first.column, following))
            entry.stop = max(entry.stop, self.next_row)

    def gather(self, stop: int) -> list[str]:
        """Comments and empty lines from where we are up to line `stop`, which is left."""
        found = []
        for number in range(self.next_row, stop):
            row = self.rows[number]
            # A line of code that nothing owns holds a lone dash, comma or document mark.
            if number not in self.owners and (row.comment or not row.has_code):
                found.append(row.comment)
        self.next_row = max(self.next_row, stop)
        return found

    def end_of_block(self, column: int, following: Any) -> int:
        """The line after the last comment that belongs to the end of a block at `column`."""
        is_last = following.index >= len(self.root.sheet.text)
        outer = -1 if is_last else following.column
        end = self.next_row
        for number in range(end, len(self.rows) if is_last else following.line):
            row = self.rows[number]
            if row.comment and number not in self.owners:
                if row.column < column or row.column <= outer:
                    break
                end = number + 1
        return end


def last_line(entry: Entry) -> int:
    """Return the line (from 0) on which a value that is not made of others ends."""
    start, end = entry.first.start_mark, entry.first.end_mark
    if not entry.is_paragraph:
        return int(end.line)
    written = entry.sheet.text[start.index : end.index]
    return int(start.line) + len(written.rstrip().splitlines()) - 1


def _rows(root: Entry) -> list[_Row]:
    """What each line holds beside the words that the tree tells of."""
    text = root.sheet.text
    starts = line_starts(text)
    busy: set[int] = set()
    comments: dict[int, tuple[int, str]] = {}
    for gap in _gaps(root, starts, busy):
        for match in _COMMENT.finditer(text, *gap):
            number = bisect_right(starts, match.start()) - 1
            comments[number] = (match.start() - starts[number], match.group().rstrip())
    rows = []
    for number, (start, stop) in enumerate(pairwise(starts)):
        column, comment = comments.get(number, (stop - start, ""))
        has_code = number in busy or bool(text[start : start + column].strip())
        rows.append(_Row(has_code, column, comment))
    return rows


def _gaps(root: Entry, starts: list[int], busy: set[int]) -> Iterator[tuple[int, int]]:
    """The stretches between words; the lines that words are on become `busy`."""
    at = 0
    for entry in root.walk():
        if entry.key is not None:
            start, end = entry.key.start_mark, entry.key.end_mark
            yield at, start.index
            at = end.index
            busy.update(range(start.line, end.line + 1))
        if entry.is_scalar:
            start, end = entry.first.start_mark, entry.first.end_mark
            # A comment may follow a paragraph's sign; the lines after it are text up to the last.
            yield at, starts[start.line + 1] if entry.is_paragraph else start.index
            at = end.index
            busy.update(range(start.line, last_line(entry) + 1))
    yield at, len(root.sheet.text)
