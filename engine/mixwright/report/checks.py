"""A check as a scoreboard and findings for people, and as data for machines."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mixwright.checks import Checked, RuleOutcome, Spoken, StageOutcome
from mixwright.escaping import one_line, plain_data
from mixwright.problem import NOWHERE
from mixwright.report.tables import print_plainly, say
from mixwright.words import bar_and_beat, clock, counted, unit_of, value_words

if TYPE_CHECKING:
    from rich.console import Console

STATES = {
    "holds": "holds",
    "accepted": "accepted",
    "look": "look",
    "fails": "fails",
    "idle": "nothing to judge",
}
# Colour only repeats what the word says.
STYLES = {
    "holds": "green",
    "accepted": "green",
    "look": "yellow",
    "fails": "bold red",
    "idle": "dim",
}
WORD_WIDTH = 8
MOST_OF_A_RULE = 20  # findings of one rule that are listed; the rest is counted
NO_WRAP_WIDTH = 10_000


def shown_file(file: str) -> str:
    """Return a file as seen from the working folder where it lies inside, else as it was given."""
    inside = within_working_folder(file)
    return file if inside is None else inside.as_posix()


def within_working_folder(file: str) -> Path | None:
    """Return a file's path from the working folder; None where it lies outside."""
    here = Path.cwd()
    # As it is named first: a link in the folder is of the folder, wherever it leads.
    named = (Path(os.path.normpath(here / file)), Path(file).resolve())
    return next((path.relative_to(here) for path in named if path.is_relative_to(here)), None)


def moment(spoken: Spoken) -> str:
    """Return section, bar with beat, and clock of a remark, as far as it has them.

    >>> from mixwright.checks import Remark
    >>> remark = Remark("look", "too loud", section="chorus 2", at_s=54.25)
    >>> moment(Spoken("balance/example", remark, None, bar=21, beat=3.58))
    'chorus 2, bar 21 beat 3.5, 0:54.2'
    """
    remark = spoken.remark
    parts = [] if remark.section is None else [one_line(remark.section)]
    if spoken.bar is not None and spoken.beat is not None:
        parts.append(bar_and_beat(spoken.bar, spoken.beat))
    if remark.at_s is not None:
        parts.append(clock(remark.at_s))
    return ", ".join(parts)


def standing(spoken: Spoken) -> str:
    """Return what a finding counts as: `accepted`, or its verdict."""
    return spoken.remark.verdict if spoken.accepted is None else "accepted"


def counts(checked: Checked) -> dict[str, int]:
    """Return how many findings fail, deserve a look, are accepted, are notes."""
    found = {"fails": 0, "look": 0, "accepted": 0, "note": 0}
    for spoken in checked.spoken():
        found[standing(spoken)] += 1
    return found


def summary(found: Mapping[str, int]) -> str:
    """Return counts as words; what is accepted or noted only where there is any.

    >>> summary({"fails": 3, "look": 5, "accepted": 2, "note": 1})
    '3 fail, 5 worth a look, 2 accepted, 1 note'
    """
    parts = [
        counted(found["fails"], "fails", "fail"),
        f"{found['look']} worth a look",
    ]
    if found["accepted"]:
        parts.append(f"{found['accepted']} accepted")
    if found["note"]:
        parts.append(counted(found["note"], "note"))
    return ", ".join(parts)


def headline_of(stage: StageOutcome) -> str:
    """Return the headline of a step; empty where it would only repeat the state."""
    headline = one_line(stage.headline)
    return "" if headline == STATES[stage.state] else headline


def limits_in_words(rule: RuleOutcome) -> str:
    """Return the limits that a rule held to, as ``key value unit``."""
    return ", ".join(f"{key} {value_words(key, value)}" for key, value in rule.limits)


def limits_as_data(rule: RuleOutcome) -> list[dict[str, Any]]:
    """Return the limits that a rule held to as plain data."""
    return [{"key": key, "value": value, "unit": unit_of(key)} for key, value in rule.limits]


def print_checked(
    checked: Checked, console: Console | None = None, everything: bool = False
) -> None:
    """Print the scoreboard, the findings in step order, and how many there are.

    Notes are one line for each rule, and no more than 20 findings of a rule are listed; with
    `everything` all are, below every rule with its figures and limits. On a terminal long lines
    wrap under their beginning; into a file or a pipe each stays one line.
    """
    from rich.console import Console

    console = console or Console()
    say(console, f"{one_line(checked.title)}  {one_line(str(checked.path))}")
    print_plainly(console, _scoreboard(checked), width=NO_WRAP_WIDTH)
    sheet = one_line(str(checked.path))
    for stage in checked.stages:
        entries = _every_rule(stage, sheet) if everything else _findings(stage, sheet)
        if not entries:
            continue
        say(console, stage.stage)
        print_plainly(console, *(entry.laid_out() for entry in entries), width=NO_WRAP_WIDTH)
        say(console, "")
    say(console, summary(counts(checked)))


