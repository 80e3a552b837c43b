"""``mixwright inspect``: the tracks as they arrive, and what is wrong with them."""

from __future__ import annotations

from typing import Any

import click

from mixwright.cli.options import (
    as_json_option,
    json_problems,
    print_json,
    session_options,
)


@click.command(
    "inspect",
    epilog="""\b
Examples:
  mixwright inspect stems/
  mixwright inspect mix.yaml
  mixwright inspect mix.yaml --strict --json""",
)
@click.argument("source", metavar="FOLDER|SHEET", type=click.Path())
@click.option("--strict", is_flag=True, help="Exit with status 1 when a fault is found.")
@session_options
@as_json_option
def command(source: str, strict: bool, as_json: bool, **options: Any) -> int:
    """List the tracks of a FOLDER or SHEET with their levels and faults, and how to mend these."""
    with json_problems(as_json) as outcome:
        import mixwright
        from mixwright.cli.progress import said_afterwards
        from mixwright.report import intake

        with said_afterwards(quiet=as_json):
            inspected = mixwright.inspect(source, **options)
        if as_json:
            print_json(intake.inspected_as_data(inspected))
        else:
            intake.print_inspected(inspected)
        if strict and any(finding.severity == "fault" for finding in inspected.findings):
            outcome.status = 1
    return outcome.status
