"""A check as a comment on a pull request: a scoreboard, the findings, the rest folded away."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from mixwright.checks import Checked, Spoken
from mixwright.problem import one_line
from mixwright.report.checks import (
    STATES,
    counts,
    headline_of,
    moment,
    shown_file,
    standing,
    summary,
)

# A longer comment than 65,536 characters is refused by GitHub ("Body is too long (maximum is 65536
# characters)"); some room for what is around it.
MOST_CHARACTERS = 60_000
MOST_OF_A_TEXT = 400
# How many findings of one rule are listed: as many of these as fit.
MOST_OF_A_RULE = (20, 8, 3, 1)
# A mark of Markdown is escaped by a backslash (CommonMark 0.31.2, 2.4), `&` as what it stands for.
_MARKS = re.compile(r"[\\`*_{}\[\]|~$]")
_ENTITIES = {"&": "&amp;", "<": "&lt;", ">": "&gt;"}
# What hosts link by themselves even where it is escaped: names, numbers of issues, addresses. A
# comment that shows nothing stands between what would have to stand together.
_LINKED = re.compile(r"[@#]|://|www\.", re.I)


def escaped(text: str) -> str:
    r"""Return text as Markdown that shows it as it is, on one line and without links.

    Fit for the inside of a line or of a table's cell: at the beginning of a line it could still
    begin a list. Shortened to 400 characters.

    >>> escaped("<b> | `guitar_left`")
    '&lt;b&gt; \\| \\`guitar\\_left\\`'
    """
    text = one_line(text)
    if len(text) > MOST_OF_A_TEXT:
        text = text[: MOST_OF_A_TEXT - 1] + "…"
    text = "".join(_ENTITIES.get(character, character) for character in text)
    text = _MARKS.sub(r"\\\g<0>", text)
    return _LINKED.sub(lambda found: f"{found[0][0]}<!-- -->{found[0][1:]}", text)


def as_code(text: str) -> str:
    """Return text as a span of code, whatever backticks are in it.

    >>> as_code("mix.yaml:12")
    '`mix.yaml:12`'
    """
    text = one_line(text)
    longest = max((len(run) for run in re.findall(r"`+", text)), default=0)
    fence = "`" * (longest + 1)
    # A blank is taken off either end of code that has one at both (CommonMark 0.31.2, 6.1).
    pad = " " if longest else ""
    return f"{fence}{pad}{text}{pad}{fence}"


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
    rows = [
        f"| {stage.stage} | {STATES[stage.state]} | {escaped(headline_of(stage))} |"
        for stage in checked.stages
    ]
    table = "\n".join(["| step | state | headline |", "| --- | --- | --- |", *rows])
    return f"## Check of the mix: {escaped(checked.title)}\n\n{summary(counts(checked))}\n\n{table}"


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
            lines.append(f"- and {len(of_rule) - most} more of {as_code(rule)}")
    return "\n".join(lines)


def _item(spoken: Spoken, sheet: Path) -> str:
    span, remark = spoken.span, spoken.remark
    where = f"{shown_file(span.file)}:{span.line}" if span else shown_file(str(sheet))
    about = _joined([as_code(spoken.rule), as_code(where), escaped(moment(spoken))])
    lines = [f"- {_begun(escaped(remark.message))}  ", f"  {about}"]
    if remark.help:
        lines[-1] += "  "
        lines.append(f"  help: {escaped(remark.help)}")
    if spoken.accepted is not None:
        lines[-1] += "  "
        lines.append(f"  reason: {escaped(spoken.accepted)}")
    return "\n".join(lines)


def _begun(text: str) -> str:
    """Text that begins an item: no list, heading or quote may begin with it."""
    return re.sub(r"^(\d*)([-+.)=])", r"\1\\\2", text)


def _joined(parts: Iterable[str]) -> str:
    return ", ".join(part for part in parts if part)
