"""Measuring: files, mixes, references, tracks as they arrive; checks and the recall sheet."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Unpack

from mixwright.api.loading import (
    SHEET_SUFFIXES,
    Options,
    loaded_sheet,
    planner,
    said_in,
    unknown_choice,
)
from mixwright.checks import STAGES, Checked, StageName, run_checks
from mixwright.measuring import (
    Comparison,
    Inspected,
    Measured,
    compare_with_references,
    inspect_stems,
    measure_file,
    measure_plan,
    stems_of_folder,
    stems_of_sheet,
)
from mixwright.measuring.evidence import Evidence
from mixwright.measuring.hearing import gather
from mixwright.problem import Problem, ProblemError, odd_kind
from mixwright.rendering.session import Session
from mixwright.report.recall import recall_of
from mixwright.report.recall_sheet import Recall
from mixwright.sheet import Sheet, StepName


def measure(
    source: Sheet | str | Path,
    *,
    through: StepName = "automation",
    by_section: bool = False,
    **options: Unpack[Options],
) -> Measured:
    """Measure a sound file, or a sheet: its mix and the outputs of its tracks, groups, returns.

    A path that ends in .yaml or .yml is a sheet. For a sheet `through` is the step to measure
    after, and its loudest section is found from the balance alone. Raises ProblemError.
    """
    session = Session(**options)
    if not isinstance(source, Sheet) and Path(source).suffix.lower() not in SHEET_SUFFIXES:
        return measure_file(Path(source), session)
    sheet, plan_of = loaded_sheet(source, session), planner(session)
    whole, balance = plan_of(sheet, through), plan_of(sheet, "balance")
    with said_in(sheet):
        return measure_plan(whole, balance, sheet, session, by_section=by_section)


def compare_references(
    sheet: Sheet | str | Path,
    *,
    through: StepName = "automation",
    **options: Unpack[Options],
) -> tuple[Comparison, ...]:
    """Compare a mix with each of the sheet's references, at equal loudness; ProblemError."""
    session = Session(**options)
    sheet = loaded_sheet(sheet, session)
    whole = planner(session)(sheet, through)
    with said_in(sheet):
        return compare_with_references(sheet, whole, session)


def check(
    sheet: Sheet | str | Path,
    *,
    step: StageName | None = None,
    **options: Unpack[Options],
) -> Checked:
    """Walk the six steps of a mix and say of every rule whether it holds.

    `step` is one of them, or ``intake`` or ``delivery``, to hear of its rules alone. `passes()` of
    the result is whether no rule fails. Raises ProblemError.
    """
    if step is not None and step not in STAGES:
        raise ProblemError([unknown_choice("step", step, STAGES)])
    return run_checks(_heard(sheet, Session(**options)), step)


def log(sheet: Sheet | str | Path, **options: Unpack[Options]) -> Recall:
    """Return the recall sheet of a mix: every track, every move, its reason and its effect.

    All of it is measured anew. `as_markdown()` and `as_data()` of the result write it out.
    Raises ProblemError.
    """
    return recall_of(_heard(sheet, Session(**options)))


def _heard(sheet: Sheet | str | Path, session: Session) -> Evidence:
    sheet, plan_of = loaded_sheet(sheet, session), planner(session)
    still, finished = plan_of(sheet, "bus"), plan_of(sheet)
    with said_in(sheet):
        return gather(sheet, still, finished, session)


def inspect(source: Sheet | str | Path, **options: Unpack[Options]) -> Inspected:
    """Look at tracks as they arrive: those of a sheet, or every sound file in a folder.

    What a sheet takes care of already is said as a note. Raises ProblemError.
    """
    session = Session(**options)
    if isinstance(source, Sheet) or Path(source).suffix.lower() in SHEET_SUFFIXES:
        sheet = loaded_sheet(source, session)
        stems, rate_hz = stems_of_sheet(sheet, session), sheet.song.sample_rate_hz
        return inspect_stems(sheet.path, stems, rate_hz, session=session)
    folder = Path(source)
    if not os.path.isdir(folder):
        hint = "give a folder of tracks or a sheet (.yaml); for one file there is measure"
        raise ProblemError([Problem("inspect/no-folder", _no_folder(folder), help=hint)])
    stems, unreadable = stems_of_folder(folder, session)
    rates = [stem.info.rate_hz for stem in stems]
    return inspect_stems(folder, stems, max(set(rates), key=rates.count), unreadable, session)


def _no_folder(path: Path) -> str:
    try:
        kind = odd_kind(path.stat().st_mode) or "a file"
    except (OSError, ValueError):  # not there, or no name at all
        return f"there is no folder {path}"
    return f"{path} is {kind}, expected a folder of tracks or a sheet"
