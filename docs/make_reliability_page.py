"""Put the counts of the last long run into docs/reliability.md: run this file.

``make fuzz FUZZ="--summary docs/reliability_counts.json"`` adds what it tried to that file; a test
holds the page to it. Everything else on the page is written by hand.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

DOCS = Path(__file__).resolve().parent
PAGE, COUNTS = DOCS / "reliability.md", DOCS / "reliability_counts.json"
BEGIN, END = "<!-- counts: made by docs/make_reliability_page.py -->\n", "<!-- end of counts -->\n"
# What is counted first for each campaign: the rest follows in the order of its size.
UNITS = {
    "sheets": "sheets",
    "songs": "songs",
    "sounds": "files",
    "kills": "kills",
    "disks": "disturbances",
    "caches": "caches",
    "crowds": "crowds",
    "sequences": "commands",
    "words": "outputs",
}


def table(counts: dict[str, Any]) -> str:
    """Return the counts as a table, a campaign a row.

    >>> print(table({"kills": {"cases": 2, "tried": {"kills": 20, "lived": 1}, "faults": {}}}))
    | campaign | cases | tried | found |
    | --- | --- | --- | --- |
    | kills | 2 | 20 kills, 1 lived | nothing |
    <BLANKLINE>
    """
    rows = ["| campaign | cases | tried | found |", "| --- | --- | --- | --- |"]
    for name, one in counts.items():
        unit = UNITS.get(name, "")
        tried = sorted(one["tried"].items(), key=lambda item: (item[0] != unit, -item[1], item[0]))
        told = ", ".join(f"{count:,} {what}" for what, count in tried)
        found = sum(one["faults"].values())
        rows.append(f"| {name} | {one['cases']:,} | {told} | {found or 'nothing'} |")
    return "\n".join(rows) + "\n"


def page(text: str, counts: dict[str, Any]) -> str:
    """Return the page with the counts in their place."""
    before, rest = text.split(BEGIN)
    return before + BEGIN + table(counts) + END + rest.split(END)[1]


def main() -> None:
    """Write the page."""
    counts = json.loads(COUNTS.read_text("utf-8"))
    PAGE.write_text(page(PAGE.read_text("utf-8"), counts), "utf-8")


if __name__ == "__main__":
    main()
