"""A check as a comment on a pull request: a scoreboard, the findings, the rest folded away."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from mixwright.checks import Checked, Spoken
from mixwright.escaping import markdown_code, markdown_text
from mixwright.report.checks import (
    STATES,
    counts,
    headline_of,
    moment,
    shown_file,
    standing,
    summary,
)
from mixwright.report.tables import Table, table_as_markdown

# A longer comment than 65,536 characters is refused by GitHub ("Body is too long (maximum is 65536
# characters)"); some room for what is around it.
MOST_CHARACTERS = 60_000
MOST_OF_A_TEXT = 400
# How many findings of one rule are listed: as many of these as fit.
MOST_OF_A_RULE = (20, 8, 3, 1)


def in_comment(text: str) -> str:
    """Return text for a comment, at most 400 characters of it."""
    return markdown_text(text, MOST_OF_A_TEXT)


def checked_as_markdown(checked: Checked) -> str:
    """Return a check as Markdown, at most 60,000 characters long.

    What weighs is listed with its file and line, what is accepted and what is noted is folded up.
    As many findings of a rule are listed as fit, 20 at most; the rest is counted.
    """
    head = _head(checked)
    for most in MOST_OF_A_RULE:
        page = "\n\n".join([head, *_parts(checked, most)]) + "\n"
        if len(page) <= MOST_CHARACTERS:
            return page
    return f"{head}\n\nToo many findings to list them here.\n"


def _head(checked: Checked) -> str:
    rows = tuple((one.stage, STATES[one.state], headline_of(one)) for one in checked.stages)
    board = Table(("step", "state", "headline"), rows, words=(0, 1, 2))
    table = table_as_markdown(board, MOST_OF_A_TEXT)
    return (
        f"## Check of the mix: {in_comment(checked.title)}\n\n{summary(counts(checked))}\n\n{table}"
    )


def _parts(checked: Checked, most: int) -> list[str]:
    by_standing: dict[str, list[Spoken]] = {"fails": [], "look": [], "accepted": [], "note": []}
    for spoken in checked.spoken():
        by_standing[standing(spoken)].append(spoken)
    parts = []
    for word, heading in (("fails", "Fails"), ("look", "Worth a look")):
        if by_standing[word]:
            parts += [f"### {heading}", _list(by_standing[word], checked.path, most)]
    for word, heading in (("accepted", "Accepted"), ("note", "Notes")):
        if found := by_standing[word]:
            parts.append(f"<details>\n<summary>{heading}: {len(found)}</summary>")
            parts += [_list(found, checked.path, most), "</details>"]
    return parts


def _list(found: Sequence[Spoken], sheet: Path, most: int) -> str:
    lines: list[str] = []
    for rule in dict.fromkeys(spoken.rule for spoken in found):
        of_rule = [spoken for spoken in found if spoken.rule == rule]
        lines += (_item(spoken, sheet) for spoken in of_rule[:most])
        if len(of_rule) > most:
            lines.append(f"- and {len(of_rule) - most} more of {markdown_code(rule)}")
    return "\n".join(lines)


def _item(spoken: Spoken, sheet: Path) -> str:
    span, remark = spoken.span, spoken.remark
    where = f"{shown_file(span.file)}:{span.line}" if span else shown_file(str(sheet))
    about = _joined([markdown_code(spoken.rule), markdown_code(where), in_comment(moment(spoken))])
    lines = [f"- {_begun(in_comment(remark.message))}  ", f"  {about}"]
    if remark.help:
        lines[-1] += "  "
        lines.append(f"  help: {in_comment(remark.help)}")
    if spoken.accepted is not None:
        lines[-1] += "  "
        lines.append(f"  reason: {in_comment(spoken.accepted)}")
    return "\n".join(lines)


def _begun(text: str) -> str:
    """Text that begins an item: no list, heading or quote may begin with it."""
    return re.sub(r"^(\d*)([-+.)=])", r"\1\\\2", text)


def _joined(parts: Iterable[str]) -> str:
    return ", ".join(part for part in parts if part)
