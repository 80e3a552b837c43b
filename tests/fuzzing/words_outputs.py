"""What must hold of everything that is written, whatever the words in it: told by other parsers."""

from __future__ import annotations

import csv
import io
import json
import re
import unicodedata
from collections import Counter
from collections.abc import Iterator, Mapping
from html.parser import HTMLParser
from typing import Any

from jsonschema import Draft202012Validator
from markdown_it import MarkdownIt

# Controls, format characters (which turn writing round, or have no width), halves, line separators.
STEERING = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
JOINERS = "\u200c\u200d"
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
OWN_HTML = r"<details>\s*<summary>[^<>]*</summary>|<!-- -->|</?details>"
# What OASIS SARIF 2.1.0 requires of the parts that are used here (sections 3.13 to 3.30).
SARIF: dict[str, Any] = {
    "type": "object",
    "required": ["version", "runs"],
    "properties": {
        "version": {"const": "2.1.0"},
        "runs": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["tool", "results"],
                "properties": {"results": {"type": "array", "items": {"$ref": "#/$defs/result"}}},
            },
        },
    },
    "$defs": {
        "result": {
            "type": "object",
            "required": ["message", "ruleId", "level", "locations"],
            "properties": {
                "level": {"enum": ["none", "note", "warning", "error"]},
                "message": {
                    "required": ["text"],
                    "properties": {"text": {"type": "string", "not": {"pattern": r"\]\(|\{\d+\}"}}},
                },
                "locations": {"items": {"$ref": "#/$defs/location"}},
            },
        },
        "location": {
            "properties": {
                "physicalLocation": {
                    "required": ["artifactLocation"],
                    "properties": {
                        "artifactLocation": {
                            "properties": {
                                "uri": {
                                    "type": "string",
                                    "pattern": r"^[A-Za-z0-9:/._~%!$&'()*+,;=@-]+$",
                                }
                            }
                        }
                    },
                }
            }
        },
    },
}


def unseen(text: str, kept: str = "\n") -> list[str]:
    """The characters of a text that steer a terminal or that nobody sees."""
    odd = (c for c in text if c not in kept + JOINERS and unicodedata.category(c) in STEERING)
    return sorted({f"U+{ord(c):04X}" for c in odd})


def fault_of_text(text: str) -> str | None:
    """What is wrong with text for a terminal."""
    if odd := unseen(text):
        return f"shows {', '.join(odd)}"
    return None


def strings_in(data: Any) -> Iterator[str]:
    """Every text in plain data."""
    if isinstance(data, str):
        yield data
    elif isinstance(data, Mapping):
        for key, value in data.items():
            yield from strings_in(key)
            yield from strings_in(value)
    elif isinstance(data, list | tuple):
        for value in data:
            yield from strings_in(value)


def fault_of_json(text: str, true: list[str]) -> str | None:
    """What is wrong with JSON that is to hold these texts as they are."""
    held = set(strings_in(json.loads(text)))
    if lost := [one for one in true if one not in held]:
        return f"does not hold {lost[0]!r}"
    return fault_of_text(text)


def fault_of_sarif(text: str) -> str | None:
    """What is wrong with a SARIF log."""
    for error in Draft202012Validator(SARIF).iter_errors(json.loads(text)):
        return f"is no SARIF: {error.message}"
    return fault_of_text(text)


def fault_of_annotations(text: str, count: int) -> str | None:
    """What is wrong with workflow commands, of which there are to be so many."""
    lines = text.split("\n")[:-1]
    if len(lines) != count:
        return f"has {len(lines)} lines, expected {count}"
    value = r"(?:[^%:,\r\n]|%25|%0D|%0A|%3A|%2C)*"
    message = r"(?:[^%\r\n]|%25|%0D|%0A)*"
    form = rf"::(error|warning|notice) file={value}(,line=\d+,col=\d+)?,title={value}::{message}"
    for line in lines:
        if not re.fullmatch(form, line):
            return f"is no annotation: {line!r}"
    return fault_of_text(text)


def fault_of_markdown(text: str) -> str | None:
    """What is wrong with Markdown: HTML that isn't ours, links, tables that are not."""
    tokens = []
    for token in MarkdownIt("commonmark").enable(["table", "strikethrough"]).parse(text):
        tokens += [token, *(token.children or ())]
    for token in tokens:
        if token.type in ("html_inline", "html_block"):
            if left := re.sub(OWN_HTML, "", token.content).strip():
                return f"has the HTML {left!r}"
        elif token.type in ("link_open", "image", "em_open", "s_open", "hr", "fence", "code_block"):
            return f"has {token.type} that nobody meant"
    rows: list[int] = []
    columns = 0
    for token in tokens:
        if token.type == "tr_open":
            rows.append(0)
        elif token.type in ("td_open", "th_open"):
            rows[-1] += 1
        elif token.type == "thead_close":
            columns = rows[-1]
        elif token.type == "tr_close" and columns and rows[-1] != columns:
            return f"has a row of {rows[-1]} cells, expected {columns}"
        elif token.type == "table_close":
            columns = 0
    # Every line that begins like one is a row: none has got out of its table.
    if len(rows) != (told := sum(1 for line in text.splitlines() if line.startswith("|"))) - len(
        [t for t in tokens if t.type == "table_open"]
    ):
        return f"has {len(rows)} rows of tables, told {told}"
    return fault_of_text(text)


def headings(text: str) -> int:
    """How many headings Markdown has."""
    return sum(t.type == "heading_open" for t in MarkdownIt("commonmark").parse(text))


def fault_of_csv(text: str, words: set[str]) -> str | None:
    """What is wrong with CSV, of which `words` are the columns that hold names."""
    rows = list(csv.reader(io.StringIO(text), strict=True))
    for row in rows:
        if len(row) != len(rows[0]):
            return f"has a row of {len(row)} cells, expected {len(rows[0])}"
    for row in csv.DictReader(io.StringIO(text)):
        for column in words & row.keys():
            if row[column].startswith(FORMULA_STARTS):
                return f"has the formula {row[column]!r}"
    return fault_of_text(text)


class _Elements(HTMLParser):
    """Counts elements and notes what would run or be fetched."""

    def __init__(self) -> None:
        super().__init__()
        self.found: Counter[str] = Counter()
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found[tag] += 1
        for name, value in attrs:
            self.found[f"{tag}[{name}]"] += 1
            if name.startswith("on"):
                self.wrong.append(f"{tag} with {name}")
            if name in ("src", "href", "action", "srcdoc") and not re.match(
                r"(#|audio/|data:)", value or ""
            ):
                self.wrong.append(f"{tag} with {name}={value!r}")

    def handle_comment(self, data: str) -> None:
        self.found["comment"] += 1


def fault_of_html(text: str, harmless: str) -> str | None:
    """What is wrong with a page; `harmless` is the same page of harmless words."""
    pages = []
    for one in (text, harmless):
        page = _Elements()
        page.feed(one)
        page.close()
        pages.append(page)
    if pages[0].wrong:
        return f"has {pages[0].wrong[0]}"
    if pages[0].found != pages[1].found:
        more, less = pages[0].found - pages[1].found, pages[1].found - pages[0].found
        return f"has other elements than with harmless words: +{dict(more)} -{dict(less)}"
    return fault_of_text(text)
