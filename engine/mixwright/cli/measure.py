"""``mixwright measure``: every figure of files and mixes; a mix against its references."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from mixwright.cli.options import (
    STEP_NAMES,
    StepChoice,
    as_json_option,
    json_problems,
    print_json,
    session_options,
)

if TYPE_CHECKING:
    from mixwright.measuring import Comparison, Measured


@click.command(
    "measure",
    epilog="""\b
Examples:
  mixwright measure out/mix.wav
  mixwright measure mix.yaml --by-section
  mixwright measure mix.yaml --through balance --csv > balance.csv
  mixwright measure one.wav two.flac --plot spectra.png
  mixwright measure mix.yaml --against-references --plot tone.svg""",
)
@click.argument("sources", metavar="FILE|SHEET...", nargs=-1, required=True)
@click.option("--by-section", is_flag=True, help="Figures of each section of the song too.")
@click.option(
    "--through",
    type=StepChoice(STEP_NAMES),
    default="automation",
    show_default=True,
    help="Measure a sheet after this step.",
)
@click.option(
    "--against-references",
    is_flag=True,
    help="A sheet's mix against its references.",
)
@click.option(
    "--plot", type=click.Path(path_type=Path), metavar="FILE", help="A picture: .png or .svg."
)
@click.option("--csv", "as_csv", is_flag=True, help="Print results as CSV.")
@session_options
@as_json_option
def command(
    sources: tuple[str, ...],
    by_section: bool,
    through: str,
    against_references: bool,
    plot: Path | None,
    as_csv: bool,
    as_json: bool,
    **options: Any,
) -> int:
    """Measure sound files, or the mix and every track, group and return of a SHEET (.yaml)."""
    if as_csv and as_json:
        raise click.UsageError("--csv and --json exclude one another")
    if plot is not None and plot.suffix.lower() not in (".png", ".svg"):
        raise click.UsageError(f"--plot {plot}: expected a name ending in .png or .svg")
    with json_problems(as_json) as outcome:
        import mixwright
        from mixwright.cli.progress import shown_progress

        if plot is not None:
            check_plot(plot)
        with shown_progress(quiet=as_json or as_csv) as progress:
            options |= {"through": through, "progress": progress}
            if against_references:
                pairs = [(s, mixwright.compare_references(s, **options)) for s in sources]
                warnings = [w for _, found in pairs for one in found for w in one.warnings]
                _show_comparisons(pairs, plot, as_csv, as_json)
            else:
                options["by_section"] = by_section
                _decode_together(sources, options["threads"], options["keep_cache"])
                found = [mixwright.measure(source, **options) for source in sources]
                warnings = [warning for one in found for warning in one.warnings]
                _show(found, plot, as_csv, as_json)
        for warning in () if as_json else dict.fromkeys(warnings):
            click.echo(str(warning), err=True)
    return outcome.status


def check_plot(plot: Path) -> None:
    """Refuse a picture that can't be written, or only over another's, before it is measured."""
    from mixwright.audio.staged import check_name
    from mixwright.report.pictures import refuse_strangers_picture

    check_name(plot, "give another --plot")
    refuse_strangers_picture(plot)


def _decode_together(sources: tuple[str, ...], threads: int | None, keep_cache: bool) -> None:
    """Have all compressed files looked at in one go; what is wrong with one is said in its turn."""
    from mixwright.api.loading import SHEET_SUFFIXES
    from mixwright.rendering.probing import probed_all
    from mixwright.rendering.session import Session

    files = [
        Path(source) for source in sources if Path(source).suffix.lower() not in SHEET_SUFFIXES
    ]
    if len(files) > 1:
        probed_all(files, Session(threads, keep_cache))


def _show(found: list[Measured], plot: Path | None, as_csv: bool, as_json: bool) -> None:
    from mixwright.report import figures

    if plot is not None:
        from mixwright.report.pictures import plot_figures

        plot_figures(found, plot)
    if as_json:
        print_json({"measured": [figures.measured_as_data(one) for one in found]})
    elif as_csv:
        click.echo(figures.figures_as_csv(found), nl=False)
    else:
        figures.print_measured(found)


def _show_comparisons(
    pairs: list[tuple[str, tuple[Comparison, ...]]], plot: Path | None, as_csv: bool, as_json: bool
) -> None:
    from mixwright.report import references

    if plot is not None:
        from mixwright.report.pictures import plot_comparisons

        plot_comparisons([one for _, found in pairs for one in found], plot)
    if as_json:
        print_json({"compared": [references.comparisons_as_data(*pair) for pair in pairs]})
    elif as_csv:
        click.echo(references.comparisons_as_csv(pairs), nl=False)
    else:
        references.print_comparisons(pairs)
