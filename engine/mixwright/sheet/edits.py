"""Edits of a sheet that leave every other byte of its text as it is.

Comments, empty lines, quotes, line ends and the order of keys stay. What is written anew is
written as ``tidy`` would: keys in the order of the schema, a decision on one line, quotes where
they are needed; its indentation follows its neighbours, and within brackets it stays there. In
JSON it is JSON. Each edit is read back: it says what it was to say and nothing else has changed,
or it is refused.

>>> text = "tracks:\\n  kick:  # inside\\n    pan: C\\n    eq: [{freq_hz: 50, type: notch}]\\n"
>>> kick = ("tracks", "kick")
>>> edits = [Set((*kick, "gain_db"), -4.5), Set((*kick, "eq", 0, "freq_hz"), 60)]
>>> print(edited(text, edits), end="")
tracks:
  kick:  # inside
    gain_db: -4.5
    pan: C
    eq: [{freq_hz: 60, type: notch}]
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Any

from mixwright.problem import ProblemError
from mixwright.sheet.comments import lay_comments
from mixwright.sheet.model import PathKey
from mixwright.sheet.patches import Patches, no_place, writable
from mixwright.sheet.text import BYTE_ORDER_MARK, lined
from mixwright.sheet.tree import Entry, are_same, read_tree


@dataclass(frozen=True)
class Set:
    """Put `value` at `path`, whatever stands there; keys and lists on the way are made.

    A value is text, a number, a boolean, or a list or mapping of these. The index after the last
    one of a list appends to it.
    """

    path: PathKey
    value: Any


@dataclass(frozen=True)
class InsertAfter:
    """Put an item (no `key`) or a new key behind what stands at `path`; index -1 is the start."""

    path: PathKey
    value: Any
    key: str | None = None


@dataclass(frozen=True)
class Remove:
    """Take out what stands at `path`, with the comments about it."""

    path: PathKey


Edit = Set | InsertAfter | Remove


def edited(text: str, edits: Iterable[Edit], path: str = "mix.yaml") -> str:
    """Return a sheet's text with edits made, one after the other; messages call it `path`.

    Raises ProblemError for text that is no sheet's, and with the place in it for an edit that has
    none: then nothing of it is made.
    """
    mark = BYTE_ORDER_MARK if text.startswith(BYTE_ORDER_MARK) else ""
    root = _read(text.removeprefix(BYTE_ORDER_MARK), path)
    at_once: dict[PathKey, Edit] = {}
    for edit in edits:
        # Values that are put where others stand leave everything else in its place.
        if edit.path in at_once or not _is_in_place(root, edit):
            root = _made(root, list(at_once.values()))
            at_once = {}
        if _is_in_place(root, edit):
            at_once[edit.path] = edit
        else:
            root = _made(root, [edit])
    return mark + _made(root, list(at_once.values())).sheet.text


def _is_in_place(root: Entry, edit: Edit) -> bool:
    """Whether an edit puts one value on the line of another."""
    entry = root.nearest(edit.path)
    is_value = isinstance(edit, Set) and not isinstance(edit.value, dict | list | tuple)
    is_there = entry.path == edit.path and entry.scalar is not None
    return is_value and is_there and not entry.is_paragraph


def _made(root: Entry, edits: Sequence[Edit]) -> Entry:
    """The sheet with edits made that are not in one another's way."""
    patches = Patches(root)
    for edit in edits:
        match edit:
            case Set():
                patches.set(edit.path, edit.value)
            case InsertAfter():
                patches.insert_after(edit.path, edit.value, edit.key)
            case Remove():
                patches.remove(edit.path)
    return _read_back(root, edits, patches.applied()) if edits else root


def _read(text: str, path: str) -> Entry:
    return lay_comments(read_tree(lined(text, path)))


def _read_back(before: Entry, edits: Sequence[Edit], text: str) -> Entry:
    """The tree of the text after edits; ProblemError if it is not what was to come of them."""
    try:
        root = _read(text, before.sheet.path)
    except ProblemError:
        root = Entry(before.sheet, ())
    if not are_same(root.value, reduce(_changed, edits, copy.deepcopy(before.value))):
        path = edits[0].path
        raise no_place(before.nearest(path), path, "there is no room for it in this style")
    return root


def _changed(value: Any, edit: Edit) -> Any:
    """A sheet's values, which are changed, after an edit that has a place in it."""
    *way, last = edit.path
    holder = value
    for index, key in enumerate(way):
        made: Any = [] if isinstance(edit.path[index + 1], int) else {}
        if isinstance(holder, list) and key == len(holder):
            holder.append(made)
        elif isinstance(holder, dict) and holder.get(key) is None:
            holder[key] = made
        holder = holder[key]
    if isinstance(edit, Remove):
        del holder[last]
        return value
    new = writable(edit.value)
    if isinstance(edit, InsertAfter) and edit.key is None:
        holder.insert(int(last) + 1, new)
    elif isinstance(holder, list) and last == len(holder):
        holder.append(new)
    else:
        holder[edit.key if isinstance(edit, InsertAfter) else last] = new
    return value
