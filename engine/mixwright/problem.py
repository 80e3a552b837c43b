"""A fault, said to a person: what is wrong, where, what was expected, what to do.

Plain frozen data. Rooms raise :class:`ProblemError` with one or more problems; `report` prints
them; `cli` turns them into an exit status.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum


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
    `rule` is a stable id in words, e.g. ``sheet/unknown-key``.
    """

    rule: str
    message: str
    span: Span | None = None
    help: str | None = None
    severity: Severity = Severity.ERROR
    fault: Fault = Fault.INPUT

    def __str__(self) -> str:
        where = f"{self.span}: " if self.span else ""
        hint = f" (help: {self.help})" if self.help else ""
        return f"{where}{self.severity.value}: {self.message}{hint}"


class ProblemError(Exception):
    """Raised with every problem found so far; `problems` is never empty."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        if not self.problems:
            raise ValueError("a ProblemError needs at least one problem")
        super().__init__("\n".join(str(problem) for problem in self.problems))
