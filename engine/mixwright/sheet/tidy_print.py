"""The tree of a sheet as tidy text."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from mixwright.sheet.model import PathKey
from mixwright.sheet.schema import SchemaPlace
from mixwright.sheet.text import LINE_ENDS
from mixwright.sheet.tidy_words import key_text, value_text
from mixwright.sheet.tree import Entry, Token

WIDTH = 100
STEP = "  "
# An empty line that only makes room, unlike one within a text of several lines.
_GAP = "\n"
# Parts of these have an empty line between them.
APART: tuple[PathKey, ...] = ((), ("tracks",))


def print_sheet(sheet: Entry) -> list[str]:
    """Return the lines of a whole sheet, with its comments laid over it.

    >>> from mixwright.sheet.text import lined
    >>> from mixwright.sheet.tree import read_tree
    >>> print_sheet(read_tree(lined("{song: {sample_rate_hz: +48000, title: 'T'}, format: 1}")))
    ['format: 1', '', 'song:', '  title: T', '  sample_rate_hz: 48000']
    """
    first = next(iter(sheet.parts))
    head, own = head_and_own(sheet.parts[first].before)
    kept = replace(sheet, parts=sheet.parts | {first: replace(sheet.parts[first], before=own)})
    lines = _spread([*sheet.before, *head], "")
    lines += _block(kept, "", SchemaPlace.root())
    lines += _spread(["", *sheet.beside], "")
    return ["" if line == _GAP else line for line in _squeezed(lines)]


def head_and_own(before: Sequence[str]) -> tuple[Sequence[str], Sequence[str]]:
    """Split what stands above the first key of a sheet: the head of the file stays as it moves.

    What an empty line sets apart from the key is about the file; so is everything without one.
    """
    start = next((number for number, line in enumerate(before) if line), len(before))
    lines = before[start:]
    if "" not in lines:
        return lines, []
    cut = len(lines) - lines[::-1].index("")
    return lines[:cut], lines[cut:]


def _block(many: Entry, indent: str, place: SchemaPlace) -> list[str]:
    """A mapping or list with a line, or several, for each of its parts."""
    lines: list[str] = []
    for part in _ordered(many, place):
        own = print_part(part, indent, place)
        lines += [_GAP, *own] if lines and many.path in APART else own
    return lines + _spread(many.after, indent)


def _ordered(many: Entry, place: SchemaPlace) -> list[Entry]:
    """The parts of a list as they are, those of a mapping as the schema has them."""
    is_list = isinstance(many.value, list)
    return sorted(many.parts.values(), key=lambda part: 0 if is_list else place.rank(part.name))


def print_part(part: Entry, indent: str, parent: SchemaPlace) -> list[str]:
    """Return the lines of an entry in a block, and of the comments about it."""
    if part.key is None:
        return _item(part, indent, parent)
    return _keyed(part, f"{indent}{key_text(part.name, part.key.is_plain, False)}:", indent, parent)


def _keyed(part: Entry, lead: str, indent: str, parent: SchemaPlace) -> list[str]:
    """One key with its value, and the comments about them."""
    place = parent.child(part.name)
    if part.scalar is not None:
        return _with_comments(part, indent, _scalar(part, part.scalar, lead, indent))
    if (line := _one_line(part, lead, place, _is_always_block(part, parent))) is not None:
        return _with_comments(part, indent, [line])
    inside = _block(part, indent + STEP, place) + _spread(part.beside[1:], indent + STEP)
    _, inside = _cut_spacing(inside, comments=False)
    opening = "  ".join([lead, *part.beside[:1]])
    return [*_spread(part.before, indent), opening, *inside]


def _item(part: Entry, indent: str, parent: SchemaPlace) -> list[str]:
    """One item of a list, and the comments about it."""
    place, lead = parent.item(), f"{indent}-"
    if part.scalar is not None:
        return _with_comments(part, indent, _scalar(part, part.scalar, lead, indent))
    part = _bared(part, place)
    if (line := _one_line(part, lead, place, False)) is not None:
        return _with_comments(part, indent, [line])
    above, inside = _cut_spacing(_block(part, indent + STEP, place))
    above = [*part.before, *part.beside, *(line.strip() for line in above)]
    return [*_spread(above, indent), f"{lead} {inside[0].lstrip(' ')}", *inside[1:]]


def _bared(part: Entry, place: SchemaPlace) -> Entry:
    """Take up what stands above the first key of an item: that shares a line with the dash."""
    if not part.parts:
        return part
    first, *others = _ordered(part, place)
    kept = {entry.path[-1]: entry for entry in (replace(first, before=()), *others)}
    return replace(part, before=[*part.before, *first.before], parts=kept)


def _scalar(part: Entry, token: Token, lead: str, indent: str) -> list[str]:
    """A value that is not made of others: on one line, or a paragraph below its sign."""
    if not _keeps_paragraph(part):
        return [f"{lead} {value_text(token.text, token.is_plain, False)}"]
    source = part.written.splitlines()[1:]
    while not source[-1].strip():
        source.pop()
    read = token.text.lstrip("\n")
    width = _spaces(next(line for line in source if line.strip())) - _spaces(read)
    inset = str(len(STEP)) if read.startswith(" ") else ""
    sign = token.style + inset + ("" if token.text.endswith("\n") else "-")
    return [f"{lead} {sign}", *(line[width:] and indent + STEP + line[width:] for line in source)]


def _keeps_paragraph(part: Entry) -> bool:
    """Whether it is a paragraph, and one that can hold its text safely.

    Ends that count and odd line ends are written in quotes.
    """
    text = part.scalar.text if part.scalar and part.is_paragraph else ""
    is_odd = text.endswith("\n\n") or re.search("[\r\x85\u2028\u2029]", text)
    return bool(text.strip()) and not is_odd


def _spaces(text: str) -> int:
    return len(text) - len(text.lstrip(" "))


def _one_line(many: Entry, lead: str, place: SchemaPlace, is_always_block: bool) -> str | None:
    """A mapping or list on one line, unless that is no place for it."""
    if many.parts and (is_always_block or _needs_lines(many) or _lists_decisions(many)):
        return None
    line = f"{lead} {print_inline(many, place)}"
    is_one_line = many.is_flow and not re.search(f"[{LINE_ENDS}]", many.written)
    return line if len(line) <= WIDTH or is_one_line else None


def _is_always_block(part: Entry, parent: SchemaPlace) -> bool:
    """Parts of the sheet, and tracks, groups and whatever else is named in them."""
    return len(part.path) == 1 or (len(part.path) == 2 and parent.names_freely)


def _needs_lines(entry: Entry) -> bool:
    """Whether there are comments inside, or texts of several lines."""
    if entry.scalar is not None:
        return _keeps_paragraph(entry)
    parts = entry.parts.values()
    return any(entry.after) or any(_has_comment(part) or _needs_lines(part) for part in parts)


def _has_comment(part: Entry) -> bool:
    return any(part.before) or bool(part.beside)


def _lists_decisions(many: Entry) -> bool:
    """Whether there is a list of mappings inside: each of those has a line of its own."""
    inner = [part for part in many.parts.values() if part.scalar is None]
    return (isinstance(many.value, list) and bool(inner)) or any(map(_lists_decisions, inner))


def print_inline(entry: Entry, place: SchemaPlace) -> str:
    """Return a value as it is written between brackets."""
    if entry.scalar is not None:
        return value_text(entry.scalar.text, entry.scalar.is_plain, True)
    if isinstance(entry.value, list):
        return f"[{', '.join(print_inline(part, place.item()) for part in entry.parts.values())}]"
    entries = (print_pair(part, place) for part in _ordered(entry, place))
    return f"{{{', '.join(entries)}}}"


def print_pair(part: Entry, parent: SchemaPlace) -> str:
    """Return a key and its value, or an item, as they are written between brackets."""
    if part.key is None:
        return print_inline(part, parent.item())
    key = key_text(part.name, part.key.is_plain, True)
    return f"{key}: {print_inline(part, parent.child(part.name))}"


def _with_comments(part: Entry, indent: str, lines: list[str]) -> list[str]:
    """The last comment beside the first line, any other above it."""
    above = _spread([*part.before, *part.beside[:-1]], indent)
    return [*above, "  ".join([lines[0], *part.beside[-1:]]), *lines[1:]]


def _spread(lines: Iterable[str], indent: str) -> list[str]:
    """Comments at an indentation, and room where there is an empty line."""
    return [f"{indent}{line}" if line else _GAP for line in lines]


def _cut_spacing(lines: list[str], comments: bool = True) -> tuple[list[str], list[str]]:
    """Split off the room, and the comments as well, that lines begin with."""
    for number, line in enumerate(lines):
        if line != _GAP and not (comments and line.lstrip(" ").startswith("#")):
            return lines[:number], lines[number:]
    return lines, []


def _squeezed(lines: list[str]) -> list[str]:
    """Room of one line where there is more, and none at either end."""
    kept: list[str] = []
    for line in lines:
        if line != _GAP or (kept and kept[-1] != _GAP):
            kept.append(line)
    return kept[:-1] if kept[-1] == _GAP else kept
