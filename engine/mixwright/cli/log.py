"""``mixwright log``: the recall sheet, for people on a terminal, as Markdown or as JSON."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from mixwright.cli.options import (
    as_json_option,
    json_problems,
    session_options,
    sheet_argument,
)
from mixwright.escaping import json_text
from mixwright.problem import Problem, ProblemError

if TYPE_CHECKING:
    from mixwright.sheet import Sheet

LEAST_WIDTH = 60
# What the three forms begin with: only a recall sheet is written over.
OWN_STARTS = ("Recall sheet: ", "# Recall sheet: ", '{\n  "recall_sheet": ')


@click.command(
    "log",
    epilog="""\b
Examples:
  mixwright log mix.yaml
  mixwright log mix.yaml --md --out out/recall.md
  mixwright log mix.yaml --json""",
)
@sheet_argument
@click.option("--md", "as_md", is_flag=True, help="Write Markdown.")
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="FILE", help="File to write [the terminal]."
)
@session_options
@as_json_option
def command(
    sheet: str,
    as_md: bool,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> int:
    """Print the recall sheet of SHEET: every track, every move, its reason and its effect.

    All of it is measured anew, in step order.
    """
    if as_md and as_json:
        raise click.UsageError("--md and --json exclude one another")
    with json_problems(as_json) as outcome:
        from mixwright import api
        from mixwright.cli.progress import shown_progress
        from mixwright.report.page import WIDTH

        loaded = api.load(sheet, allow_outside=options["allow_outside"])
        if out is not None:
            check_place(loaded, out)
        with shown_progress(quiet=as_json and out is None) as progress:
            recall = api.log(loaded, progress=progress, **options)
        if as_json:
            text = json_text(recall.as_data()) + "\n"
        elif as_md:
            text = recall.as_markdown()
        else:
            text = recall.as_text(WIDTH if out is not None else _terminal_width())
        if out is None:
            click.echo(text, nl=False)
        else:
            _write(text, out)
    return outcome.status


def _terminal_width() -> int:
    from mixwright.report.page import WIDTH

    if not sys.stdout.isatty():
        return WIDTH
    return max(LEAST_WIDTH, min(WIDTH, os.get_terminal_size(sys.stdout.fileno()).columns))


def check_place(sheet: Sheet, out: Path) -> None:
    """Refuse to write over what the sheet reads, and over any file that is no recall sheet."""
    from mixwright.audio.staged import check_name, told_as_problem
    from mixwright.audio.write import refuse_folder
    from mixwright.rendering.target import keep_sources

    check_name(out)
    refuse_folder(out)
    keep_sources(sheet, out)
    with told_as_problem(out):
        if not out.exists():
            return
        with out.open("rb") as file:
            start = file.read(max(len(own) for own in OWN_STARTS))
    if not any(start.startswith(own.encode()) for own in OWN_STARTS):
        message = f"{out} exists and is no recall sheet"
        raise ProblemError([Problem("output/not-ours", message, help="give another --out")])


def _write(text: str, out: Path) -> None:
    """Write all of it or nothing."""
    from mixwright.audio.staged import told_as_problem, written_beside

    with told_as_problem(out):
        out.parent.mkdir(parents=True, exist_ok=True)
    with written_beside(out) as beside:
        beside.write_text(text, "utf-8", newline="\n")
