"""Measuring: files, mixes, references, tracks as they arrive; checks and the recall sheet."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

from mixwright.api.loading import (
    SHEET_SUFFIXES,
    load,
    loaded_sheet,
    plan,
    said_in,
    unknown_choice,
)
from mixwright.checks import STAGES, Checked, Stage, run_checks
from mixwright.measuring import (
    Comparison,
    Inspected,
    Measured,
    compare_with_references,
    inspect_stems,
    loudest_section,
    measure_file,
    measure_plan,
    stems_of_folder,
    stems_of_sheet,
)
from mixwright.measuring.evidence import Evidence
from mixwright.measuring.hearing import gather
from mixwright.problem import Problem, ProblemError, odd_kind
from mixwright.rendering.perform import StageProgress
from mixwright.report.recall import recall_of
from mixwright.report.recall_sheet import Recall
from mixwright.sheet import Sheet, StepName


def measure(
    source: Sheet | str | Path,
    *,
    through: StepName = "automation",
    by_section: bool = False,
    threads: int | None = None,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> Measured:
    """Measure a sound file, or a sheet: its mix and the outputs of its tracks, groups, returns.

    A path that ends in .yaml or .yml is a sheet. For a sheet `through` is the step to measure
    after, and its loudest section is found from the balance alone. Raises ProblemError.
    """
    if not isinstance(source, Sheet):
        if Path(source).suffix.lower() not in SHEET_SUFFIXES:
            return measure_file(Path(source))
        source = load(source, allow_outside=allow_outside)
    whole = plan(source, through=through, allow_plugins=allow_plugins)
    with said_in(source):
        measured = measure_plan(
            whole, source.path, by_section=by_section, threads=threads, progress=progress
        )
        balance = plan(source, through="balance")
        loudest = loudest_section(balance, source.song.loudest_section, threads)
    return dataclasses.replace(measured, loudest=loudest)


def compare_references(
    sheet: Sheet | str | Path,
    *,
    through: StepName = "automation",
    threads: int | None = None,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> tuple[Comparison, ...]:
    """Compare a mix with each of the sheet's references, at equal loudness; ProblemError."""
    sheet = loaded_sheet(sheet, allow_outside)
    whole = plan(sheet, through=through, allow_plugins=allow_plugins)
    with said_in(sheet):
        return compare_with_references(sheet, whole, threads, progress)


def check(
    sheet: Sheet | str | Path,
    *,
    step: Stage | None = None,
    threads: int | None = None,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> Checked:
    """Walk the six steps of a mix and say of every rule whether it holds.

    `step` is one of them, or ``intake`` or ``delivery``, to hear of its rules alone. `passes()` of
    the result is whether no rule fails. Raises ProblemError.
    """
    if step is not None and step not in STAGES:
        raise ProblemError([unknown_choice("step", step, STAGES)])
    options = {"allow_outside": allow_outside, "allow_plugins": allow_plugins}
    return run_checks(_heard(sheet, threads, progress, **options), step)


def log(
    sheet: Sheet | str | Path,
    *,
    threads: int | None = None,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> Recall:
    """Return the recall sheet of a mix: every track, every move, its reason and its effect.

    All of it is measured anew. `as_markdown()` and `as_data()` of the result write it out.
    Raises ProblemError.
    """
    options = {"allow_outside": allow_outside, "allow_plugins": allow_plugins}
    return recall_of(_heard(sheet, threads, progress, **options))


def _heard(
    sheet: Sheet | str | Path,
    threads: int | None,
    progress: StageProgress | None,
    *,
    allow_outside: bool,
    allow_plugins: bool,
) -> Evidence:
    sheet = loaded_sheet(sheet, allow_outside)
    still = plan(sheet, through="bus", allow_plugins=allow_plugins)
    finished = plan(sheet, allow_plugins=allow_plugins)
    with said_in(sheet):
        return gather(sheet, still, finished, threads=threads, progress=progress)


def inspect(source: Sheet | str | Path, *, allow_outside: bool = False) -> Inspected:
    """Look at tracks as they arrive: those of a sheet, or every sound file in a folder.

    What a sheet takes care of already is said as a note. Raises ProblemError.
    """
    if isinstance(source, Sheet) or Path(source).suffix.lower() in SHEET_SUFFIXES:
        sheet = source if isinstance(source, Sheet) else load(source, allow_outside=allow_outside)
        return inspect_stems(sheet.path, stems_of_sheet(sheet), sheet.song.sample_rate_hz)
    folder = Path(source)
    if not os.path.isdir(folder):
        hint = "give a folder of tracks or a sheet (.yaml); for one file there is measure"
        raise ProblemError([Problem("inspect/no-folder", _no_folder(folder), help=hint)])
    stems, unreadable = stems_of_folder(folder)
    rates = [stem.info.rate_hz for stem in stems]
    return inspect_stems(folder, stems, max(set(rates), key=rates.count), unreadable)


def _no_folder(path: Path) -> str:
    try:
        kind = odd_kind(path.stat().st_mode) or "a file"
    except (OSError, ValueError):  # not there, or no name at all
        return f"there is no folder {path}"
    return f"{path} is {kind}, expected a folder of tracks or a sheet"
