"""A fault, said to a person: what is wrong, where, what was expected, what to do.

Plain frozen data. Rooms raise :class:`ProblemError` with one or more problems; `report` prints
them; `cli` turns them into an exit status.

Names and texts come from outside, and may hold what steers a terminal or turns writing round.
:func:`visible` and :func:`one_line` say how they are shown, wherever that is; data for machines
keeps them as they are, written by :func:`json_text`.
"""

from __future__ import annotations

import json
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Any

# Joiners of letters and of pictures: not printable by themselves, yet parts of words.
_JOINERS = "\u200c\u200d"
# An ideographic space is as wide as its letters: it can be seen.
_SPACES = " \u3000"
# Blank though they count as letters: fillers of Hangul, an empty pattern of Braille.
_BLANKS = "\u115f\u1160\u2800\u3164\uffa0"

# In characters. A name in a sheet may be as long as the sheet; what is said of it may not.
LONGEST_MESSAGE, LONGEST_HELP = 600, 1200
_LONGEST_WORD = 120


class Severity(Enum):
    """How bad: an error stops the work, a warning is said and the work goes on."""

    ERROR = "error"
    WARNING = "warning"


class Fault(Enum):
    """Whose fault: decides the exit status."""

    INPUT = 2
    MACHINE = 3


@dataclass(frozen=True)
class Span:
    """A stretch of one line of a text file; line and column count from 1.

    `length` is in characters and never reaches past the end of the line.
    """

    file: str
    line: int
    column: int
    length: int = 1

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


class About(Enum):
    """What a fault of a sheet is about.

    `TEXT` is what the sheet says: such a fault is one on every machine, and every command that
    reads a sheet refuses it. `FILES` is what lies around the sheet - files that aren't there,
    lead out of its folder or are no plain files: commands that read no sound (`tidy`, `compare
    --only-sheet`) pass over these, since a sheet may be looked at where its sound is not.
    """

    TEXT = "text"
    FILES = "files"


@dataclass(frozen=True)
class Problem:
    """One cause, one message.

    `message` is lower case and states the fault and what was expected; only `help` suggests.
    `rule` is a stable id in words, e.g. ``sheet/unknown-key``. What is quoted in them is as it is,
    but for the end of what is very long: as text, a problem is one line of bounded length in which
    everything can be seen.
    """

    rule: str
    message: str
    span: Span | None = None
    help: str | None = None
    severity: Severity = Severity.ERROR
    fault: Fault = Fault.INPUT
    about: About = About.TEXT

    def __post_init__(self) -> None:
        """Keep message and help to a length that is still read."""
        object.__setattr__(self, "message", shortened(self.message, LONGEST_MESSAGE))
        if self.help is not None:
            object.__setattr__(self, "help", shortened(self.help, LONGEST_HELP))

    def __str__(self) -> str:
        where = f"{self.span}: " if self.span else ""
        hint = f" (help: {self.help})" if self.help else ""
        return visible(f"{where}{self.severity.value}: {self.message}{hint}")


def shortened(text: str, most: int) -> str:
    """Return a text of at most `most` characters: long words are cut first, then its end.

    >>> shortened("there is no file " + 200 * "x", 30)
    'there is no file xxxxxxxxx ...'
    """
    if len(text) <= most:
        return text
    # What is behind a long name may say what is wrong with it.
    text = " ".join(map(_cut_word, text.split(" ")))
    return text if len(text) <= most else f"{text[: most - 4]} ..."


def _cut_word(word: str) -> str:
    """A word without its end, if it is a long one; what ends a part of a sentence stays."""
    if len(word) <= _LONGEST_WORD:
        return word
    return f"{word[:_LONGEST_WORD]}...{word[-1] if word[-1] in ',:;)' else ''}"


class ProblemError(Exception):
    """Raised with every problem found so far; `problems` is never empty."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        if not self.problems:
            raise ValueError("a ProblemError needs at least one problem")
        super().__init__("\n".join(str(problem) for problem in self.problems))

    @classmethod
    def of(cls, rule: str, message: str, help: str | None = None, **more: Any) -> ProblemError:
        """Return it with one problem; `more` is what else a :class:`Problem` has.

        >>> raise ProblemError.of("sheet/empty", "there is nothing in it, expected a mix sheet")
        Traceback (most recent call last):
        ...
        mixwright.problem.ProblemError: error: there is nothing in it, expected a mix sheet
        """
        return cls([Problem(rule, message, help=help, **more)])


# ---- text from outside ----


def visible(text: str, kept: str = "") -> str:
    r"""Return text in which everything can be seen: what can't is spelt out as an escape.

    That is what steers a terminal, turns the direction of writing, has no width, parts lines, is a
    space but looks like another one, or is a byte of a file's name that is not UTF-8. Letters of
    all kinds stay, with their marks, and so do pictures. `kept` are characters to leave alone.

    >>> print(visible("low\x1b[2J \u202etide\n \udcff \U0001f39a"))
    low\x1b[2J \u202etide\n \udcff \U0001f39a
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        c if c in kept or _is_seen(text, at, c) else _spelt(c) for at, c in enumerate(text)
    )


def one_line(text: str) -> str:
    r"""Return text on one line, as :func:`visible` has it; line breaks and blanks become one blank.

    >>> one_line("low\ntide \x1b[31m")
    'low tide \\x1b[31m'
    """
    return visible(" ".join(text.split()))


def _is_seen(text: str, at: int, character: str) -> bool:
    if character in _JOINERS:
        # A joiner between letters of a script that joins, or of a picture; nothing else needs one.
        around = text[at - 1 : at] + text[at + 1 : at + 2]
        return len(around) == 2 and not around.isascii() and around.isprintable()
    if character in _SPACES:
        return True
    return character.isprintable() and character not in _BLANKS


def _spelt(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")


def json_text(data: Any, indent: int | None = 2) -> str:
    r"""Return plain data as JSON; read again, every text in it is as it was.

    What can't be seen (:func:`visible`) is written as JSON's own escape, so that it steers no
    terminal and keeps no file from being written. Raises ValueError for what is not finite.

    >>> print(json_text({"title": "low \x9b tide\udcff"}, indent=None))
    {"title": "low \u009b tide\udcff"}
    """
    text = json.dumps(data, indent=indent, ensure_ascii=False, allow_nan=False)
    if text.isascii() and "\x7f" not in text:
        return text
    return "".join(
        c if c == "\n" or _is_seen(text, at, c) else json.dumps(c)[1:-1].replace("\x7f", "\\u007f")
        for at, c in enumerate(text)
    )


# ---- files that are none ----

_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def odd_kind(mode: int) -> str | None:
    """Return what a path is that is no plain file, by its mode; None for a plain file.

    Nothing of the kind is ever opened: a pipe may never say anything, a device never end.

    >>> odd_kind(stat.S_IFIFO), odd_kind(stat.S_IFREG)
    ('a pipe', None)
    """
    if stat.S_ISREG(mode):
        return None
    return next((kind for is_of, kind in _KINDS if is_of(mode)), "no plain file")
