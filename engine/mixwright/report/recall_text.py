"""The recall sheet as plain text, for a terminal or a file."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterator, Sequence

from mixwright.problem import one_line
from mixwright.report.readings import plain_table, print_plainly
from mixwright.report.recall_markdown import NOTHING, Column, Recall, Strip, Table

WIDTH = 100
WORDS_WIDTH = 44  # of a column of words, before it wraps


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
            lines += ["", *_table_lines(table, width)] if table.rows else []
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


def _table_lines(table: Table, width: int) -> Iterator[str]:
    """A table; columns that do not fit beside the first one follow in tables of their own."""
    columns, rows = table.shown
    widths = [_column_width(column, [row[i] for row in rows]) for i, column in enumerate(columns)]
    left = list(range(1, len(columns)))
    while True:
        here = [0]
        while left and (len(here) == 1 or sum(widths[i] for i in (*here, left[0])) <= width):
            here.append(left.pop(0))
        cells = [[row[i] for i in here] for row in rows]
        yield from _drawn([columns[i] for i in here], cells, width)
        if not left:
            return
        yield ""


def _column_width(column: Column, cells: Sequence[str]) -> int:
    from rich.cells import cell_len

    longest = max(cell_len(text) for text in (column.heading, *cells))
    return 2 + (min(longest, WORDS_WIDTH) if column.words else longest)


def _drawn(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> list[str]:
    from rich.console import Console

    table = plain_table(*(column.heading for column in columns))
    for column, drawn in zip(columns, table.columns, strict=True):
        drawn.overflow, drawn.no_wrap = "fold", column is columns[0]  # a name stays whole
        drawn.justify = "left" if column.words else "right"
    for row in rows:
        table.add_row(*row)
    out = io.StringIO()
    print_plainly(Console(file=out, width=width, force_terminal=False), table)
    return out.getvalue().strip("\n").split("\n")
