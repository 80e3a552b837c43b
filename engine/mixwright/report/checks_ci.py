"""A check for machines that build: workflow commands of GitHub Actions, and a SARIF log."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from mixwright.checks import Checked, RuleOutcome, Spoken
from mixwright.checks.page import page_of
from mixwright.escaping import one_line, plain_data, visible, workflow_data, workflow_property
from mixwright.problem import Span
from mixwright.report.checks import (
    limits_as_data,
    moment,
    shown_file,
    standing,
    within_working_folder,
)
from mixwright.version import __version__

COMMANDS = {"fails": "error", "look": "warning", "note": "notice", "accepted": "notice"}
LEVELS = {"fails": "error", "look": "warning", "note": "note"}
SARIF_VERSION = "2.1.0"
# The address of the standard's own schema: OASIS publishes it there (SARIF 2.1.0, 3.13.3).
SARIF_SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/os/schemas/sarif-schema-2.1.0.json"


def checked_as_github(checked: Checked) -> list[str]:
    """Return a check as workflow commands of GitHub Actions, one line for each finding.

    What fails is an error, what deserves a look a warning, what is noted or accepted a notice.
    Source: GitHub Docs, "Workflow commands for GitHub Actions". A step shows ten warnings and ten
    errors there (GitHub Docs, "REST API endpoints for check runs"), so the order is that of the
    steps of the mix.
    """
    return [_command(spoken, str(checked.path)) for spoken in checked.spoken()]


def _command(spoken: Spoken, sheet: str) -> str:
    remark, span = spoken.remark, spoken.span
    properties = {"file": visible(shown_file(span.file if span else sheet), kept="\r\n")}
    if span is not None:
        properties |= {"line": str(span.line), "col": str(span.column)}
    properties["title"] = spoken.rule
    lines = [one_line(remark.message)]
    if when := moment(spoken):
        lines[0] += f" ({when})"
    if remark.help:
        lines.append(f"help: {one_line(remark.help)}")
    if spoken.accepted is not None:
        lines.append(f"accepted: {one_line(spoken.accepted)}")
    named = ",".join(f"{key}={workflow_property(value)}" for key, value in properties.items())
    return f"::{COMMANDS[standing(spoken)]} {named}::{workflow_data(chr(10).join(lines))}"


def checked_as_sarif(checked: Checked) -> dict[str, Any]:
    """Return a check as a log in SARIF, plain JSON data.

    Source: OASIS, Static Analysis Results Interchange Format (SARIF) Version 2.1.0, 2020. Files are
    named from the working folder where they lie in it, else by a whole address. What the sheet
    accepts is suppressed in source, the reason as justification. Raises ValueError for a rule
    whose docstring is no page.
    """
    rules = [rule for stage in checked.stages for rule in stage.rules]
    driver = {
        "name": "mixwright",
        "version": __version__,
        "rules": [_rule(rule) for rule in rules],
    }
    run = {
        "tool": {"driver": driver},
        # Columns count characters, not halves of UTF-16 pairs.
        "columnKind": "unicodeCodePoints",
        "results": list(_results(rules, str(checked.path))),
    }
    log = {"$schema": SARIF_SCHEMA, "version": SARIF_VERSION, "runs": [run]}
    return plain_data(log)  # type: ignore[no-any-return]


def _rule(rule: RuleOutcome) -> dict[str, Any]:
    page = page_of(rule.rule)
    return {
        "id": rule.rule.id,
        "shortDescription": {"text": _unlinked(page.title)},
        "fullDescription": {"text": _unlinked(f"{page.body}\n\nSource: {page.source}")},
        # A rule may find faults and lesser things: each result says its own level.
        "defaultConfiguration": {"level": "warning"},
        "properties": {
            "stage": rule.rule.stage,
            "state": rule.state,
            "measured": rule.measured,
            "limits": limits_as_data(rule),
        },
    }


def _results(rules: list[RuleOutcome], sheet: str) -> Iterator[dict[str, Any]]:
    for index, rule in enumerate(rules):
        for spoken in rule.spoken:
            yield _result(spoken, index, sheet)


def _result(spoken: Spoken, rule_index: int, sheet: str) -> dict[str, Any]:
    remark = spoken.remark
    text = one_line(remark.message)
    if remark.help:
        text += f"\nhelp: {one_line(remark.help)}"
    known = {
        "name": remark.name,
        "section": remark.section,
        "at_s": remark.at_s,
        "bar": spoken.bar,
        "beat": spoken.beat,
        "measured": remark.measured,
        "limit": remark.limit,
        "unit": remark.unit or None,
    }
    reasons = [] if spoken.accepted is None else [one_line(spoken.accepted)]
    return {
        "ruleId": spoken.rule,
        "ruleIndex": rule_index,
        "level": LEVELS[remark.verdict],
        "message": {"text": _unlinked(text)},
        "locations": [{"physicalLocation": _location(spoken.span, sheet)}],
        # All results of a run have them, or none: an empty list says "not suppressed".
        "suppressions": [{"kind": "inSource", "justification": reason} for reason in reasons],
        "properties": {key: value for key, value in known.items() if value is not None},
    }


def _location(span: Span | None, sheet: str) -> dict[str, Any]:
    file = span.file if span else sheet
    inside = within_working_folder(file)
    uri = (
        quote(os.fsencode(inside.as_posix()))
        if inside is not None
        else Path(file).resolve().as_uri()
    )
    location: dict[str, Any] = {"artifactLocation": {"uri": uri}}
    if span is not None:
        location["region"] = {
            "startLine": span.line,
            "startColumn": span.column,
            "endLine": span.line,
            "endColumn": span.column + span.length,
        }
    return location


def _unlinked(text: str) -> str:
    """Part what SARIF reads as a link, ``[text](where)``, or as a placeholder, ``{0}``."""
    return re.sub(r"\{(?=\d+\})|\](?=\()", r"\g<0> ", text)
