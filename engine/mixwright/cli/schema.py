"""``mixwright schema``: the contract of the sheet, for editors."""

from __future__ import annotations

import click


@click.command("schema", epilog="Example: mixwright schema --path")
@click.option("--path", "as_path", is_flag=True, help="Print where the schema lies instead.")
def command(as_path: bool) -> None:
    """Print the JSON Schema of the mix sheet (draft 2020-12)."""
    from mixwright.sheet import schema_path

    click.echo(str(schema_path()) if as_path else schema_path().read_text("utf-8"), nl=as_path)
