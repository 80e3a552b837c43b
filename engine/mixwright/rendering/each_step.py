"""Hear the steps: the mix as it stands after each, all equally loud, one file a step."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from mixwright.problem import Problem
from mixwright.rendering.plan import Plan
from mixwright.rendering.takes import (
    TakeOptions,
    check_targets,
    file_stem,
    lowering_db,
    make_equally_long,
    matched_gains_db,
    taken,
    write_takes,
)
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
    sheet: Sheet, plans: Sequence[Plan], words: str, options: TakeOptions
) -> tuple[SteppedFile, ...]:
    """Perform each plan, one a step, and write all of them at the loudness of the quietest.

    Raises ProblemError as a render does, except for what would clip: that is turned down, together
    with all others. Writes all files or none.
    """
    suffix = options.form.suffix
    targets = [step_file(options.folder, plan.through, words, suffix) for plan in plans]
    check_targets(sheet, targets, options)
    with ExitStack() as kept:
        takes = [kept.enter_context(taken(plan, options, plan.through)) for plan in plans]
        make_equally_long(takes)
        gains_db = matched_gains_db([take.integrated_lufs for take in takes])
        lowered_db = lowering_db([take.sample_peak_dbfs for take in takes], gains_db)
        gains_db = [gain_db + lowered_db for gain_db in gains_db]
        pairs = zip(takes, gains_db, strict=True)
        write_takes(sheet, dict(zip(targets, pairs, strict=True)), options)
    return tuple(
        SteppedFile(
            step=plan.through,
            path=target,
            gain_db=gain_db,
            lowered_db=lowered_db,
            integrated_lufs=take.integrated_lufs,
            sample_peak_dbfs=take.sample_peak_dbfs,
            warnings=take.warnings,
        )
        for plan, target, take, gain_db in zip(plans, targets, takes, gains_db, strict=True)
    )
