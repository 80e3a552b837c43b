"""A page of sentences, lists and tables, and the three ways it is written: text, Markdown, HTML."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from mixwright.escaping import html_text, markdown_code, markdown_text, one_line
from mixwright.report.tables import Table, table_as_html, table_as_markdown, table_lines

WIDTH = 100


@dataclass(frozen=True)
class Item:
    """One thing in a list: what it is about, what is said of it, where it stands and why."""

    name: str
    text: str
    place: str = ""
    reason: str = ""


@dataclass(frozen=True)
class PagePart:
    """A part of a page. What is `folded` is shown on demand where a format can do that.

    `items` are lists under headings of their own.
    """

    title: str
    lines: tuple[str, ...] = ()
    items: tuple[tuple[str, tuple[Item, ...]], ...] = ()
    tables: tuple[Table, ...] = ()
    folded: bool = False


# ---- text ----


def parts_as_text(parts: Iterable[PagePart], width: int = WIDTH, cut_words: bool = False) -> str:
    """Return parts as plain text; sentences are at most `width` columns wide, and so are tables.

    A word that is longer than that stays whole unless `cut_words` is set.
    """
    lines: list[str] = []
    for part in parts:
        lines += ["", part.title, "-" * len(part.title)]
        for line in part.lines:
            lines += wrapped(line, "  ", width, cut_words)
        for heading, items in part.items:
            lines += wrapped(heading, "  ", width, cut_words)
            for item in items:
                lines += _item_lines(item, width, cut_words)
        for table in part.tables:
            lines += ["", *table_lines(table, width)]
    return "\n".join(lines) + "\n"


def _item_lines(item: Item, width: int, cut_words: bool) -> Iterator[str]:
    place = f"  [{item.place}]" if item.place else ""
    about = f"{item.name}: " if item.name else ""
    yield from wrapped(f"{about}{item.text}{place}", "    ", width, cut_words)
    if item.reason:
        yield from wrapped(item.reason, "        ", width, cut_words)


def wrapped(text: str, indent: str, width: int, cut_words: bool = False) -> list[str]:
    """Return a sentence on lines of that width, the first after the indent, others further in."""
    return textwrap.wrap(
        one_line(text),
        width,
        initial_indent=indent,
        subsequent_indent=f"{indent}    ",
        break_long_words=cut_words,
        break_on_hyphens=False,
    )


# ---- Markdown ----


def part_as_markdown(
    part: PagePart, level: int, most_items: int | None = None, most: int | None = None
) -> str:
    """Return a part as Markdown under a heading of that level.

    So many items of a list are written (None: all), and so many characters of a text.
    """
    title = markdown_text(part.title, most)
    said = [_sentences(part.lines, most)] if part.lines else []
    for heading, items in part.items:
        said += [f"**{markdown_text(heading, most)}**", _list(items, most_items, most)]
    said += [table_as_markdown(table, most) for table in part.tables]
    if part.folded:
        return "\n\n".join([f"<details>\n<summary>{title}</summary>", *said, "</details>"])
    return "\n\n".join([f"{'#' * level} {title}", *said])


def _sentences(lines: Sequence[str], most: int | None) -> str:
    """A list; every sentence begins with a word of ours, so that none begins anything else."""
    return "\n".join(f"- {markdown_text(line, most)}" for line in lines)


def _list(items: Sequence[Item], most_items: int | None, most: int | None) -> str:
    lines = [_item_as_markdown(item, most) for item in items[:most_items]]
    if most_items is not None and len(items) > most_items:
        lines.append(f"- and {len(items) - most_items} more")
    return "\n".join(lines)


def _item_as_markdown(item: Item, most: int | None) -> str:
    about = f"{markdown_code(item.name)}: " if item.name else ""
    place = f" ({markdown_code(item.place)})" if item.place else ""
    line = f"- {about}{markdown_text(item.text, most)}{place}"
    return f"{line}  \n  {markdown_text(item.reason, most)}" if item.reason else line


# ---- HTML ----


def part_as_html(part: PagePart) -> str:
    """Return a part as HTML, in a section of its own or folded up."""
    said = [_html_list(map(html_text, part.lines))] if part.lines else []
    for heading, items in part.items:
        said += [f"<h3>{html_text(heading)}</h3>", _html_list(map(_item_as_html, items))]
    said += [table_as_html(table, part.title) for table in part.tables]
    if part.folded:
        body = "\n".join(said)
        return f"<details>\n<summary>{html_text(part.title)}</summary>\n{body}\n</details>"
    return "\n".join(["<section>", f"<h2>{html_text(part.title)}</h2>", *said, "</section>"])


def _html_list(items: Iterable[str]) -> str:
    return "\n".join(["<ul>", *(f"<li>{item}</li>" for item in items), "</ul>"])


def _item_as_html(item: Item) -> str:
    about = f"<strong>{html_text(item.name)}</strong>: " if item.name else ""
    more = "".join(f"<small>{html_text(one)}</small>" for one in (item.reason, item.place) if one)
    return f"{about}{html_text(item.text)}{more}"
