"""What a chapter is made of, and how it becomes Markdown: text, tables with limits, pictures.

Tables are for people and for the test that reads them back: the columns are always those of
`COLUMNS`, a number stands before its unit, and `met` follows from `measured` and `limit`.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

COLUMNS = ("what", "ideal", "measured", "limit", "met", "source")
NOTHING = "–"  # noqa: RUF001 - the dash of an empty cell
SIGNS = {"most": "≤", "least": "≥", "about": "±"}


@dataclass(frozen=True)
class Measure:
    """One line of a table: a figure in its unit and what it may be.

    `limit` None states a figure and judges nothing. `kind` says how the limit is meant: at `most`
    this, at `least` this, or `about` the `ideal`, off by no more than this.
    """

    what: str
    measured: float
    unit: str
    limit: float | None = None
    kind: Literal["most", "least", "about"] = "most"
    ideal: float | None = None
    source: str = ""

    @property
    def met(self) -> bool | None:
        """Whether it keeps its limit; None without one."""
        if self.limit is None:
            return None
        if self.kind == "about":
            if self.ideal is None:
                raise ValueError(f"{self.what}: about what? there is no ideal")
            return abs(self.measured - self.ideal) <= self.limit
        return self.measured <= self.limit if self.kind == "most" else self.measured >= self.limit

    def row(self) -> str:
        """Return the line in Markdown."""
        limit, decimals = NOTHING, None
        if self.limit is not None:
            limit = f"{SIGNS[self.kind]} {_number(self.limit, self.unit)}"
            if self.kind == "about":
                # Enough of both numbers to see how far they are apart.
                decimals = max(0, math.ceil(1.0 - math.log10(self.limit)))
        cells = (
            self.what,
            NOTHING if self.ideal is None else _number(self.ideal, self.unit, decimals),
            _number(self.measured, self.unit, decimals),
            limit,
            {True: "yes", False: "**no**", None: NOTHING}[self.met],
            self.source or NOTHING,
        )
        return "| " + " | ".join(cells) + " |"


def _number(value: float, unit: str, decimals: int | None = None) -> str:
    if decimals is not None:
        # Rounded first and added to 0: there is no "-0".
        shown = f"{round(value, decimals) + 0.0:.{decimals}f}"
    else:
        shown = f"{value:.4g}" if abs(value) >= 10.0 else f"{value:.3g}"
    return f"{shown} {unit}".rstrip()


@dataclass(frozen=True)
class Picture:
    """A picture beside the page: where it is, what it shows, and what to look for."""

    path: str
    shows: str
    caption: str = ""


Part = str | Picture | Sequence[Measure]


@dataclass(frozen=True)
class Chapter:
    """A heading and what stands under it, in order."""

    title: str
    parts: tuple[Part, ...]

    @property
    def measures(self) -> list[Measure]:
        """All lines of all its tables."""
        return [
            measure
            for part in self.parts
            if not isinstance(part, str | Picture)
            for measure in part
        ]

    @property
    def pictures(self) -> list[Picture]:
        """All its pictures."""
        return [part for part in self.parts if isinstance(part, Picture)]

    def markdown(self) -> str:
        """Return the chapter as a part of the page, ending in one line break."""
        shown = [f"## {self.title}"]
        for part in self.parts:
            if isinstance(part, str):
                shown.append(_paragraphs(part))
            elif isinstance(part, Picture):
                shown.append(f"![{part.shows}]({part.path})")
                if part.caption:
                    shown.append(f"*{part.caption}*")
            else:
                head = "| " + " | ".join(COLUMNS) + " |\n|" + " --- |" * len(COLUMNS)
                shown.append("\n".join([head, *(measure.row() for measure in part)]))
        return "\n\n".join(shown) + "\n"


def _paragraphs(text: str) -> str:
    """Take the indentation of the source away; tables stay as they are."""
    blocks = [block.strip() for block in re.split(r"\n\s*\n", text.strip())]
    return "\n\n".join(
        block
        if block.startswith("|")
        else textwrap.fill(
            " ".join(block.split()), 100, break_long_words=False, break_on_hyphens=False
        )
        for block in blocks
    )


def read_rows(markdown: str) -> list[dict[str, str]]:
    """Return the lines of all tables with limits on a page, by column.

    >>> read_rows(Measure("gain", 0.02, "dB", 0.1).row())[0]["limit"]
    '≤ 0.1 dB'
    """
    rows = []
    for line in markdown.splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split(" | ")]
        is_row = line.startswith("| ") and len(cells) == len(COLUMNS) and cells != list(COLUMNS)
        if is_row and not set(cells[0]) <= {"-"}:
            rows.append(dict(zip(COLUMNS, cells, strict=True)))
    return rows


def number_of(cell: str) -> float | None:
    """Return the number in a cell; None for an empty one.

    >>> number_of("≤ 0.1 dB"), number_of("-96.33 dBFS")
    (0.1, -96.33)
    """
    found = re.search(r"-?(?:\d[\d.]*(?:e[+-]?\d+)?|inf)", cell)
    return float(found.group()) if found else None


def keeps_its_limit(row: dict[str, str]) -> bool | None:
    """Judge a row that was read back from the page by its own numbers; None without a limit."""
    measured, limit = number_of(row["measured"]), number_of(row["limit"])
    if measured is None or limit is None:
        return None
    sign = row["limit"][0]
    if sign == SIGNS["about"]:
        ideal = number_of(row["ideal"])
        return ideal is not None and abs(measured - ideal) <= limit * (1.0 + 1e-9)
    return measured <= limit if sign == SIGNS["most"] else measured >= limit