def _scoreboard(checked: Checked) -> Any:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for column in ("step", "state", "headline"):
        table.add_column(Text(column), no_wrap=column != "headline", overflow="fold")
    for stage in checked.stages:
        state = Text(STATES[stage.state], STYLES[stage.state])
        table.add_row(Text(stage.stage), state, Text(headline_of(stage)))
    return table


@dataclass(frozen=True)
class _Entry:
    """Something under a step: a word in its style, and the lines beside it."""

    word: str
    style: str
    lines: tuple[str, ...]
    indent: int = 2

    def laid_out(self) -> Any:
        from rich.padding import Padding
        from rich.table import Table
        from rich.text import Text

        table = Table.grid(padding=(0, 2, 0, 0))
        table.add_column(width=WORD_WIDTH, no_wrap=True)
        table.add_column(overflow="fold")
        table.add_row(Text(self.word, self.style), Text("\n".join(self.lines)))
        return Padding(table, (0, 0, 0, self.indent), expand=False)


def _findings(stage: StageOutcome, sheet: str) -> list[_Entry]:
    """What the rules of a step found, each rule's notes after what weighs."""
    entries = []
    for rule in stage.rules:
        weighing = [one for one in rule.spoken if standing(one) != "note"]
        entries += [_finding(one, sheet, name_rule=True) for one in weighing[:MOST_OF_A_RULE]]
        if (left := len(weighing) - MOST_OF_A_RULE) > 0:
            entries.append(
                _Entry("", "", (f"and {left} more of {rule.rule.id} (--all shows them)",))
            )
        notes = [one for one in rule.spoken if standing(one) == "note"]
        if notes:
            more = f", and {len(notes) - 1} more" if len(notes) > 1 else ""
            line = f"{one_line(notes[0].remark.message)} ({rule.rule.id}{more})"
            entries.append(_Entry("note", "", (line,)))
    return entries


def _every_rule(stage: StageOutcome, sheet: str) -> list[_Entry]:
    """Every rule of a step with its figures and limits, and all it found under it."""
    entries = []
    for rule in stage.rules:
        lines = [f"{rule.rule.id}: {one_line(rule.measured)}"]
        if rule.limits:
            lines.append(f"limits: {limits_in_words(rule)}")
        word = "-" if rule.state == "idle" else STATES[rule.state]
        entries.append(_Entry(word, STYLES[rule.state], tuple(lines)))
        entries += [_finding(one, sheet, name_rule=False) for one in rule.spoken]
    return entries


def _finding(spoken: Spoken, sheet: str, name_rule: bool) -> _Entry:
    """A finding: its message, its place and moment, what may help or excuses it."""
    remark = spoken.remark
    where = one_line(str(spoken.span)) if spoken.span else sheet
    where = ", ".join(part for part in (where, moment(spoken)) if part)
    lines = [one_line(remark.message), f"{where} ({spoken.rule})" if name_rule else where]
    if remark.help:
        lines.append(f"help: {one_line(remark.help)}")
    if spoken.accepted is not None:
        lines.append(f"reason: {one_line(spoken.accepted)}")
    style = STYLES.get(remark.verdict, "") if spoken.accepted is None else "dim"
    return _Entry(standing(spoken), style, tuple(lines), indent=2 if name_rule else 6)


def checked_as_data(checked: Checked) -> dict[str, Any]:
    """Return a check as plain JSON data; silence is null.

    `passes` is whether no rule fails, `passes_strict` whether nothing deserves a look either.
    """
    data: dict[str, Any] = {
        "sheet": checked.path,
        "title": checked.title,
        "passes": checked.passes(),
        "passes_strict": checked.passes(strict=True),
        "counts": counts(checked),
        "stages": [_stage_as_data(stage) for stage in checked.stages],
    }
    return plain_data(data)  # type: ignore[no-any-return]


def _stage_as_data(stage: StageOutcome) -> dict[str, Any]:
    return {
        "stage": stage.stage,
        "state": stage.state,
        "headline": stage.headline,
        "rules": [
            {
                "id": rule.rule.id,
                "state": rule.state,
                "measured": rule.measured,
                "judged": rule.judged,
                "limits": limits_as_data(rule),
                "remarks": [_remark_as_data(spoken) for spoken in rule.spoken],
            }
            for rule in stage.rules
        ],
    }


def _remark_as_data(spoken: Spoken) -> dict[str, Any]:
    place = spoken.span.as_data() if spoken.span else NOWHERE
    return {**vars(spoken.remark), **place} | {
        "accepted": spoken.accepted,
        "bar": spoken.bar,
        "beat": spoken.beat,
    }
