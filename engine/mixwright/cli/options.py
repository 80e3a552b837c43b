"""What the verbs share: the sheet argument, and --json for results and problems alike."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import click

from mixwright.escaping import json_text, plain_data
from mixwright.problem import Fault, ProblemError

STEP_NAMES = ("balance", "bus", "eq", "dynamics", "effects", "automation")


class StepChoice(click.Choice[str]):
    """One of the steps; of another spelling it says what the step is called."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the step that is named so; a usage error says which ones there are."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter as error:
            from mixwright.sheet.nearest import nearest
            from mixwright.sheet.slips import meant_word

            steps = [str(step) for step in self.choices]
            meant = meant_word(str(value), steps) or nearest(str(value), steps)
            if meant is None:
                raise
            self.fail(f"{error.message} (help: write {meant})", param, ctx)


sheet_argument = click.argument("sheet", type=click.Path())
allow_outside_option = click.option(
    "--allow-outside", is_flag=True, help="Let the sheet name files outside its folder."
)
allow_plugins_option = click.option(
    "--allow-plugins", is_flag=True, help="Load the third-party plug-ins it names."
)
threads_option = click.option(
    "--threads", type=click.IntRange(1, 256), help="Threads to use [all cores]."
)
as_json_option = click.option("--json", "as_json", is_flag=True, help="Print results as JSON.")


@dataclass
class Outcome:
    """The exit status of a verb."""

    status: int = 0


@contextmanager
def json_problems(as_json: bool) -> Iterator[Outcome]:
    """Under --json, print problems as JSON instead of raising them on to the command line."""
    outcome = Outcome()
    try:
        yield outcome
    except ProblemError as error:
        if not as_json:
            raise

        print_json({"problems": error.problems})
        machine = any(problem.fault is Fault.MACHINE for problem in error.problems)
        outcome.status = 3 if machine else 2


def print_json(data: dict[str, Any]) -> None:
    """Print JSON to standard output."""
    click.echo(json_text(plain_data(data)))
