"""Problems as text: one line each, and on a terminal the source line with carets under it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from mixwright.problem import Problem, Span


def problem_lines(problems: Iterable[Problem], with_source: bool) -> list[str]:
    """Return the lines to print."""
    lines: list[str] = []
    for problem in problems:
        lines.append(str(problem))
        if with_source and problem.span is not None:
            lines += _source_lines(problem.span)
    return lines


def problem_as_data(problem: Problem) -> dict[str, Any]:
    """Return a problem as plain JSON data."""
    span = problem.span
    return {
        "rule": problem.rule,
        "severity": problem.severity.value,
        "message": problem.message,
        "help": problem.help,
        "file": span.file if span else None,
        "line": span.line if span else None,
        "column": span.column if span else None,
    }


def _source_lines(span: Span) -> list[str]:
    try:
        source = Path(span.file).read_text("utf-8").splitlines()[span.line - 1]
    except (OSError, UnicodeDecodeError, IndexError):
        return []  # the message stands on its own; the picture is a courtesy
    number = str(span.line)
    carets = "^" * max(1, min(span.length, len(source) - span.column + 1))
    return [f"  {number} | {source}", f"  {' ' * len(number)} | {' ' * (span.column - 1)}{carets}"]
