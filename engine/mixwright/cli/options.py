"""What the verbs share: the sheet argument, and --json for results and problems alike."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

import click

from mixwright.escaping import json_text, plain_data
from mixwright.problem import Fault, ProblemError

Command = TypeVar("Command", bound=Callable[..., Any])
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
as_json_option = click.option("--json", "as_json", is_flag=True, help="Print results as JSON.")


def session_options(command: Command) -> Command:
    """Let a verb be told how to work; it is given what builds a session, by the same names."""
    plugins = click.option(
        "--allow-plugins", is_flag=True, help="Load the third-party plug-ins it names."
    )
    no_cache = click.option(
        "--no-cache",
        "keep_cache",
        is_flag=True,
        callback=lambda _context, _option, is_given: not is_given,
        help="Measure and decode everything anew, and keep nothing of it.",
    )
    threads = click.option(
        "--threads", type=click.IntRange(1, 256), help="Threads to use [all cores]."
    )
    return threads(no_cache(allow_outside_option(plugins(command))))


@dataclass
class ExitStatus:
    """The exit status of a verb."""

    status: int = 0


@contextmanager
def json_problems(as_json: bool) -> Iterator[ExitStatus]:
    """Under --json, print problems as JSON instead of raising them on to the command line."""
    outcome = ExitStatus()
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
