"""``mixwright tidy``: one order, spacing and form of numbers, so that diffs show decisions only."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from mixwright.escaping import visible
from mixwright.problem import ProblemError

if TYPE_CHECKING:
    from mixwright.sheet.tidy import Tidied

NOT_TIDY = 1


@click.command(
    "tidy",
    epilog="""\b
Examples:
  mixwright tidy mix.yaml
  mixwright tidy --check --diff mix.yaml mix_2.yaml""",
)
@click.argument("sheets", metavar="SHEET...", type=click.Path(), nargs=-1, required=True)
@click.option(
    "--check", "checks", is_flag=True, help="Write nothing; exit with 1 if one is not tidy."
)
@click.option("--diff", "shows_diff", is_flag=True, help="Write nothing; print what would change.")
def command(sheets: tuple[str, ...], checks: bool, shows_diff: bool) -> int:
    """Put each SHEET in order: its keys, its lines, its numbers. Comments stay.

    Nothing else changes: the sheet means the same before and after. A sheet with faults is left
    as it is; its sound files need not be there.
    """
    from mixwright.cli import show_problems
    from mixwright.sheet.tidy import tidy_sheet

    statuses = [0]
    for sheet in sheets:
        try:
            result = tidy_sheet(sheet, check=checks or shows_diff)
        except ProblemError as error:
            statuses.append(max(show_problems(error), _status_of_bug(error)))
            continue
        _say(result, checks, shows_diff)
        statuses.append(NOT_TIDY if checks and result.is_changed else 0)
    return max(statuses)


def _say(result: Tidied, checks: bool, shows_diff: bool) -> None:
    """Print what was done or what there is to do; --diff alone prints a patch and nothing else."""
    if shows_diff:
        # A patch is to be applied as it is; on a terminal all of it is to be seen.
        patch = result.diff()
        click.echo(visible(patch, "\n\t") if sys.stdout.isatty() else patch, nl=False)
    path = visible(result.path)
    if checks:
        click.echo(f"{path}: {'not tidy' if result.is_changed else 'tidy'}")
    elif not shows_diff:
        click.echo(f"{path}: {'tidied' if result.is_changed else 'tidy already'}")


def _status_of_bug(error: ProblemError) -> int:
    """The status of a bug of ours, if that is what kept the sheet from being tidied."""
    from mixwright.cli import EXIT_OUR_BUG
    from mixwright.sheet.tidy import CHANGED

    return EXIT_OUR_BUG if any(problem.rule == CHANGED for problem in error.problems) else 0
