"""``mixwright bypass``: a part of one track, with and without, at the same level."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from mixwright.cli.options import (
    as_json_option,
    json_problems,
    print_json,
    session_options,
    sheet_argument,
)
from mixwright.cli.render import FORMAT_NAMES
from mixwright.cli.span import exclude_one_another, from_option, known_span, to_option
from mixwright.sheet.model import CHAIN_PARTS
from mixwright.timeline import Position


@click.command(
    "bypass",
    epilog="""\b
Examples:
  mixwright bypass mix.yaml lead_vocal eq
  mixwright bypass mix.yaml drums compressor --section "chorus 1"
  mixwright bypass mix.yaml bass inserts --from "bar 13" --to "42.5 s" --out listen""",
)
@sheet_argument
@click.argument("track")
@click.argument("part", type=click.Choice(CHAIN_PARTS))
@click.option("--section", help="One section only [the whole song].")
@from_option
@to_option
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder for the files [out beside SHEET]."
)
@click.option(
    "--format", type=click.Choice(FORMAT_NAMES), default="wav24", show_default=True, help="Of all."
)
@click.option("--force", is_flag=True, help="Overwrite files that mixwright did not write.")
@session_options
@as_json_option
def command(
    sheet: str,
    track: str,
    part: str,
    section: str | None,
    start: Position | None,
    stop: Position | None,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> int:
    """Write SHEET's mix with and without PART of TRACK, and TRACK alone with and without it.

    TRACK may be a group. Its level is the same in each pair: what is left to hear is what PART
    does to it.
    """
    exclude_one_another(section, start, stop)
    with json_problems(as_json) as outcome:
        from mixwright import api
        from mixwright.cli.progress import shown_progress
        from mixwright.report.by_ear import bypassed_as_data, print_bypassed

        loaded = api.load(sheet, allow_outside=options["allow_outside"])
        options |= {"section": section, "span": known_span(loaded, start, stop)}
        with shown_progress(quiet=as_json) as progress:
            done = api.bypass(loaded, track, part, out, progress=progress, **options)
        if as_json:
            print_json(bypassed_as_data(done))
        else:
            from rich.console import Console

            print_bypassed(done, Console())
            for warning in done.warnings:
                click.echo(str(warning), err=True)
    return outcome.status
