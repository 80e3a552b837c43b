"""``mixwright render``: a sheet in, a mix and its meters out."""

from __future__ import annotations

import re
from pathlib import Path

import click

from mixwright.cli.options import (
    allow_outside_option,
    allow_plugins_option,
    as_json_option,
    json_problems,
    print_json,
    sheet_argument,
    threads_option,
)
from mixwright.timeline import Position

STEP_NAMES = ("balance", "mixbus", "eq", "dynamics", "effects", "automation")
FORMAT_NAMES = ("wav16", "wav24", "wav32f", "flac16", "flac24")
DITHER_NAMES = ("tpdf", "shaped")


class PositionType(click.ParamType[Position]):
    """A place in the song as a person writes it."""

    name = "position"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> Position:
        """Read ``bar 13``, ``bar 13 beat 2.5``, ``42.5 s``, ``1:05`` or a section's name."""
        text = str(value).strip()
        if found := re.fullmatch(r"bar\s+(\d+)(?:\s+beat\s+(\d+(?:\.\d+)?))?", text):
            if int(found[1]) < 1 or float(found[2] or 1) < 1.0:
                self.fail(f"'{text}': bars and beats count from 1", param, ctx)
            return Position(bar=int(found[1]), beat=float(found[2] or 1))
        if found := re.fullmatch(r"(\d+(?:\.\d+)?)\s*s", text):
            return Position(seconds=float(found[1]))
        if found := re.fullmatch(r"(\d+):(\d{2}(?:\.\d+)?)", text):
            return Position(seconds=60.0 * int(found[1]) + float(found[2]))
        if re.fullmatch(r"[\d.]+", text):
            self.fail(f"'{text}' is no place; write 'bar {text}' or '{text} s'", param, ctx)
        return Position(section=text)


@click.command(
    "render",
    epilog="""\b
Examples:
  mixwright render mix.yaml
  mixwright render mix.yaml --through balance --out out/balance.wav
  mixwright render mix.yaml --section "chorus 1"
  mixwright render mix.yaml --from "bar 13" --to "42.5 s"
  mixwright render mix.yaml --format wav16 --dither shaped""",
)
@sheet_argument
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="File to write [out/mix.wav beside SHEET; steps and parts get names of their own].",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMAT_NAMES),
    help="[by the end of --out, 24 bits; wav24 without --out]",
)
@click.option(
    "--through",
    type=click.Choice(STEP_NAMES),
    default="automation",
    show_default=True,
    help="Use this step and those before it, nothing after.",
)
@click.option(
    "--from", "start", type=PositionType(), help="Begin here: 'bar 13', '42.5 s', a section."
)
@click.option("--to", "stop", type=PositionType(), help="End here, in the same notation.")
@click.option("--section", help="Render one section only.")
@click.option("--mono", is_flag=True, help="Fold the mix down to mono, to hear what is lost.")
@click.option(
    "--dither",
    type=click.Choice(DITHER_NAMES),
    default="tpdf",
    show_default=True,
    help="shaped: noise moved to where the ear is deaf, for 16 bits.",
)
@threads_option
@click.option("--force", is_flag=True, help="Overwrite a file that mixwright did not write.")
@click.option("--no-cache", is_flag=True, help="Measure every level match anew.")
@allow_outside_option
@allow_plugins_option
@as_json_option
def command(
    sheet: str,
    out: Path | None,
    form: str | None,
    through: str,
    start: Position | None,
    stop: Position | None,
    section: str | None,
    mono: bool,
    dither: str,
    threads: int | None,
    force: bool,
    no_cache: bool,
    allow_outside: bool,
    allow_plugins: bool,
    as_json: bool,
) -> int:
    """Render SHEET to a stereo mix and print its meters."""
    if section is not None and (start is not None or stop is not None):
        raise click.UsageError("--section and --from/--to exclude one another")
    with json_problems(as_json) as outcome:
        import mixwright
        from mixwright.cli.progress import shown_progress
        from mixwright.report.readings import print_rendered, rendered_as_data

        loaded = mixwright.load(sheet, allow_outside=allow_outside)
        with shown_progress(quiet=as_json) as progress:
            done = mixwright.render(
                loaded,
                out,
                format=form,
                through=through,  # type: ignore[arg-type]
                section=section,
                span=(_known(start, loaded), _known(stop, loaded)),
                threads=threads,
                force=force,
                keep_cache=not no_cache,
                allow_plugins=allow_plugins,
                mono=mono,
                dither=dither,  # type: ignore[arg-type]
                progress=progress,
            )
        if as_json:
            print_json(rendered_as_data(done))
        else:
            from rich.console import Console

            print_rendered(done, Console())
            for warning in done.readings.warnings:
                click.echo(str(warning), err=True)
    return outcome.status


def _known(position: Position | None, sheet: object) -> Position | None:
    """Refuse a section that the sheet does not have."""
    from mixwright.api import section_span
    from mixwright.sheet import Sheet

    if position is not None and position.section is not None:
        assert isinstance(sheet, Sheet)
        section_span(sheet, position.section)
    return position
