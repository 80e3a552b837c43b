"""``mixwright review``: a page to listen and read by."""

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
from mixwright.escaping import visible


@click.command(
    "review",
    epilog="""\b
Examples:
  mixwright review mix.yaml
  mixwright review mix.yaml --against HEAD~1
  mixwright review mix.yaml --against before.yaml --out for-the-band""",
)
@sheet_argument
@click.option(
    "--against", metavar="REV|SHEET", help="The version to compare with: a sheet, or as git has it."
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder for the page [review beside SHEET]."
)
@session_options
@as_json_option
def command(
    sheet: str,
    against: str | None,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> int:
    """Write a page to listen to SHEET's mix by, and read all that was measured of it.

    Open its index.html from disk; it needs no network. Start low: loud playback harms hearing.
    """
    with json_problems(as_json) as outcome:
        import mixwright
        from mixwright.cli.progress import shown_progress

        with shown_progress(quiet=as_json) as progress:
            done = mixwright.review(sheet, out, against=against, progress=progress, **options)
        sources = [source.id for source in done.data.sources]
        if as_json:
            print_json({"page": str(done.page), "sources": sources})
        else:
            click.echo(f"{visible(str(done.page))}  {len(sources)} sources to listen to; start low")
    return outcome.status
