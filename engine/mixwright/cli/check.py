"""``mixwright check``: the six steps of a mix, proven one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from mixwright.cli.options import (
    STEP_NAMES,
    StepChoice,
    as_json_option,
    json_problems,
    print_json,
    session_options,
    sheet_argument,
)

if TYPE_CHECKING:
    from mixwright.checks import Checked

FORMATS = ("text", "json", "github", "sarif", "markdown")
EXIT_FAILS = 1


@click.command(
    "check",
    epilog="""\b
Examples:
  mixwright check mix.yaml
  mixwright check mix.yaml --step balance
  mixwright check mix.yaml --all
  mixwright check mix.yaml --format markdown > check.md
  mixwright check mix.yaml --strict --format github""",
)
@sheet_argument
@click.option(
    "--step",
    type=StepChoice(("intake", *STEP_NAMES, "delivery")),
    help="Show the rules of this step alone; the whole mix is heard all the same.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    default="text",
    show_default=True,
    help="How to say it; github are annotations, sarif is SARIF 2.1.0.",
)
@click.option("--strict", is_flag=True, help="What is worth a look fails too.")
@click.option("--all", "everything", is_flag=True, help="Show the rules that hold as well.")
@session_options
@as_json_option
def command(
    sheet: str,
    form: str,
    strict: bool,
    everything: bool,
    as_json: bool,
    **options: Any,
) -> int:
    """Walk the six steps of SHEET and say of every rule whether it holds.

    Exits with 1 when a rule fails. Rules are advice to begin with: a sheet may set other limits,
    and accept a finding with its reason.
    """
    if as_json and form not in ("text", "json"):
        raise click.UsageError(f"--json and --format {form} exclude one another")
    form = "json" if as_json else form
    with json_problems(form == "json") as outcome:
        import mixwright
        from mixwright.cli.progress import shown_progress

        with shown_progress(quiet=form != "text") as progress:
            checked = mixwright.check(sheet, progress=progress, **options)
        _show(checked, form, everything)
        if not checked.passes(strict):
            outcome.status = EXIT_FAILS
    return outcome.status


def _show(checked: Checked, form: str, everything: bool) -> None:
    if form == "json":
        from mixwright.report.checks import checked_as_data

        print_json(checked_as_data(checked))
    elif form == "markdown":
        from mixwright.report.checks_markdown import checked_as_markdown

        click.echo(checked_as_markdown(checked))
    elif form == "github":
        from mixwright.report.checks_ci import checked_as_github

        for line in checked_as_github(checked):
            click.echo(line)
    elif form == "sarif":
        from mixwright.report.checks_ci import checked_as_sarif

        print_json(checked_as_sarif(checked))
    else:
        from mixwright.report.checks import print_checked

        print_checked(checked, None, everything)
