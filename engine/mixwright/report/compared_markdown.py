"""A comparison as a comment on a pull request: what changed, with its tables folded away."""

from __future__ import annotations

from dataclasses import replace

from mixwright.comparing.compare import Compared
from mixwright.escaping import markdown_code
from mixwright.report.checks import shown_file
from mixwright.report.checks_markdown import MOST_CHARACTERS, MOST_OF_A_TEXT, in_comment
from mixwright.report.compared import page_of
from mixwright.report.compared_page import Item, Page, Part
from mixwright.report.tables import table_as_markdown

# How many changes of a step are listed: as many of these as fit.
MOST_OF_A_STEP = (1000, 100, 20, 5, 0)


def compared_as_markdown(compared: Compared) -> str:
    """Return a comparison as Markdown, at most 60,000 characters long.

    Where it would be longer, fewer changes of a step are listed and the rest is counted; last
    tables are left out.
    """
    page = page_of(compared)
    bare = replace(page, parts=tuple(replace(p, table=None) for p in page.parts if not p.folded))
    for one in (page, bare):
        for most in MOST_OF_A_STEP:
            text = _written(one, most)
            if len(text) <= MOST_CHARACTERS:
                return text
    return f"{_head(page)}\n\nToo many changes to list them here.\n"


def _head(page: Page) -> str:
    versions = f"{markdown_code(page.old)} to {markdown_code(page.new)}"
    return f"## The mix compared: {in_comment(page.title)}\n\n{versions}"


def _written(page: Page, most: int) -> str:
    return "\n\n".join([_head(page), *(_part(part, most) for part in page.parts)]) + "\n"


def _part(part: Part, most: int) -> str:
    title = in_comment(part.title)
    is_folded = part.folded or (part.table is not None and len(part.table.rows) > 8)
    said = [_sentences(part.lines)] if part.lines else []
    for heading, items in part.items:
        said += [f"**{in_comment(heading)}**", _list(items, most)]
    if part.table is not None:
        said.append(table_as_markdown(part.table, MOST_OF_A_TEXT))
    if is_folded:
        return "\n\n".join([f"<details>\n<summary>{title}</summary>", *said, "</details>"])
    return "\n\n".join([f"### {title}", *said])


def _sentences(lines: tuple[str, ...]) -> str:
    """A list; every sentence begins with a word of ours, so that none begins anything else."""
    return "\n".join(f"- {in_comment(line)}" for line in lines)


def _list(items: tuple[Item, ...], most: int) -> str:
    lines = [_item(item) for item in items[:most]]
    if len(items) > most:
        lines.append(f"- and {len(items) - most} more")
    return "\n".join(lines)


def _item(item: Item) -> str:
    place = f" ({markdown_code(shown_file(item.place))})" if item.place else ""
    line = f"- {markdown_code(item.name)}: {in_comment(item.text)}{place}"
    return f"{line}  \n  {in_comment(item.reason)}" if item.reason else line
