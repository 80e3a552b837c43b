"""What the verbs share that take a part of the song: places as a person writes them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import click

from mixwright.timeline import Position

if TYPE_CHECKING:
    from mixwright.sheet import Sheet


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


from_option = click.option(
    "--from", "start", type=PositionType(), help="Begin here: 'bar 13', '42.5 s', a section."
)
to_option = click.option(
    "--to", "stop", type=PositionType(), help="End here, in the same notation."
)


def exclude_one_another(section: str | None, start: Position | None, stop: Position | None) -> None:
    """Refuse a section together with a start or an end."""
    if section is not None and (start is not None or stop is not None):
        raise click.UsageError("--section and --from/--to exclude one another")


def known_span(
    sheet: Sheet, start: Position | None, stop: Position | None
) -> tuple[Position | None, Position | None]:
    """Return start and end; refuse a section that the sheet does not have."""
    from mixwright.api import section_span

    for position in (start, stop):
        if position is not None and position.section is not None:
            section_span(sheet, position.section)
    return start, stop
