"""``mixwright deliver``: every variant of a sheet as files, or of a folder of sheets."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from mixwright.cli.options import (
    allow_outside_option,
    allow_plugins_option,
    as_json_option,
    json_problems,
    print_json,
    threads_option,
)

EXIT_INPUT = 2


@click.command(
    "deliver",
    epilog="""\b
Examples:
  mixwright deliver mix.yaml
  mixwright deliver mix.yaml --only main --only instrumental
  mixwright deliver mix.yaml --out release --json""",
)
@click.argument("sheet", type=click.Path())
@click.option("--only", multiple=True, metavar="NAME", help="Deliver this variant [all]; repeat.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder for the files [out beside SHEET]."
)
@threads_option
@click.option("--force", is_flag=True, help="Overwrite files that mixwright did not write.")
@click.option("--no-cache", is_flag=True, help="Measure every level match anew.")
@allow_outside_option
@allow_plugins_option
@as_json_option
def command(
    sheet: str,
    only: tuple[str, ...],
    out: Path | None,
    no_cache: bool,
    as_json: bool,
    **options: Any,
) -> int:
    """Bring the files of all variants of SHEET up to date, and list them in manifest.json.

    What is there already and would come out the same is kept. SHEET may be a folder of sheets.
    """
    with json_problems(as_json) as outcome:
        import mixwright
        from mixwright.cli.progress import shown_progress
        from mixwright.report.delivered import delivered_as_data, print_delivered

        names = tuple(name for part in only for name in part.split(",") if name)
        options |= {"only": names, "keep_cache": not no_cache}
        with shown_progress(quiet=as_json) as progress:
            done = mixwright.deliver(sheet, out, progress=progress, **options)
        if as_json:
            print_json(delivered_as_data(done))
        else:
            from rich.console import Console

            print_delivered(done, Console())
            _say_problems(done)
        if done.failed:
            outcome.status = EXIT_INPUT
    return outcome.status


def _say_problems(done: Any) -> None:
    for problems in done.failed.values():
        for problem in problems:
            click.echo(str(problem), err=True)
    for warning in done.warnings:
        click.echo(str(warning), err=True)
