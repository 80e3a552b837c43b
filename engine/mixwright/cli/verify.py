"""``mixwright verify``: a delivery held to its manifest."""

from __future__ import annotations

from typing import Any

import click

from mixwright.cli.options import (
    as_json_option,
    json_problems,
    print_json,
    session_options,
)

EXIT_DIFFERS = 1


@click.command(
    "verify",
    epilog="""\b
Examples:
  mixwright verify out
  mixwright verify out/manifest.json --json
  mixwright verify out --rerender""",
)
@click.argument("manifest", type=click.Path())
@click.option("--rerender", is_flag=True, help="Make everything again and compare.")
@click.option("--all", "show_all", is_flag=True, help="List what is as it was as well.")
@session_options
@as_json_option
def command(manifest: str, rerender: bool, show_all: bool, as_json: bool, **options: Any) -> int:
    """Hold the sheet, its inputs and every file of a delivery to their hashes in MANIFEST.

    MANIFEST is a delivery's manifest.json, or the folder it lies in. Exits with 1 where a file was
    changed or is missing, or didn't come out the same again.
    """
    with json_problems(as_json) as outcome:
        import mixwright
        from mixwright.cli.progress import shown_progress
        from mixwright.report.verified import print_verified, verified_as_data

        with shown_progress(quiet=as_json) as progress:
            verified = mixwright.verify(manifest, rerender=rerender, progress=progress, **options)
        if as_json:
            print_json(verified_as_data(verified))
        else:
            print_verified(verified, show_all)
        if not verified.holds:
            outcome.status = EXIT_DIFFERS
    return outcome.status
