"""From a sheet's text to its model: the one way on which every command finds a sheet's faults."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from mixwright.problem import About, Problem, ProblemError, Severity
from mixwright.sheet.build import build_sheet
from mixwright.sheet.file_names import check_file_names
from mixwright.sheet.length import check_length
from mixwright.sheet.meaning import check_meaning
from mixwright.sheet.model import Sheet
from mixwright.sheet.schema import check_format, check_shape
from mixwright.sheet.text import SheetText
from mixwright.sheet.tree import Entry, read_tree


def read_sheet(
    text: SheetText, path: Path, *, allow_outside: bool = False, needs_files: bool = True
) -> tuple[Entry, Sheet]:
    """Return the tree of a sheet that lies at `path`, and its model.

    Raises ProblemError with every fault found, in the order of the sheet's lines. Without
    `needs_files` those of the files around it (`About.FILES`) are passed over; what the sheet says
    is held to the same, whoever reads it.
    """
    tree = read_tree(text)
    if (wrong_format := check_format(tree)) is not None:
        raise ProblemError([wrong_format])
    problems, sound = check_shape(tree)
    if isinstance(tree.value, dict) and "song" in tree.value:
        # Without a song every name of a section would be called unknown, on top of the one fault.
        problems += check_meaning(sound, path.parent, allow_outside)
    if not needs_files:
        problems = [problem for problem in problems if problem.about is About.TEXT]
    if _are_errors(problem for problem in problems if problem.about is About.TEXT):
        raise ProblemError(sorted(problems, key=_place))
    # Whatever is wrong around the sheet, what it says is sound so far: the rest of it is told too.
    sheet = build_sheet(path, tree)
    problems += check_file_names(sheet)
    if sheet.song.end is not None:
        problems += check_length(sheet, sheet.timeline.sample_at(sheet.song.end))
    if _are_errors(problems):
        raise ProblemError(sorted(problems, key=_place))
    return tree, sheet


def _are_errors(problems: Iterable[Problem]) -> bool:
    """Whether there is an error; warnings alone do not stop the work."""
    return any(problem.severity is Severity.ERROR for problem in problems)


def _place(problem: Problem) -> tuple[int, int]:
    return (problem.span.line, problem.span.column) if problem.span else (0, 0)
