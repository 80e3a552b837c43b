"""The parts of a sheet as tidy text."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from mixwright.sheet.tidy_order import Place
from mixwright.sheet.tidy_read import Many, Part, Word
from mixwright.sheet.tidy_words import key_text, value_text

WIDTH = 100
_STEP = "  "
# An empty line that only makes room, unlike one within a text of several lines.
_GAP = "\n"
_TRACKS = ("tracks",)
Keys = tuple[str, ...]


def print_parts(sheet: Part) -> list[str]:
    """Return the lines of a sheet read by :func:`mixwright.sheet.tidy_read.read_parts`.

    >>> from mixwright.sheet.tidy_read import read_parts
    >>> print_parts(read_parts("{song: {sample_rate_hz: +48000, title: 'T'}, format: 1}"))
    ['format: 1', '', 'song:', '  title: T', '  sample_rate_hz: 48000']
    """
    many = sheet.value
    assert isinstance(many, Many)
    first, *others = many.parts
    head, own = _head_and_own(first.before)
    kept = replace(many, parts=[replace(first, before=own), *others])
    lines = _spread([*sheet.before, *head], "")
    lines += _block(kept, "", Place.root(), ())
    lines += _spread(["", *sheet.beside], "")
    return ["" if line == _GAP else line for line in _squeezed(lines)]


def _head_and_own(before: list[str]) -> tuple[list[str], list[str]]:
    """Split what stands above the first key: the head of the file stays when that key moves.

    What an empty line sets apart from the key is about the file; so is everything without one.
    """
    start = next((number for number, line in enumerate(before) if line), len(before))
    lines = before[start:]
    if "" not in lines:
        return lines, []
    cut = len(lines) - lines[::-1].index("")
    return lines[:cut], lines[cut:]


def _block(many: Many, indent: str, place: Place, path: Keys) -> list[str]:
    """A mapping or list with a line, or several, for each of its parts."""
    lines: list[str] = []
    for part in _ordered(many, place):
        own = (_item if many.is_list else _entry)(part, indent, place, path)
        is_apart = lines and path in ((), _TRACKS)
        lines += [_GAP, *own] if is_apart else own
    return lines + _spread(many.after, indent)


def _ordered(many: Many, place: Place) -> list[Part]:
    if many.is_list:
        return many.parts
    return sorted(many.parts, key=lambda part: place.rank(part.name))


def _entry(part: Part, indent: str, parent: Place, path: Keys) -> list[str]:
    """One key with its value, and the comments about them."""
    assert part.key is not None
    place, here = parent.child(part.name), (*path, part.name)
    lead = f"{indent}{key_text(part.name, part.key.is_plain, False)}:"
    if isinstance(part.value, Word):
        return _with_comments(part, indent, _word(part.value, lead, indent))
    if (line := _one_line(part.value, lead, place, _is_always_block(here, parent))) is not None:
        return _with_comments(part, indent, [line])
    inside = _block(part.value, indent + _STEP, place, here)
    inside += _spread(part.beside[1:], indent + _STEP)
    _, inside = _cut_spacing(inside, comments=False)
    opening = "  ".join([lead, *part.beside[:1]])
    return [*_spread(part.before, indent), opening, *inside]


def _item(part: Part, indent: str, parent: Place, path: Keys) -> list[str]:
    """One item of a list, and the comments about it."""
    place, lead = parent.item(), f"{indent}-"
    if isinstance(part.value, Word):
        return _with_comments(part, indent, _word(part.value, lead, indent))
    first, many = _bared(part.value, place)
    part = replace(part, before=[*part.before, *first])
    if (line := _one_line(many, lead, place, False)) is not None:
        return _with_comments(part, indent, [line])
    above, inside = _cut_spacing(_block(many, indent + _STEP, place, (*path, "-")))
    above = [*part.before, *part.beside, *(line.strip() for line in above)]
    return [*_spread(above, indent), f"{lead} {inside[0].lstrip(' ')}", *inside[1:]]


def _bared(many: Many, place: Place) -> tuple[list[str], Many]:
    """Take off what stands above the first key: it shares a line with the dash."""
    if not many.parts:
        return [], many
    first, *others = _ordered(many, place)
    return first.before, replace(many, parts=[replace(first, before=[]), *others])


def _word(word: Word, lead: str, indent: str) -> list[str]:
    """A value that is not made of others: on one line, or a paragraph below its sign."""
    if (paragraph := word.paragraph) is None:
        return [f"{lead} {value_text(word.text, word.is_plain, False)}"]
    width = str(len(_STEP)) if paragraph.is_inset else ""
    sign = paragraph.sign[0] + width + paragraph.sign[1:]
    below = (f"{indent}{_STEP}{line}" if line else "" for line in paragraph.lines)
    return [f"{lead} {sign}", *below]


def _one_line(many: Many, lead: str, place: Place, is_always_block: bool) -> str | None:
    """A mapping or list on one line, unless that is no place for it."""
    if many.parts and (is_always_block or _needs_lines(many) or _lists_decisions(many)):
        return None
    line = f"{lead} {_in_brackets(many, place)}"
    return line if len(line) <= WIDTH or many.is_one_line else None


def _is_always_block(path: Keys, parent: Place) -> bool:
    """Parts of the sheet, and tracks, groups and whatever else is named in them."""
    return len(path) == 1 or (len(path) == 2 and parent.names_freely)


def _needs_lines(many: Many) -> bool:
    """Whether there are comments inside, or texts of several lines."""
    return any(many.after) or any(_has_comment(part) or _is_long(part) for part in many.parts)


def _has_comment(part: Part) -> bool:
    return any(part.before) or bool(part.beside)


def _is_long(part: Part) -> bool:
    if isinstance(part.value, Many):
        return _needs_lines(part.value)
    return part.value.paragraph is not None


def _lists_decisions(many: Many) -> bool:
    """Whether there is a list of mappings inside: each of those has a line of its own."""
    inner = [part.value for part in many.parts if isinstance(part.value, Many)]
    return (many.is_list and bool(inner)) or any(_lists_decisions(value) for value in inner)


def _in_brackets(many: Many, place: Place) -> str:
    if many.is_list:
        return f"[{', '.join(_inline(part.value, place.item()) for part in many.parts)}]"
    entries = (
        f"{key_text(part.name, part.key is not None and part.key.is_plain, True)}: "
        f"{_inline(part.value, place.child(part.name))}"
        for part in _ordered(many, place)
    )
    return f"{{{', '.join(entries)}}}"


def _inline(value: Word | Many, place: Place) -> str:
    if isinstance(value, Many):
        return _in_brackets(value, place)
    return value_text(value.text, value.is_plain, True)


def _with_comments(part: Part, indent: str, lines: list[str]) -> list[str]:
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
