"""A fault, said to a person: what is wrong, where, what was expected, what to do.

Plain frozen data. Rooms raise :class:`ProblemError` with one or more problems; `report` prints
them; `cli` turns them into an exit status.
"""

from __future__ import annotations

import stat
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Any

from mixwright.escaping import shortened, visible

# In characters. A name in a sheet may be as long as the sheet; what is said of it may not.
LONGEST_MESSAGE, LONGEST_HELP = 600, 1200


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

    def as_data(self) -> dict[str, Any]:
        """Return where it is as plain data."""
        return {"file": self.file, "line": self.line, "column": self.column}


NOWHERE: dict[str, Any] = {"file": None, "line": None, "column": None}


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

    def as_data(self) -> dict[str, Any]:
        """Return it as plain data."""
        said = {"rule": self.rule, "severity": self.severity.value, "message": self.message}
        return said | {"help": self.help} | (self.span.as_data() if self.span else NOWHERE)


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
