"""A fault, said to a person: what is wrong, where, what was expected, what to do.

Plain frozen data. Rooms raise :class:`ProblemError` with one or more problems; `report` prints
them; `cli` turns them into an exit status.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

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


@dataclass(frozen=True)
class Problem:
    """One cause, one message.

    `message` is lower case and states the fault and what was expected; only `help` suggests.
    `rule` is a stable id in words, e.g. ``sheet/unknown-key``. Whatever names and values are told
    of, both are one line, of bounded length, in which each character shows.
    """

    rule: str
    message: str
    span: Span | None = None
    help: str | None = None
    severity: Severity = Severity.ERROR
    fault: Fault = Fault.INPUT

    def __post_init__(self) -> None:
        """Make message and help lines that can be read."""
        object.__setattr__(self, "message", readable(self.message, LONGEST_MESSAGE))
        if self.help is not None:
            object.__setattr__(self, "help", readable(self.help, LONGEST_HELP))

    def __str__(self) -> str:
        where = f"{self.span}: " if self.span else ""
        hint = f" (help: {self.help})" if self.help else ""
        return f"{where}{self.severity.value}: {self.message}{hint}"


def readable(text: str, most: int) -> str:
    r"""Return a text as one line of at most `most` characters, each of which can be seen.

    A letter that shows nothing, or turns round what follows, is told by its number.

    >>> readable("two\nlines, no\u200bspace", 40)
    'two lines, no<U+200B>space'
    >>> readable("there is no file " + 200 * "x", 30)
    'there is no file xxxxxxxxx ...'
    """
    if len(text) <= most and text.isprintable():
        return text
    if len(text) > most:  # long words first: what is behind them may say what is wrong
        text = " ".join(map(_shortened, text.split(" ")))
    text = re.sub(r"\s*[\r\n\t\v\f\x85\u2028\u2029]\s*", " ", text)
    seen = "".join(c if c.isprintable() else f"<U+{ord(c):04X}>" for c in text)
    return seen if len(seen) <= most else f"{seen[: most - 4]} ..."


def _shortened(word: str) -> str:
    """A word cut in its middle, if it is a long one; what ends a part of a sentence stays."""
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
