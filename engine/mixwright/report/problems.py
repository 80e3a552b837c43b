"""Problems as text: one line each, and on a terminal the source line with carets under it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from mixwright.escaping import visible
from mixwright.problem import Problem, Span


def problem_lines(problems: Iterable[Problem], with_source: bool) -> list[str]:
    """Return the lines to print."""
    lines: list[str] = []
    for problem in problems:
        lines.append(str(problem))
        if with_source and problem.span is not None:
            lines += _source_lines(problem.span)
    return lines


def _source_lines(span: Span) -> list[str]:
    from rich.cells import cell_len

    try:
        path = Path(span.file)
        # A sheet of a git revision has the name of no file; and a pipe would be waited for.
        lines = path.read_text("utf-8-sig").splitlines() if path.is_file() else []
        source = lines[span.line - 1]
    except (OSError, ValueError, IndexError):
        return []  # the message stands on its own; the picture is a courtesy
    number, start, end = str(span.line), span.column - 1, span.column - 1 + span.length
    before, shown = visible(source[:start]), visible(source[start:end])
    carets = "^" * max(1, cell_len(shown))
    indent = " " * cell_len(before)
    return [
        f"  {number} | {before}{shown}{visible(source[end:])}",
        f"  {' ' * len(number)} | {indent}{carets}",
    ]
