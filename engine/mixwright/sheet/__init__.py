"""The mix sheet: text -> tree -> shape -> meaning -> model.

>>> from mixwright.sheet import load_sheet
>>> load_sheet("mix.yaml").song.title  # doctest: +SKIP
'Lanterns at Low Tide'
"""

from __future__ import annotations

from pathlib import Path

from mixwright.problem import Problem, ProblemError, Severity
from mixwright.sheet.deliverables import Cover, Labels, Loudness, Release, Variant
from mixwright.sheet.length import check_length
from mixwright.sheet.model import (
    ROLES,
    STEPS,
    Accept,
    Band,
    BusAutomation,
    Compressor,
    Delivery,
    Group,
    MixBus,
    PathKey,
    Point,
    Points,
    Reference,
    Return,
    Sheet,
    Song,
    StepName,
    Track,
    TrackAutomation,
)
from mixwright.sheet.schema import schema_path
from mixwright.sheet.text import SheetText, load_text

__all__ = [
    "ROLES",
    "STEPS",
    "Accept",
    "Band",
    "BusAutomation",
    "Compressor",
    "Cover",
    "Delivery",
    "Group",
    "Labels",
    "Loudness",
    "MixBus",
    "PathKey",
    "Point",
    "Points",
    "Reference",
    "Release",
    "Return",
    "Sheet",
    "SheetText",
    "Song",
    "StepName",
    "Track",
    "TrackAutomation",
    "Variant",
    "check_length",
    "load_sheet",
    "load_sheet_text",
    "load_text",
    "schema_path",
]


def load_sheet(path: str | Path, *, allow_outside: bool = False) -> Sheet:
    """Read, check and build the mix sheet at `path`.

    Files it names must be there and, unless `allow_outside`, inside its folder; they are not
    opened. Raises ProblemError with every problem found, in the order of the sheet's lines.

    >>> load_sheet("mix.yaml").tracks[0].gain_db  # doctest: +SKIP
    -4.5
    """
    return load_sheet_text(load_text(path), path, allow_outside=allow_outside)


def load_sheet_text(
    text: SheetText, path: str | Path, *, allow_outside: bool = False, needs_files: bool = True
) -> Sheet:
    """Check and build the mix sheet of a text that lies, or once lay, at `path`.

    The files it names are looked for beside `path`; without `needs_files` not at all. Messages
    go by the name that `text` has. Raises ProblemError as :func:`load_sheet` does.
    """
    from mixwright.sheet.build import build_sheet
    from mixwright.sheet.file_names import check_file_names
    from mixwright.sheet.meaning import check_meaning
    from mixwright.sheet.schema import check_format, check_shape
    from mixwright.sheet.tree import read_tree

    path = Path(path)
    tree = read_tree(text)
    if (wrong_format := check_format(tree)) is not None:
        raise ProblemError([wrong_format])
    problems, sound = check_shape(tree)
    if isinstance(tree.value, dict) and "song" in tree.value:
        # Without a song every name of a section would be called unknown, on top of the one fault.
        problems += check_meaning(sound, path.parent, allow_outside)
    if not needs_files:
        from mixwright.sheet.tidy import _OF_FILES

        problems = [problem for problem in problems if problem.rule not in _OF_FILES]
    _raise_errors(problems)
    sheet = build_sheet(path, tree)
    problems = check_file_names(sheet)
    if sheet.song.end is not None:
        problems += check_length(sheet, sheet.timeline.sample_at(sheet.song.end))
    _raise_errors(problems)
    return sheet


def _raise_errors(problems: list[Problem]) -> None:
    """Raise if there is an error; warnings alone do not stop the work."""
    if any(problem.severity is Severity.ERROR for problem in problems):
        raise ProblemError(sorted(problems, key=_place))


def _place(problem: Problem) -> tuple[int, int]:
    return (problem.span.line, problem.span.column) if problem.span else (0, 0)
