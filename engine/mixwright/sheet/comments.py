"""Comments and empty lines, laid over the tree of a sheet: each belongs to an entry.

The parser says where each word stands; whatever is between words is brackets, commas and comments.

A comment at the end of a line belongs to what ends or opens there; one on lines of its own to what
comes next, or, where it is indented more than that, to the end of the block it is indented like.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from mixwright.sheet.text import LINE_ENDS
from mixwright.sheet.tree import Entry

COMMENT = re.compile(f"#[^{LINE_ENDS}]*")


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


class _Layer:
    """Walks over the entries, and over the lines in step with them."""

    def __init__(self, root: Entry) -> None:
        self.root, self.sheet = root, root.sheet
        self.rows = _rows(root)
        self.next_row = 0
        self.owners: dict[int, Entry] = {}  # of what stands beside the words of a line

    def lay(self) -> None:
        if self.root.is_flow:
            self.root.before = self.gather(self.sheet.line_at(self.root.start))
        self.fill(self.root)
        self.root.after = [*self.root.after, *self.gather(len(self.rows))]
        for number, owner in sorted(self.owners.items()):
            if comment := self.rows[number].comment:
                owner.beside = [*owner.beside, comment]

    def fill(self, entry: Entry) -> None:
        """Fill in what is around and below an entry whose own line has been come to."""
        if entry.scalar is not None:
            # A paragraph has room for a comment only beside its sign.
            first, last = self.sheet.line_at(entry.start), last_line(entry)
            self.owners[first if entry.is_paragraph else last] = entry
            entry.stop = last + 1
            return
        self.fill_parts(entry)
        if not entry.parts:
            entry.before = [*entry.before, *entry.after]
            entry.after = []

    def fill_parts(self, entry: Entry) -> None:
        last = self.sheet.line_at(entry.end - 1 if entry.is_flow else entry.end)
        if entry.is_flow:
            self.owners[self.sheet.line_at(entry.start)] = entry
        for part in entry.parts.values():
            if part.key is not None:
                part.before = self.gather(self.sheet.line_at(part.key.start))
                self.owners[self.sheet.line_at(part.key.end)] = part
            if part.key is None or part.scalar is not None or part.is_flow:
                part.before = [*part.before, *self.gather(self.sheet.line_at(part.start))]
            self.fill(part)
            entry.stop = part.stop
        if entry.is_flow:
            entry.after = self.gather(last)
            self.owners[last] = entry
            entry.stop = last + 1
        else:
            entry.after = self.gather(self.end_of_block(entry, last))
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

    def end_of_block(self, entry: Entry, last: int) -> int:
        """The line after the last comment that belongs to the end of a block."""
        is_last = entry.end >= len(self.sheet.text)
        outer = -1 if is_last else self.sheet.column_at(entry.end)
        column, end = self.sheet.column_at(entry.start), self.next_row
        for number in range(end, len(self.rows) if is_last else last):
            row = self.rows[number]
            if row.comment and number not in self.owners:
                if row.column < column or row.column <= outer:
                    break
                end = number + 1
        return end


def last_line(entry: Entry) -> int:
    """Return the line (from 0) on which a value that is not made of others ends."""
    if not entry.is_paragraph:
        return entry.sheet.line_at(entry.end)
    return entry.sheet.line_at(entry.start + len(entry.written.rstrip()) - 1)


def _rows(root: Entry) -> list[_Row]:
    """What each line holds beside the words that the tree tells of."""
    text, starts = root.sheet.text, root.sheet.starts
    busy: set[int] = set()
    comments: dict[int, tuple[int, str]] = {}
    for gap in _gaps(root, busy):
        for match in COMMENT.finditer(text, *gap):
            number = root.sheet.line_at(match.start())
            comments[number] = (match.start() - starts[number], match.group().rstrip())
    rows = []
    for number, (start, stop) in enumerate(pairwise(starts)):
        column, comment = comments.get(number, (stop - start, ""))
        has_code = number in busy or bool(text[start : start + column].strip())
        rows.append(_Row(has_code, column, comment))
    return rows


def _gaps(root: Entry, busy: set[int]) -> Iterator[tuple[int, int]]:
    """The stretches between words; the lines that words are on become `busy`."""
    at, line_at = 0, root.sheet.line_at
    for entry in root.walk():
        if entry.key is not None:
            yield at, entry.key.start
            at = entry.key.end
            busy.update(range(line_at(entry.key.start), line_at(at) + 1))
        if entry.scalar is not None:
            line = line_at(entry.start)
            # A comment may follow a paragraph's sign; the lines after it are text up to the last.
            yield at, root.sheet.starts[line + 1] if entry.is_paragraph else entry.start
            at = entry.end
            busy.update(range(line, last_line(entry) + 1))
    yield at, len(root.sheet.text)
