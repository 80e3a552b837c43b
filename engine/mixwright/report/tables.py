"""A table of words and figures, and the three ways it is written: text, Markdown, HTML.

On a console, text is shown as it is: what names in it hold is no markup, and all of it can be seen.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from mixwright.escaping import html_text, markdown_text, one_line, visible

if TYPE_CHECKING:
    from rich.console import Console

PIPE_WIDTH = 120
WORDS_WIDTH = 44  # of a column of words, before it wraps


@dataclass(frozen=True)
class Table:
    """Rows of cells as text, the first column naming what a row is about.

    `words` are the columns of words, by their places: they begin at the left and wrap.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: tuple[int, ...] = (0,)


# ---- Markdown and HTML ----


def table_as_markdown(table: Table, most: int | None = None) -> str:
    """Return a table as Markdown; `most` is how many characters of a cell are shown."""
    marks = ["---" if i in table.words else "--:" for i in range(len(table.columns))]
    head, *rows = ([markdown_text(cell, most) for cell in r] for r in (table.columns, *table.rows))
    return "\n".join(f"| {' | '.join(line)} |" for line in (head, marks, *rows))


def table_as_html(table: Table, title: str) -> str:
    """Return a table as HTML; it can be reached and scrolled by keyboard where it is too wide."""
    head = "".join(f'<th scope="col">{html_text(column)}</th>' for column in table.columns)
    rows = "\n".join(
        f'<tr><th scope="row">{html_text(row[0])}</th>'
        + "".join(f"<td>{html_text(cell)}</td>" for cell in row[1:])
        + "</tr>"
        for row in table.rows
    )
    opening = f'<div class="wide" role="region" tabindex="0" aria-label="{html_text(title)}">'
    body = f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>"
    return f"{opening}\n<table>\n{body}\n</table>\n</div>"


# ---- text ----


def table_lines(table: Table, width: int = PIPE_WIDTH) -> Iterator[str]:
    """Yield the lines of a table, at most `width` columns wide.

    Columns that do not fit beside the first one follow in tables of their own.
    """
    columns = [one_line(column) for column in table.columns]
    rows = [[one_line(cell) for cell in row] for row in table.rows]
    widths = [
        _width([column, *(row[i] for row in rows)], i in table.words)
        for i, column in enumerate(columns)
    ]
    left = list(range(1, len(columns)))
    while True:
        here = [0]
        while left and (len(here) == 1 or sum(widths[i] for i in (*here, left[0])) <= width):
            here.append(left.pop(0))
        drawn = plain_table(*(columns[i] for i in here), words=[i in table.words for i in here])
        for row in rows:
            drawn.add_row(*(row[i] for i in here))
        yield from filter(None, lines_of(drawn, width=width))
        if not left:
            return
        yield ""


def _width(cells: Sequence[str], is_words: bool) -> int:
    from rich.cells import cell_len

    longest = max(map(cell_len, cells))
    return 2 + (min(longest, WORDS_WIDTH) if is_words else longest)


def plain_table(*columns: str, words: Sequence[bool] = (True,)) -> Any:
    """Return an empty table; `words` says which columns begin at the left: the first one.

    A name in the first column stays whole.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    class PlainTable(Table):
        """Takes words as they are, all to be seen: a section's name may hold brackets."""

        def add_row(self, *cells: Any, **options: Any) -> None:
            super().add_row(*(Text(visible(str(cell))) for cell in cells), **options)

    table = PlainTable(box=box.SIMPLE_HEAD, pad_edge=False)
    for index, column in enumerate(columns):
        is_words = index < len(words) and words[index]
        table.add_column(
            Text(visible(column)),
            justify="left" if is_words else "right",
            no_wrap=index == 0,
            overflow="fold",
        )
    return table


def lines_of(*drawn: Any, width: int = PIPE_WIDTH) -> list[str]:
    """Return the lines that a console of that width shows, without the blanks that fill them."""
    from rich.console import Console

    # A console of its own: none prints anything wider than itself.
    page = Console(file=io.StringIO(), width=width, color_system=None)
    with page.capture() as caught:
        page.print(*drawn)
    return [line.rstrip() for line in caught.get().splitlines()]


def print_plainly(console: Console, *drawn: Any, width: int = PIPE_WIDTH) -> None:
    """Print tables: as they fit a terminal, at that width into a file or a pipe."""
    if console.is_terminal:
        console.print(*drawn)
        return
    for line in lines_of(*drawn, width=width):
        console.out(line, highlight=False)


def say(console: Console, line: str, wraps: bool = False) -> None:
    """Print a line as it is: what names in it hold is no markup, and all of it can be seen."""
    console.print(visible(line), highlight=False, soft_wrap=not wraps, markup=False, emoji=False)
