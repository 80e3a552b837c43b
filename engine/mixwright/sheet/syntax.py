"""What is wrong with text that is not YAML, in the words of someone who writes sheets."""

from __future__ import annotations

from typing import Any

import yaml

from mixwright.problem import Problem
from mixwright.sheet.slips import missing_space
from mixwright.sheet.text import SheetText

QUOTE = "put the value in quotes"
NEEDS_QUOTES = 'text with a comma or ": " needs quotes'
_INDENT = "indent it like the keys above it, and close every bracket and quote"
# A part of what the parser says, what to say instead, and what to do about it; a help of "{}"
# says where that which is not closed begins.
_REWORDED: tuple[tuple[str, str, str | None], ...] = (
    (
        "mapping values are not allowed",
        'a second ": " in this line, expected one key and one value',
        f'{QUOTE} if the ": " belongs to it',
    ),
    ("unexpected end of stream", "a quote is not closed before the end of the sheet", "{}"),
    ("expected ':'", 'expected ": " after the key above', None),
    ("expected ',' or ']'", "expected , or ] in a list", "the list begins in {}"),
    (
        "expected ',' or '}'",
        "expected , or } in a mapping",
        "the mapping begins in {}; " + NEEDS_QUOTES,
    ),
    ("expected key", "expected a key here", _INDENT),
    ("expected <block end>", "expected a key here", _INDENT),
    ("expected node content", "expected a value here", None),
    ("Unicode character escape", "an escape that stands for no character", None),
    ("tab character", "a tab, expected spaces", "indent with spaces"),
    ("block sequence entries", 'a "- " that begins no item of a list', "begin a new line with it"),
    (
        "expected '-' indicator",
        'expected an item that begins with "- "',
        "indent it like the items above it",
    ),
)


def syntax_problem(text: SheetText, error: yaml.YAMLError) -> Problem:
    """Return the problem that a parser's error is, placed at the character it stopped at."""
    mark: Any = getattr(error, "problem_mark", None)
    start: Any = getattr(error, "context_mark", None) or mark
    said = str(getattr(error, "problem", None) or error).splitlines()[0]
    if mark is None:
        return Problem("sheet/not-yaml", f"not valid YAML: {said}", text.span(1, 1))
    if "cannot start any token" in said:
        message, help = _cannot_start(text.text[mark.index : mark.index + 1])
    else:
        found = (new for new in _REWORDED if new[0] in said)
        _, message, help = next(found, ("", said, None))
    if help == "{}":
        # The end of the sheet shows nothing; where the quote opens does.
        mark, help = start, None
    if (slip := _missing_space(text, mark.line)) is not None:
        return slip
    help = help and help.format(f"line {start.line + 1} column {start.column + 1}")
    span = text.span(min(mark.line + 1, len(text.lines)), mark.column + 1)
    return Problem("sheet/not-yaml", f"not valid YAML: {message}", span, help)


def _missing_space(text: SheetText, line: int) -> Problem | None:
    """The parser stumbles in the line after a key without its space, or in the same one."""
    for number in (line, line - 1):
        if 0 <= number < len(text.lines) and (slip := missing_space(text.lines[number])):
            column, message, help = slip
            span = text.span(number + 1, column + 1)
            return Problem("sheet/not-yaml", f"not valid YAML: {message}", span, help)
    return None


def _cannot_start(character: str) -> tuple[str, str | None]:
    if character == "\t":
        return "a tab, expected spaces", "indent with spaces"
    return f"a value can't begin with {character}", QUOTE
