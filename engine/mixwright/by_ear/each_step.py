"""Hear the steps: the mix as it stands after each, all equally loud, one file a step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mixwright.by_ear.takes import (
    TakeOptions,
    check_targets,
    file_stem,
    levels_lufs,
    lowering_db,
    matched_gains_db,
    peaks_dbfs,
    write_takes,
)
from mixwright.problem import Problem
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import Plan
from mixwright.rendering.session import Session
from mixwright.sheet import STEPS, Sheet


@dataclass(frozen=True)
class SteppedFile:
    """The mix after one step, in a file of its own.

    `integrated_lufs` (BS.1770-5) and `sample_peak_dbfs` are those of the step as the sheet makes
    it; the file is `gain_db` (0 or less) away from it. The same share of that gain in all files of
    a set, `lowered_db`, keeps the highest of them below full scale; the rest matches the loudness.
    """

    step: str
    path: Path
    gain_db: float
    lowered_db: float
    integrated_lufs: float | None
    sample_peak_dbfs: float | None
    warnings: tuple[Problem, ...] = ()


def step_file(folder: Path, step: str, words: str, suffix: str) -> Path:
    """Return where a step goes; `words` say which part of the song it is.

    >>> step_file(Path("out"), "bus", "-chorus-1", ".wav").name
    'mix-2-bus-chorus-1.wav'
    """
    number = STEPS.index(step) + 1
    return folder / f"{file_stem('mix', str(number), step)}{words}{suffix}"


def write_each_step(
    sheet: Sheet, plans: Sequence[Plan], words: str, options: TakeOptions, session: Session
) -> tuple[SteppedFile, ...]:
    """Perform all plans, one a step, and write all of them at the loudness of the quietest.

    A whole song takes one pass over the stems; of a part of it, each step begins as early as it has
    to. Raises ProblemError as a render does, except for what would clip: that is turned down,
    together with all others. Writes all files or none.
    """
    suffix = options.encoding.form.suffix
    targets = [step_file(options.folder, plan.through, words, suffix) for plan in plans]
    check_targets(sheet, targets, options)
    with performed([PlannedMix(plan) for plan in plans], session, options.folder) as takes:
        levels = levels_lufs(takes)
        gains_db, peaks = matched_gains_db(levels), peaks_dbfs(takes)
        lowered_db = lowering_db(peaks, gains_db)
        gains_db = [gain_db + lowered_db for gain_db in gains_db]
        write_takes(targets, list(zip(takes, gains_db, strict=True)), options)
    return tuple(
        SteppedFile(plan.through, target, gain_db, lowered_db, level, peak, take.warnings)
        for plan, target, gain_db, level, peak, take in zip(
            plans, targets, gains_db, levels, peaks, takes, strict=True
        )
    )
