"""A comparison as a comment on a pull request: what changed, with its tables folded away."""

from __future__ import annotations

from dataclasses import replace

from mixwright.comparing.compare import Compared
from mixwright.escaping import markdown_code
from mixwright.report.checks import shown_file
from mixwright.report.checks_markdown import MOST_CHARACTERS, MOST_OF_A_TEXT, in_comment
from mixwright.report.compared import parts_of
from mixwright.report.page import PagePart, part_as_markdown

# How many changes of a step are listed: as many of these as fit.
MOST_OF_A_STEP = (1000, 100, 20, 5, 0)


def compared_as_markdown(compared: Compared) -> str:
    """Return a comparison as Markdown, at most 60,000 characters long.

    Where it would be longer, fewer changes of a step are listed and the rest is counted; last
    tables are left out.
    """
    told = parts_of(compared)
    parts = [_folded(part) for part in told]
    bare = [_folded(replace(part, tables=())) for part in told if not part.folded]
    head = f"## The mix compared: {in_comment(compared.title)}\n\n"
    head += f"{markdown_code(compared.old)} to {markdown_code(compared.new)}"
    for some in (parts, bare):
        for most in MOST_OF_A_STEP:
            written = [part_as_markdown(part, 3, most, MOST_OF_A_TEXT) for part in some]
            text = "\n\n".join([head, *written]) + "\n"
            if len(text) <= MOST_CHARACTERS:
                return text
    return f"{head}\n\nToo many changes to list them here.\n"


def _folded(part: PagePart) -> PagePart:
    """A part for a comment: a long table is folded, files are named as seen from here."""
    is_folded = part.folded or any(len(table.rows) > 8 for table in part.tables)
    items = tuple(
        (heading, tuple(replace(i, place=i.place and shown_file(i.place)) for i in some))
        for heading, some in part.items
    )
    return replace(part, items=items, folded=is_folded)
