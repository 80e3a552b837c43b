"""Where an edit goes in a sheet's text, and the text that is put there."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

from mixwright.problem import Problem, ProblemError
from mixwright.sheet.comments import COMMENT, last_line
from mixwright.sheet.model import PathKey
from mixwright.sheet.schema import SchemaPlace
from mixwright.sheet.text import LINE_ENDS
from mixwright.sheet.tidy_print import APART, STEP, print_inline, print_pair, print_part
from mixwright.sheet.tidy_words import key_text, quoted, written_number
from mixwright.sheet.tree import Entry, Token, plain_value

_AFTER_PAIR = re.compile(rf"[ \t]*(,?)[ \t]*(#[^{LINE_ENDS}]*)?(?=[{LINE_ENDS}])")


def no_place(where: Entry, path: PathKey, why: str) -> ProblemError:
    """Return the error of an edit that has no place in a sheet; `where` is the nearest there is."""
    shown = ".".join(map(str, path)) or "the whole sheet"
    return ProblemError([Problem("edit/no-place", f"{shown} can't be edited: {why}", where.span)])


def writable(value: Any) -> Any:
    """Return a value as it is read once it is written.

    Raises ValueError for what has no place in a sheet: nothing, infinities, other kinds of objects.

    >>> writable({"gain_db": 0.1 + 0.2})
    {'gain_db': 0.3}
    """
    if isinstance(value, dict) and all(isinstance(k, str) and k and k.isprintable() for k in value):
        return {key: writable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [writable(item) for item in value]
    if isinstance(value, bool | str):
        return value
    if isinstance(value, int | float) and math.isfinite(value):
        return plain_value(written_number(value))
    raise ValueError(f"{value!r} is no value of a sheet")


class Patches:
    """Stretches of a text and what is to stand there instead; `root` has its comments."""

    def __init__(self, root: Entry) -> None:
        self.root = root
        self.text, self.starts = root.sheet.text, root.sheet.starts
        self.line_end = "\r\n" if re.match("[^\n\r]*\r\n", self.text) else "\n"
        self.found: list[tuple[int, int, str]] = []

    def applied(self) -> str:
        """Return the text with all patches made."""
        made, at = "", 0
        for start, end, new in sorted(self.found, key=lambda patch: patch[0]):
            made += self.text[at:start] + new
            at = end
        return made + self.text[at:]

    # ---- edits ----

    def set(self, path: PathKey, value: Any) -> None:
        """Put a value at a path."""
        entry = self.root.nearest(path)
        value = self.checked(entry, path, value)
        keys = path[len(entry.path) :]
        if not path or any(isinstance(key, int) and key != 0 for key in keys[1:]):
            raise no_place(entry, path, "expected a path of keys, and lists from their first item")
        if not keys:
            self.replace(entry, value)
            return
        if entry.value is None and entry is not self.root:
            self.replace(entry, _nested(keys, value))
            return
        self.insert(entry, path, value, self.last_before(entry, keys[0]))

    def insert_after(self, path: PathKey, value: Any, key: str | None) -> None:
        """Put a new key or item behind an entry."""
        parent, entry = self.root.nearest(path[:-1]), self.root.nearest(path)
        is_start = isinstance(parent.value, list) and path[-1:] == (-1,)
        if not path or parent.path != path[:-1] or (entry.path != path and not is_start):
            raise no_place(entry, path, "there is nothing there to insert after")
        if isinstance(parent.value, list) is not (key is None) or key in parent.parts:
            raise no_place(entry, path, "expected a new key in a mapping, none in a list")
        value = self.checked(entry, path, value)
        here = (*parent.path, len(parent.parts) if key is None else key)
        self.insert(parent, here, value, None if is_start else entry)

    def remove(self, path: PathKey) -> None:
        """Take out an entry."""
        entry, parent = self.root.nearest(path), self.root.nearest(path[:-1])
        if not path or entry.path != path:
            raise no_place(entry, path, "there is nothing there to remove")
        if len(parent.parts) > 1:
            (self.remove_from_flow if parent.is_flow else self.remove_lines)(parent, entry)
        elif parent is self.root:
            raise no_place(entry, path, "a sheet holds at least one key")
        else:
            self.replace(parent, type(parent.value)())

    # ---- what is there already ----

    def replace(self, entry: Entry, value: Any) -> None:
        """Write another value where an entry has one."""
        parent = self.root.nearest(entry.path[:-1])
        if self.is_in_flow(parent):
            self.put(entry, self.words(entry, value))
            return
        part = self.made(entry.path, value)
        indent = " " * self.column_of(parent)
        lines = print_part(part, indent, SchemaPlace.root().at(parent.path))
        lead = f"{indent}-" if part.key is None else f"{indent}{key_text(part.name, True, False)}:"
        beside, below = lines[0][len(lead) :], self.below(lines[1:])
        line_at = self.root.sheet.line_at
        if entry.is_paragraph:
            sign = re.match(r"[|>][-+0-9]*", entry.written)
            self.patch(entry.start - 1, entry.start + len(sign[0] if sign else ""), beside)
            self.patch(self.end_of(line_at(entry.start)), self.end_of(last_line(entry)), below)
        elif entry.scalar is not None or entry.is_flow:
            if beside and not below:
                self.put(entry, beside[1:])
                return
            start = len(self.text[: entry.start].rstrip(" \t"))
            self.patch(start if entry.key is None else self.after_colon(entry), entry.end, beside)
            end = self.end_of(line_at(entry.end))
            self.patch(end, end, below)
        elif entry.key is None:
            self.patch(entry.start, self.end_of(entry.stop - 1), beside.lstrip() + below)
        else:
            colon = self.after_colon(entry)
            self.patch(colon, colon, beside)
            start = self.end_of(line_at(entry.key.end))
            self.patch(start, self.end_of(entry.stop - 1), below)

    def put(self, entry: Entry, words: str) -> None:
        """Put words where a value stands on its line, or would."""
        if entry.start == entry.end:
            gap = "" if self.text[entry.start - 1] == " " else " "
            has_lead = entry.key is None or ":" in self.text[entry.key.end : entry.start]
            words = gap + words if has_lead else f": {words}"
        self.patch(entry.start, entry.end, words)

    def remove_from_flow(self, parent: Entry, entry: Entry) -> None:
        """Take an entry out of brackets, with the comma that it needs no more."""
        parts = list(parent.parts.values())
        at = parts.index(entry)
        start, end = _start(entry), entry.end
        if at + 1 < len(parts):
            gap = self.text[end : _start(parts[at + 1])]
            self.patch(start, end + (gap.index(",") + 1 if "#" in gap else len(gap)), "")
        else:
            before = parts[at - 1].end
            has_comment = "#" in self.text[before:start]
            self.patch(start if has_comment else before, end, "")

    def remove_lines(self, parent: Entry, entry: Entry) -> None:
        """Take the lines of an entry out of a block, with the comments right above them."""
        parts = list(parent.parts.values())
        at = parts.index(entry)
        column = self.column_of(parent)
        floor = parts[at - 1].stop if at else self.root.sheet.line_at(parent.start)
        line = self.line_of(entry, floor, column)
        stop = entry.stop
        start = self.starts[line] + column
        if self.text[self.starts[line] : start].strip():
            # It shares a line with the dash around it: what comes next moves up there.
            rest = self.text[self.starts[stop] :]
            gap = len(rest) - len(rest.lstrip(" " + LINE_ENDS))
            has_comment = rest.lstrip(" " + LINE_ENDS).startswith("#")
            self.patch(start, self.end_of(stop - 1) if has_comment else self.starts[stop] + gap, "")
            return
        if at or parent is not self.root:
            floor = floor if at else self.floor_of(parent)
            line = self.above(line, floor)
            is_alone = stop + 1 >= len(self.starts) or not self.row(stop)
            if line > floor and not self.row(line - 1) and is_alone:
                line -= 1
        self.patch(self.starts[line], self.starts[stop], "")

    # ---- what is new ----

    def insert(self, parent: Entry, path: PathKey, value: Any, after: Entry | None) -> None:
        """Write a new entry, at a path below `parent`, behind another one or before all."""
        keys = path[len(parent.path) :]
        is_key = isinstance(keys[0], str)
        is_next = isinstance(parent.value, list) and keys[0] == len(parent.parts)
        if not (isinstance(parent.value, dict) if is_key else is_next):
            raise no_place(parent, path, f"there is no place for {keys[0]} here")
        is_empty = not parent.parts and parent is not self.root
        if is_empty and not self.is_in_flow(self.root.nearest(parent.path[:-1])):
            self.replace(parent, _nested(keys, value))
        elif parent.is_flow:
            self.insert_in_flow(
                parent, self.words(parent, _nested(keys[1:], value), keys[0]), after
            )
        else:
            lines = self.lines(parent.path, keys, value, " " * self.column_of(parent))
            self.insert_lines(parent, lines, after)

    def insert_lines(self, parent: Entry, lines: list[str], after: Entry | None) -> None:
        """Put lines into a block."""
        others = list(parent.parts.values())[1:]
        is_apart = all("" in part.before for part in others) if others else parent.path in APART
        gap = [""] if is_apart else []
        if after is not None:
            end = self.end_of(after.stop - 1)
            self.patch(end, end, self.below([*gap, *lines]))
            return
        line = self.root.sheet.line_at(parent.start)
        words = self.below([*lines, *gap])[len(self.line_end) :] + self.line_end
        if self.text[self.starts[line] : parent.start].strip():
            # The first one shares a line with the dash around it.
            column = self.column_of(parent)
            self.patch(parent.start, parent.start, words.lstrip() + " " * column)
            return
        line = self.above(line, self.floor_of(parent))
        self.patch(self.starts[line], self.starts[line], words)

    def insert_in_flow(self, parent: Entry, pair: str, after: Entry | None) -> None:
        """Put a pair or item between brackets, on a line of its own where the others have one."""
        parts = list(parent.parts.values())
        if not parts:
            self.patch(parent.start + 1, parent.start + 1, pair)
            return
        like = after or parts[0]
        start = _start(like)
        line = self.text[start - self.root.sheet.column_at(start) : start]
        lead = self.line_end + line if not line.strip() else " "
        if after is None:
            self.patch(start, start, f"{pair},{lead}")
            return
        end = after.end
        rest = COMMENT.sub("", self.text[end : parent.end])
        found = _AFTER_PAIR.match(self.text, end)
        is_last = after is parts[-1]
        if not line.strip() and found and (found[1] or (is_last and "," not in rest)):
            if not found[1]:
                self.patch(end, end, ",")
            self.patch(found.end(), found.end(), lead + pair + ("," if found[1] else ""))
        else:
            self.patch(end, end, f", {pair}")

    def last_before(self, parent: Entry, key: str | int) -> Entry | None:
        """The entry that a new key comes behind in a tidy sheet; the last item of a list."""
        rank, parts = SchemaPlace.root().at(parent.path).rank, list(parent.parts.values())
        if isinstance(key, str):
            parts = [part for part in parts if rank(part.name) <= rank(key)]
        return parts[-1] if parts else None

    # ---- text of values ----

    def made(self, path: PathKey, value: Any) -> Entry:
        """An entry as if it had been read, of a value that is to be written."""
        entry = Entry(self.root.sheet, path, value)
        entry.key = Token(path[-1], True) if isinstance(path[-1], str) else None
        if isinstance(value, dict):
            entry.parts = {key: self.made((*path, key), item) for key, item in value.items()}
        elif isinstance(value, list):
            entry.parts = {i: self.made((*path, i), item) for i, item in enumerate(value)}
        elif isinstance(value, str):
            entry.scalar = Token(value, isinstance(plain_value(value), str))
        else:
            entry.scalar = Token(_plain_text(value), True)
        return entry

    def lines(self, path: PathKey, keys: Sequence[str | int], value: Any, indent: str) -> list[str]:
        """The lines of a new entry; each key on the way to its value has a line of its own."""
        here = (*path, keys[0])
        if len(keys) == 1:
            return print_part(self.made(here, value), indent, SchemaPlace.root().at(path))
        inside = self.lines(here, keys[1:], value, indent + STEP)
        if isinstance(keys[0], int):
            return [f"{indent}- {inside[0].lstrip()}", *inside[1:]]
        return [f"{indent}{key_text(keys[0], True, False)}:", *inside]

    def words(self, entry: Entry, value: Any, key: str | int | None = None) -> str:
        """A value between brackets, or a pair or item that is new to those of an entry."""
        if self.is_json(entry):
            text = _json_text({key: value} if isinstance(key, str) else value)
            return text[1:-1] if isinstance(key, str) else text
        place = SchemaPlace.root().at(entry.path)
        if key is None:
            return print_inline(self.made(entry.path, value), place)
        return print_pair(self.made((*entry.path, key), value), place)

    def is_json(self, entry: Entry) -> bool:
        """Whether the nearest key, within or around, is in quotes between brackets as in JSON."""
        around = [self.root.nearest(entry.path[:depth]) for depth in range(len(entry.path), 0, -1)]
        keys = [one.key for one in (*entry.parts.values(), *around) if one.key is not None]
        return self.root.is_flow and bool(keys) and keys[0].style == '"'

    # ---- places in the text ----

    def checked(self, where: Entry, path: PathKey, value: Any) -> Any:
        """A value as it will be read; ProblemError where it can't be written."""
        try:
            return writable(value)
        except ValueError as error:
            raise no_place(where, path, str(error)) from error

    def is_in_flow(self, entry: Entry) -> bool:
        """Whether what stands in an entry stands between brackets."""
        return any(self.root.nearest(entry.path[:n]).is_flow for n in range(len(entry.path) + 1))

    def line_of(self, entry: Entry, floor: int, column: int) -> int:
        """The line of an entry's key or dash, which is no line above `floor`."""
        if entry.key is not None:
            return self.root.sheet.line_at(entry.key.start)
        line = floor
        while self.text[self.starts[line] + column : self.starts[line] + column + 1] != "-":
            line += 1
        return line

    def column_of(self, parent: Entry) -> int:
        """The column of the keys or dashes of a block."""
        return self.root.sheet.column_at(parent.start)

    def floor_of(self, parent: Entry) -> int:
        """The first line that belongs to the first entry of a block."""
        lead = parent.start if parent.key is None else parent.key.end
        return self.root.sheet.line_at(lead) + (parent.key is not None)

    def above(self, line: int, floor: int) -> int:
        """The first of the comments right above a line, or the line itself."""
        while line > floor and self.row(line - 1).startswith("#"):
            line -= 1
        return line

    def after_colon(self, entry: Entry) -> int:
        return self.text.index(":", entry.key.end if entry.key else entry.start) + 1

    def row(self, line: int) -> str:
        return self.text[self.starts[line] : self.starts[line + 1]].strip()

    def end_of(self, line: int) -> int:
        """Where a line ends, before what ends it."""
        row = self.text[self.starts[line] : self.starts[line + 1]]
        return self.starts[line] + len(row.rstrip(LINE_ENDS))

    def below(self, lines: Sequence[str]) -> str:
        return "".join(f"{self.line_end}{line if line.strip() else ''}" for line in lines)

    def patch(self, start: int, end: int, new: str) -> None:
        self.found.append((start, end, new))


def _start(entry: Entry) -> int:
    return entry.key.start if entry.key else entry.start


def _nested(keys: Sequence[str | int], value: Any) -> Any:
    """A value below keys that are made for it."""
    for key in reversed(keys):
        value = {key: value} if isinstance(key, str) else [value]
    return value


def _plain_text(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else written_number(value)


def _json_text(value: Any) -> str:
    """A value as JSON, with numbers as a person writes them."""
    if isinstance(value, dict):
        return f"{{{', '.join(f'{quoted(k)}: {_json_text(item)}' for k, item in value.items())}}}"
    if isinstance(value, list):
        return f"[{', '.join(map(_json_text, value))}]"
    return quoted(value) if isinstance(value, str) else _plain_text(value)
