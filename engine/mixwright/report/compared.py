"""Two versions of a mix compared: what there is to say, as plain text and as data.

What is said is put together once, as a page of sentences, lists and tables; see
:mod:`mixwright.report.page` for how it is written.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from mixwright.comparing.change import ORDER, Change
from mixwright.comparing.compare import Compared
from mixwright.escaping import one_line, plain_data
from mixwright.report.page import WIDTH, Item, PagePart, parts_as_text
from mixwright.words import counted


def parts_of(compared: Compared) -> list[PagePart]:
    """Return the parts of what a person is told of a comparison."""
    parts = [_sheet_part(compared.changes)]
    if compared.sound is not None:
        from mixwright.report.compared_sound import sound_parts

        parts += sound_parts(compared.sound)
    return parts


def compared_as_text(compared: Compared, width: int = WIDTH) -> str:
    """Return a comparison as plain text; sentences are at most `width` columns wide."""
    head = f"{one_line(compared.title)}: {one_line(compared.old)} -> {one_line(compared.new)}"
    return f"{head}\n{parts_as_text(parts_of(compared), width)}"


def _sheet_part(changes: Sequence[Change]) -> PagePart:
    count = len(changes)
    title = f"The sheet: {counted(count, 'change') if count else 'no changes'}"
    steps = [(step, tuple(_item(c) for c in changes if c.step == step)) for step in ORDER]
    lines = () if changes else ("both say the same, whatever differs in layout and comments",)
    return PagePart(title, lines, tuple(step for step in steps if step[1]))


def _item(change: Change) -> Item:
    span = change.new_span or change.old_span
    place = f"{span.file}:{span.line}" if span else ""
    reason = ""
    if change.why is not None and change.reason != "alone":
        reason = f"{'reason' if change.reason == 'new' else 'reason as before'}: {change.why}"
    return Item(change.name, change.text, place, reason)


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
