"""Where an edit goes in a sheet's text, and the text that is put there."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

from yaml import events

from mixwright.problem import Problem, ProblemError
from mixwright.sheet.comments import last_line, line_starts
from mixwright.sheet.model import PathKey
from mixwright.sheet.tidy_order import SchemaPlace
from mixwright.sheet.tidy_print import APART, STEP, print_inline, print_pair, print_part
from mixwright.sheet.tidy_words import key_text, quoted, written_number
from mixwright.sheet.tree import Entry, plain_value

_AFTER_PAIR = re.compile(r"[ \t]*(,?)[ \t]*(#[^\n\r\x85\u2028\u2029]*)?(?=[\n\r\x85\u2028\u2029])")
_COMMENTS = re.compile("#[^\n\r\x85\u2028\u2029]*")
_LINE_ENDS = "\n\r\x85\u2028\u2029"


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
        self.text = root.sheet.text
        self.starts = line_starts(self.text)
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
            self.put(entry, self.inline(entry, value))
            return
        part = self.made(entry.path, value)
        indent = " " * parent.first.start_mark.column
        lines = print_part(part, indent, SchemaPlace.root().at(parent.path))
        lead = f"{indent}-" if part.key is None else f"{indent}{key_text(part.name, True, False)}:"
        beside, below = lines[0][len(lead) :], lines[1:]
        first = entry.first.start_mark
        if entry.is_paragraph:
            sign = re.match(r"[|>][-+0-9]*", self.text[first.index :])
            self.patch(first.index - 1, first.index + len(sign[0] if sign else ""), beside)
            self.patch(self.end_of(first.line), self.end_of(last_line(entry)), self.below(below))
        elif entry.is_scalar or entry.is_flow:
            if beside and not below:
                self.put(entry, beside[1:])
                return
            start = len(self.text[: first.index].rstrip(" \t"))
            start = start if entry.key is None else self.after_colon(entry)
            self.patch(start, entry.last.end_mark.index, beside)
            end = self.end_of(entry.last.end_mark.line)
            self.patch(end, end, self.below(below))
        elif entry.key is None:
            words = beside.lstrip() + self.below(below)
            self.patch(first.index, self.end_of(entry.stop - 1), words)
        else:
            colon = self.after_colon(entry)
            self.patch(colon, colon, beside)
            start = self.end_of(entry.key.end_mark.line)
            self.patch(start, self.end_of(entry.stop - 1), self.below(below))

    def put(self, entry: Entry, words: str) -> None:
        """Put words where a value stands on its line, or would."""
        start, end = entry.first.start_mark.index, entry.last.end_mark.index
        if start == end:
            gap = "" if self.text[start - 1 : start] in (" ", "") else " "
            has_lead = entry.key is None or ":" in self.text[entry.key.end_mark.index : start]
            words = gap + words if has_lead else f": {words}"
        self.patch(start, end, words)

    def remove_from_flow(self, parent: Entry, entry: Entry) -> None:
        """Take an entry out of brackets, with the comma that it needs no more."""
        parts = list(parent.parts.values())
        at = parts.index(entry)
        start, end = _start(entry), entry.last.end_mark.index
        if at + 1 < len(parts):
            gap = self.text[end : _start(parts[at + 1])]
            self.patch(start, end + (gap.index(",") + 1 if "#" in gap else len(gap)), "")
        else:
            before = parts[at - 1].last.end_mark.index
            has_comment = "#" in self.text[before:start]
            self.patch(start if has_comment else before, end, "")

    def remove_lines(self, parent: Entry, entry: Entry) -> None:
        """Take the lines of an entry out of a block, with the comments right above them."""
        parts = list(parent.parts.values())
        at = parts.index(entry)
        column = parent.first.start_mark.column
        floor = parts[at - 1].stop if at else parent.first.start_mark.line
        line = self.line_of(entry, floor if at else parent.first.start_mark.line, column)
        stop = entry.stop
        start = self.starts[line] + column
        if self.text[self.starts[line] : start].strip():
            # It shares a line with the dash around it: what comes next moves up there.
            rest = self.text[self.starts[stop] :]
            gap = len(rest) - len(rest.lstrip(" " + _LINE_ENDS))
            has_comment = rest.lstrip(" " + _LINE_ENDS).startswith("#")
            self.patch(start, self.end_of(stop - 1) if has_comment else self.starts[stop] + gap, "")
            return
        if at or parent is not self.root:
            floor = floor if at or parent.key is None else parent.key.end_mark.line + 1
            while line > floor and self.row(line - 1).startswith("#"):
                line -= 1
            is_alone = stop + 1 >= len(self.starts) or not self.row(stop)
            if line > floor and not self.row(line - 1) and is_alone:
                line -= 1
        self.patch(self.starts[line], self.starts[stop], "")

    # ---- what is new ----

    def insert(self, parent: Entry, path: PathKey, value: Any, after: Entry | None) -> None:
        """Write a new entry, at a path below `parent`, behind another one or before all."""
        keys = path[len(parent.path) :]
        fits = (
            isinstance(parent.value, dict)
            if isinstance(keys[0], str)
            else self.appends(parent, keys[0])
        )
        if not fits:
            raise no_place(parent, path, f"there is no place for {keys[0]} here")
        if (
            not parent.parts
            and parent is not self.root
            and not self.is_in_flow(self.around(parent))
        ):
            self.replace(parent, _nested(keys, value))
        elif parent.is_flow:
            self.insert_in_flow(parent, self.pair(parent, keys[0], _nested(keys[1:], value)), after)
        else:
            indent = " " * parent.first.start_mark.column
            lines = self.lines(parent.path, keys, value, indent)
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
        mark = parent.first.start_mark
        line, words = mark.line, self.below([*lines, *gap])[len(self.line_end) :] + self.line_end
        if self.text[self.starts[line] : mark.index].strip():
            # The first one shares a line with the dash around it.
            self.patch(mark.index, mark.index, words.lstrip() + " " * mark.column)
            return
        floor = parent.key.end_mark.line + 1 if parent.key is not None else line
        while line > floor and self.row(line - 1).startswith("#"):
            line -= 1
        self.patch(self.starts[line], self.starts[line], words)

    def insert_in_flow(self, parent: Entry, pair: str, after: Entry | None) -> None:
        """Put a pair or item between brackets, on a line of its own where the others have one."""
        parts = list(parent.parts.values())
        if not parts:
            at = parent.first.start_mark.index + 1
            self.patch(at, at, pair)
            return
        like = after or parts[0]
        start = _start(like)
        line = self.text[:start].rsplit("\n", 1)[-1] if "\n" in self.text[:start] else self.text
        lead = self.line_end + line if not line.strip() else " "
        if after is None:
            self.patch(start, start, f"{pair},{lead}")
            return
        end = after.last.end_mark.index
        rest = _COMMENTS.sub("", self.text[end : parent.last.start_mark.index])
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
        place = SchemaPlace.root().at(parent.path)
        found = [
            part
            for part in parent.parts.values()
            if isinstance(key, int) or place.rank(part.name) <= place.rank(key)
        ]
        return found[-1] if found else None

    # ---- text of values ----

    def made(self, path: PathKey, value: Any) -> Entry:
        """An entry as if it had been read, of a value that is to be written."""
        entry = Entry(self.root.sheet, path, value)
        entry.key = _word(path[-1], True) if isinstance(path[-1], str) else None
        if isinstance(value, dict):
            entry.parts = {key: self.made((*path, key), item) for key, item in value.items()}
            entry.first = events.MappingStartEvent(None, None, True, flow_style=False)
        elif isinstance(value, list):
            entry.parts = {i: self.made((*path, i), item) for i, item in enumerate(value)}
            entry.first = events.SequenceStartEvent(None, None, True, flow_style=False)
        elif isinstance(value, str):
            entry.first = _word(value, isinstance(plain_value(value), str))
        else:
            entry.first = _word(_plain_text(value), True)
        return entry

    def lines(self, path: PathKey, keys: Sequence[str | int], value: Any, indent: str) -> list[str]:
        """The lines of a new entry; each key on the way to its value has a line of its own."""
        here = (*path, keys[0])
        if len(keys) == 1:
            place = SchemaPlace.root().at(path)
            return print_part(self.made(here, value), indent, place)
        inside = self.lines(here, keys[1:], value, indent + STEP)
        if isinstance(keys[0], int):
            return [f"{indent}- {inside[0].lstrip()}", *inside[1:]]
        return [f"{indent}{key_text(keys[0], True, False)}:", *inside]

    def pair(self, parent: Entry, key: str | int, value: Any) -> str:
        """A new key with its value, or an item, between brackets."""
        if self.is_json(parent):
            return (
                _json_text(value) if isinstance(key, int) else f"{quoted(key)}: {_json_text(value)}"
            )
        part = self.made((*parent.path, key), value)
        return print_pair(part, SchemaPlace.root().at(parent.path))

    def inline(self, entry: Entry, value: Any) -> str:
        """A value between brackets."""
        if self.is_json(entry):
            return _json_text(value)
        return print_inline(self.made(entry.path, value), SchemaPlace.root().at(entry.path))

    def is_json(self, entry: Entry) -> bool:
        """Whether the nearest key, within or around, is in quotes between brackets as in JSON."""
        around = [self.root.nearest(entry.path[:depth]) for depth in range(len(entry.path), 0, -1)]
        near = [*list(entry.parts.values())[:1], *around]
        keyed = next((one for one in near if one.key is not None), None)
        return self.root.is_flow and keyed is not None and keyed.key.style == '"'

    # ---- places in the text ----

    def checked(self, where: Entry, path: PathKey, value: Any) -> Any:
        """A value as it will be read; ProblemError where it can't be written."""
        try:
            return writable(value)
        except ValueError as error:
            raise no_place(where, path, str(error)) from error

    def appends(self, parent: Entry, index: str | int) -> bool:
        return isinstance(parent.value, list) and index == len(parent.parts)

    def around(self, entry: Entry) -> Entry:
        return self.root.nearest(entry.path[:-1])

    def is_in_flow(self, entry: Entry) -> bool:
        """Whether what stands in an entry stands between brackets."""
        return any(self.root.nearest(entry.path[:n]).is_flow for n in range(len(entry.path) + 1))

    def line_of(self, entry: Entry, floor: int, column: int) -> int:
        """The line of an entry's key or dash, which is no line above `floor`."""
        if entry.key is not None:
            return int(entry.key.start_mark.line)
        line = floor
        while self.text[self.starts[line] + column : self.starts[line] + column + 1] != "-":
            line += 1
        return line

    def after_colon(self, entry: Entry) -> int:
        return self.text.index(":", entry.key.end_mark.index) + 1

    def row(self, line: int) -> str:
        return self.text[self.starts[line] : self.starts[line + 1]].strip()

    def end_of(self, line: int) -> int:
        """Where a line ends, before what ends it."""
        row = self.text[self.starts[line] : self.starts[line + 1]]
        return self.starts[line] + len(row.rstrip(_LINE_ENDS))

    def below(self, lines: Sequence[str]) -> str:
        return "".join(f"{self.line_end}{line if line.strip() else ''}" for line in lines)

    def patch(self, start: int, end: int, new: str) -> None:
        self.found.append((start, end, new))


def _start(entry: Entry) -> int:
    return int((entry.key or entry.first).start_mark.index)


def _nested(keys: Sequence[str | int], value: Any) -> Any:
    """A value below keys that are made for it."""
    for key in reversed(keys):
        value = {key: value} if isinstance(key, str) else [value]
    return value


def _word(text: str, is_plain: bool) -> events.ScalarEvent:
    return events.ScalarEvent(None, None, (is_plain, not is_plain), text)


def _plain_text(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else written_number(value)


def _json_text(value: Any) -> str:
    """A value as JSON, with numbers as a person writes them."""
    if isinstance(value, dict):
        return f"{{{', '.join(f'{quoted(k)}: {_json_text(item)}' for k, item in value.items())}}}"
    if isinstance(value, list):
        return f"[{', '.join(map(_json_text, value))}]"
    return quoted(value) if isinstance(value, str) else _plain_text(value)
