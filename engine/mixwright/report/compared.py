"""Two versions of a mix compared: what there is to say, as plain text and as data.

What is said is put together once, as a page of sentences, lists and tables; text, Markdown and
HTML only write it out.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

from mixwright.comparing.change import ORDER, Change
from mixwright.comparing.compare import Compared
from mixwright.escaping import one_line, plain_data
from mixwright.report.compared_page import Item, Page, Part
from mixwright.report.tables import table_lines
from mixwright.words import counted

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
    title = f"The sheet: {counted(count, 'change') if count else 'no changes'}"
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
            lines += table_lines(part.table)
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


# ---- data ----


def compared_as_data(compared: Compared) -> dict[str, Any]:
    """Return a comparison as plain JSON data; silence is null."""
    data = vars(compared) | {
        "has_changes": compared.has_changes,
        "changes": [_change_as_data(change) for change in compared.changes],
    }
    if compared.sound is not None:
        from mixwright.report.compared_sound import sound_as_data

        data["sound"] = sound_as_data(compared.sound)
    return plain_data(data)  # type: ignore[no-any-return]


def _change_as_data(change: Change) -> dict[str, Any]:
    return {key.removesuffix("_span"): value for key, value in vars(change).items()}
