"""``mixwright validate``: is the sheet sound, and are its files there and readable?"""

from __future__ import annotations

import click

from mixwright.cli.options import (
    allow_outside_option,
    as_json_option,
    json_problems,
    print_json,
    sheet_argument,
)
from mixwright.escaping import visible


@click.command("validate", epilog="Example: mixwright validate mix.yaml")
@sheet_argument
@allow_outside_option
@as_json_option
def command(sheet: str, allow_outside: bool, as_json: bool) -> int:
    """Check SHEET: its shape, its names and times, and the headers of its files.

    Nothing is decoded; what compressed files say of themselves is believed. All problems are
    reported at once.
    """
    with json_problems(as_json) as outcome:
        from mixwright.rendering.plan import make_plan, unchecked_plugins
        from mixwright.rendering.session import Session
        from mixwright.sheet import load_sheet
        from mixwright.words import clock

        loaded = load_sheet(sheet, allow_outside=allow_outside)
        session, plugins = Session(allow_outside=allow_outside), unchecked_plugins(loaded)
        plan = make_plan(loaded, plugins=plugins, session=session, decode=False)
        counts = {
            "tracks": len(loaded.tracks),
            "groups": len(loaded.groups),
            "returns": len(loaded.returns),
            "variants": len(loaded.variants),
        }
        seconds = plan.end / plan.rate_hz
        if as_json:
            print_json({"problems": plan.warnings, "seconds": round(seconds, 3), **counts})
        else:
            listed = ", ".join(f"{count} {name}" for name, count in counts.items())
            click.echo(f"{visible(sheet)}: ok ({listed}, {clock(seconds)})")
            for note in plan.notes:
                click.echo(visible(f"note: {note}"))
            for warning in plan.warnings:
                click.echo(str(warning), err=True)
    return outcome.status
