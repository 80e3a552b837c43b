"""``mixwright compare``: what changed between two versions of a mix."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from mixwright.cli.options import (
    json_problems,
    print_json,
    session_options,
)

if TYPE_CHECKING:
    from mixwright.comparing.compare import Compared

FORMS = ("text", "markdown", "json", "html")
EXIT_CHANGED = 1


@click.command(
    "compare",
    epilog="""\b
Examples:
  mixwright compare old.yaml mix.yaml
  mixwright compare HEAD~1:projects/song/mix.yaml projects/song/mix.yaml
  mixwright compare --rev v1..v2 mix.yaml --format markdown
  mixwright compare --rev HEAD mix.yaml --only-sheet""",
)
@click.argument("sheets", metavar="OLD NEW", nargs=-1, required=True)
@click.option(
    "--rev",
    metavar="A[..B]",
    help="Git revisions of the one SHEET given: A against B, or A against the file as it is.",
)
@click.option("--format", "form", type=click.Choice(FORMS), default="text", show_default=True)
@click.option("--only-sheet", is_flag=True, help="Render nothing; sound files need not be there.")
@click.option("--exit-code", is_flag=True, help="Exit with 1 if there is any change.")
@session_options
def command(
    sheets: tuple[str, ...], rev: str | None, form: str, exit_code: bool, **options: Any
) -> int:
    """Tell what changed from OLD to NEW: in the sheet by meaning, in the sound by measure.

    Each is a sheet, or REVISION:PATH in the git repository here; sound files are read from the
    working tree. Only what differs is rendered twice.
    """
    if len(sheets) != (2 if rev is None else 1):
        expected = "two sheets, or one with --rev" if rev is None else "one sheet with --rev"
        raise click.UsageError(f"{len(sheets)} given, expected {expected}")
    with json_problems(form == "json") as outcome:
        import mixwright
        from mixwright.cli.progress import shown_progress
        from mixwright.comparing.versions import revision_names

        old, new = sheets if rev is None else revision_names(rev, sheets[0])
        with shown_progress(quiet=form == "json" or options["only_sheet"]) as progress:
            compared = mixwright.compare(old, new, progress=progress, **options)
        _show(compared, form)
        if exit_code and compared.has_changes:
            outcome.status = EXIT_CHANGED
    return outcome.status


def _show(compared: Compared, form: str) -> None:
    from mixwright.report import compared as told

    if form == "json":
        print_json(told.compared_as_data(compared))
    elif form == "markdown":
        from mixwright.report.compared_markdown import compared_as_markdown

        click.echo(compared_as_markdown(compared), nl=False)
    elif form == "html":
        from mixwright.report.compared_html import compared_as_html

        click.echo(compared_as_html(compared), nl=False)
    else:
        click.echo(told.compared_as_text(compared), nl=False)
