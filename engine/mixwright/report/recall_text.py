"""The recall sheet as plain text, for a terminal or a file."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from mixwright.escaping import one_line
from mixwright.report.recall_markdown import NOTHING, Recall, Strip
from mixwright.report.tables import table_lines

WIDTH = 100


def recall_as_text(recall: Recall, width: int = WIDTH) -> str:
    """Return a recall sheet as plain text, at most `width` columns wide."""
    lines = _wrapped(f"Recall sheet: {one_line(recall.title)}", "", width)
    for chapter in recall.chapters:
        lines += ["", chapter.title, "-" * len(chapter.title)]
        for name, text in chapter.facts_in_words:
            lines += _wrapped(one_line(f"{name}: {text}"), "  ", width)
        for strip in chapter.strips:
            lines += ["", *_strip_lines(strip, width)]
        for table in chapter.tables:
            lines += ["", *table_lines(table.shown, width)] if table.rows else []
        lines += [f"  {NOTHING}"] if chapter.is_empty else []
    return "\n".join(lines) + "\n"


def _wrapped(text: str, indent: str, width: int) -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=indent,
        subsequent_indent=f"{indent}    ",
        break_on_hyphens=False,
    )


def _strip_lines(strip: Strip, width: int) -> Iterator[str]:
    yield from _wrapped(one_line(strip.name), "", width)
    for what, said in strip.lines:
        yield from _wrapped(one_line(f"{what} - {said}"), "  ", width)
