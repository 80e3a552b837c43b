"""Two versions of a mix compared: what there is to say, as plain text and as data.

What is said is put together once, as a page of sentences, lists and tables; text, Markdown and
HTML only write it out.
"""

from __future__ import annotations

import dataclasses
import io
import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

from mixwright.comparing.change import ORDER, Change
from mixwright.comparing.compare import Compared
from mixwright.problem import Span, one_line
from mixwright.report.compared_page import Item, Page, Part, Table
from mixwright.report.readings import finite

WIDTH = 100


def page_of(compared: Compared) -> Page:
    """Return a comparison as what a person is told."""
    parts = [_sheet_part(compared.changes)]
    if compared.sound is not None:
        from mixwright.report.compared_sound import sound_parts

        parts += sound_parts(compared.sound)
    return Page(compared.title, compared.old, compared.new, tuple(parts))


def _sheet_part(changes: Sequence[Change]) -> Part:
    count = len(changes)
    title = f"The sheet: {count or 'no'} change{'' if count == 1 else 's'}"
    steps = [(step, tuple(_item(c) for c in changes if c.step == step)) for step in ORDER]
    lines = () if changes else ("both say the same, whatever differs in layout and comments",)
    return Part(title, lines, tuple(step for step in steps if step[1]))


def _item(change: Change) -> Item:
    span = change.new_span or change.old_span
    place = f"{span.file}:{span.line}" if span else ""
    reason = ""
    if change.why is not None and change.reason != "alone":
        reason = f"{'reason' if change.reason == 'new' else 'reason as before'}: {change.why}"
    return Item(change.name, change.text, place, reason)


# ---- text ----


def compared_as_text(compared: Compared, width: int = WIDTH) -> str:
    """Return a comparison as plain text; sentences are at most `width` columns wide."""
    page = page_of(compared)
    lines = [f"{one_line(page.title)}: {one_line(page.old)} -> {one_line(page.new)}"]
    for part in page.parts:
        lines += ["", part.title, "-" * len(part.title)]
        for line in part.lines:
            lines += _wrapped(line, "  ", width)
        for heading, items in part.items:
            lines.append(f"  {heading}")
            for item in items:
                lines += _item_lines(item, width)
        if part.table is not None:
            lines += _table_lines(part.table)
    return "\n".join(lines) + "\n"


def _item_lines(item: Item, width: int) -> Iterator[str]:
    place = f"  [{item.place}]" if item.place else ""
    yield from _wrapped(f"{item.name}: {item.text}{place}", "    ", width)
    if item.reason:
        yield from _wrapped(item.reason, "        ", width)


def _wrapped(text: str, indent: str, width: int) -> list[str]:
    return textwrap.wrap(
        one_line(text),
        width,
        initial_indent=indent,
        subsequent_indent=f"{indent}    ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _table_lines(table: Table) -> list[str]:
    from rich.console import Console

    from mixwright.report.readings import PIPE_WIDTH, plain_table, print_plainly

    drawn = plain_table(*(one_line(column) for column in table.columns))
    for row in table.rows:
        drawn.add_row(*(one_line(cell) for cell in row))
    out = io.StringIO()
    print_plainly(Console(file=out, width=PIPE_WIDTH, force_terminal=False), drawn)
    return out.getvalue().strip("\n").split("\n")


# ---- data ----


def compared_as_data(compared: Compared) -> dict[str, Any]:
    """Return a comparison as plain JSON data; silence (-inf) becomes null."""
    sound = compared.sound
    data = {
        "title": compared.title,
        "old": compared.old,
        "new": compared.new,
        "has_changes": compared.has_changes,
        "changes": [_change_as_data(change) for change in compared.changes],
        "sound": None,
    }
    if sound is not None:
        from mixwright.report.compared_sound import sound_as_data

        data["sound"] = sound_as_data(sound)
    return finite(data)  # type: ignore[no-any-return]


def _change_as_data(change: Change) -> dict[str, Any]:
    spans = {"old": _place(change.old_span), "new": _place(change.new_span)}
    said = dataclasses.asdict(dataclasses.replace(change, old_span=None, new_span=None))
    return {key: said[key] for key in said if not key.endswith("_span")} | spans


def _place(span: Span | None) -> dict[str, Any] | None:
    if span is None:
        return None
    return {"file": span.file, "line": span.line, "column": span.column}
