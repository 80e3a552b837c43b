"""Comparing two versions of a mix."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from mixwright.api.loading import check_threads, plan
from mixwright.comparing.compare import Compared, compare_sheets, compare_versions
from mixwright.comparing.versions import load_version
from mixwright.problem import ProblemError
from mixwright.rendering import Plan
from mixwright.rendering.placed_faults import NodeError
from mixwright.sheet import Sheet

if TYPE_CHECKING:
    from mixwright.rendering.perform import StageProgress


def compare(
    old: Sheet | str | Path,
    new: Sheet | str | Path,
    *,
    only_sheet: bool = False,
    threads: int | None = None,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> Compared:
    """Compare two versions of a mix: what the sheets say, and how the mixes sound.

    Each is a sheet, its path, or ``REVISION:PATH`` as git takes it; sound files are read from the
    working tree. With `only_sheet` they need not be there, and nothing is rendered. Whatever is
    found, it is no verdict: `has_changes` of the result says whether there is a change at all.
    Raises ProblemError.

    >>> import mixwright
    >>> compared = mixwright.compare("HEAD~1:mix.yaml", "mix.yaml")  # doctest: +SKIP
    >>> [str(change) for change in compared.changes]  # doctest: +SKIP
    ['balance: lead_vocal: fader -4.5 -> -3.7 dB (+0.8)']
    """
    check_threads(threads)
    before, after = (
        load_version(given, allow_outside=allow_outside, needs_files=not only_sheet)
        for given in (old, new)
    )
    if only_sheet:
        return compare_sheets(before, after)
    from mixwright.comparing.together import Work

    def plan_of(sheet: Sheet) -> Plan:
        return plan(sheet, allow_plugins=allow_plugins)

    try:
        return compare_versions(before, after, plan_of, Work(threads, progress))
    except NodeError as error:
        raise _said_in(after.sheet, before.sheet, error) from error


def _said_in(new: Sheet, old: Sheet, error: NodeError) -> ProblemError:
    """Say problems of a node at its place in the new sheet; in the old one, if only that has it."""
    sheet = new if tuple(error.path) in new.spans or error.path[:2] in new.spans else old
    place = sheet.span_of(*error.path)
    return ProblemError(replace(problem, span=place) for problem in error.problems)
