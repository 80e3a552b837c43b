"""``mixwright render``: a sheet in, a mix and its meters out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

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
from mixwright.cli.span import exclude_one_another, from_option, known_span, to_option
from mixwright.timeline import Position

FORMAT_NAMES = ("wav16", "wav24", "wav32f", "flac16", "flac24")
DITHER_NAMES = ("tpdf", "shaped")


@click.command(
    "render",
    epilog="""\b
Examples:
  mixwright render mix.yaml
  mixwright render mix.yaml --through balance --out out/balance.wav
  mixwright render mix.yaml --section "chorus 1"
  mixwright render mix.yaml --from "bar 13" --to "42.5 s"
  mixwright render mix.yaml --each-step --section "chorus 1" --out listen
  mixwright render mix.yaml --format wav16 --dither shaped""",
)
@sheet_argument
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="File to write [out/mix.wav beside SHEET; steps and parts get names of their own]; "
    "a folder with --each-step.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMAT_NAMES),
    help="[by the end of --out, 24 bits; wav24 without --out]",
)
@click.option(
    "--through",
    type=StepChoice(STEP_NAMES),
    default="automation",
    show_default=True,
    help="Use this step and those before it, nothing after.",
)
@click.option(
    "--each-step",
    is_flag=True,
    help="A file for each step, brought down to one loudness to compare by ear.",
)
@from_option
@to_option
@click.option("--section", help="Render one section only.")
@click.option("--mono", is_flag=True, help="Fold the mix down to mono, to hear what is lost.")
@click.option(
    "--dither",
    type=click.Choice(DITHER_NAMES),
    default="tpdf",
    show_default=True,
    help="shaped: noise moved to where the ear is deaf, for 16 bits.",
)
@click.option("--force", is_flag=True, help="Overwrite a file that mixwright did not write.")
@session_options
@as_json_option
def command(
    sheet: str,
    out: Path | None,
    each_step: bool,
    start: Position | None,
    stop: Position | None,
    section: str | None,
    as_json: bool,
    **options: Any,
) -> int:
    """Render SHEET to a stereo mix and print its meters."""
    exclude_one_another(section, start, stop)
    with json_problems(as_json) as outcome:
        from mixwright import api
        from mixwright.cli.progress import shown_progress

        loaded = api.load(sheet, allow_outside=options["allow_outside"])
        options["format"] = options.pop("form")
        options |= {"section": section, "span": known_span(loaded, start, stop)}
        work = api.render_each_step if each_step else api.render
        with shown_progress(quiet=as_json) as progress:
            done = work(loaded, out, progress=progress, **options)
        _show(done, as_json)
    return outcome.status


def _show(done: Any, as_json: bool) -> None:
    """Print one render, or the steps."""
    from mixwright.report import by_ear, readings

    each_step = isinstance(done, tuple)
    if as_json:
        print_json(by_ear.steps_as_data(done) if each_step else readings.rendered_as_data(done))
        return
    from rich.console import Console

    if each_step:
        by_ear.print_steps(done, Console())
        warnings = dict.fromkeys(warning for step in done for warning in step.warnings)
    else:
        readings.print_rendered(done, Console())
        warnings = dict.fromkeys(done.readings.warnings)
    for warning in warnings:
        click.echo(str(warning), err=True)
