"""How a recall sheet reads: its parts, and the whole as a page and as data.

What it says of a mix is worked out in :mod:`mixwright.report.recall`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from mixwright.escaping import markdown_text, plain_data
from mixwright.report.page import WIDTH, Item, PagePart, part_as_markdown, parts_as_text, wrapped
from mixwright.report.tables import Table
from mixwright.words import figure, named, number, unit_of, value_words

NO_REASON = "no reason given"
NOTHING = "nothing in this step"
# What is told with its sign: gains, and by how much something changed.
SIGNED = ("gain_db", "makeup_db", "change_lu", "match_db", "to_dry_lu")


def plain(value: Any) -> str:
    """Return any value as text; nothing for None."""
    return "" if value is None else str(value)


@dataclass(frozen=True)
class Column:
    """A column: the key of its values as data, its heading, how a value is shown and found.

    `text` None keeps a column for data; `words` wrap and begin at the left. `of` finds the value in
    what a row is about; None takes the attribute of that key.
    """

    key: str
    heading: str = ""
    text: Callable[[Any], str] | None = plain
    words: bool = False
    of: Callable[[Any], Any] | None = None


def words_column(key: str, heading: str = "", **options: Any) -> Column:
    """Return a column of words; its heading is its key unless given."""
    return Column(key, heading or key, words=True, **options)


WHY = words_column("why", text=lambda why: why or NO_REASON)


@dataclass(frozen=True)
class Listing:
    """Rows of values under columns; the first one names what a row is about."""

    key: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Any, ...], ...]

    @property
    def shown(self) -> Table:
        """The columns in which anything stands, and their cells as text."""
        texts = [
            [c.text(v) if c.text else "" for c, v in zip(self.columns, row, strict=True)]
            for row in self.rows
        ]
        kept = [i for i in range(len(self.columns)) if i == 0 or any(row[i] for row in texts)]
        return Table(
            tuple(self.columns[i].heading for i in kept),
            tuple(tuple(row[i] for i in kept) for row in texts),
            tuple(at for at, i in enumerate(kept) if self.columns[i].words),
        )


def table_of(key: str, columns: Sequence[Column], objects: Iterable[Any]) -> Listing:
    """Return a table with a row for each object.

    >>> table_of("numbers", [Column("real", "number")], [3, 4]).rows
    ((3,), (4,))
    """
    rows = [[c.of(o) if c.of else getattr(o, c.key) for c in columns] for o in objects]
    return Listing(key, tuple(columns), tuple(map(tuple, rows)))


@dataclass(frozen=True)
class Move:
    """One move in trade words, its reason and place; what it did, by keys that end with units."""

    what: str
    why: str | None
    path: tuple[str | int, ...]
    measured: Mapping[str, float] = field(default_factory=dict)

    @property
    def line(self) -> str:
        """The move, its reason and what was measured."""
        return f"{self.what} - {self.why or NO_REASON}{_in_brackets(self.measured)}"


@dataclass(frozen=True)
class RecallStrip:
    """The moves on a track, group or return, and what all of them together were measured to do."""

    name: str
    moves: tuple[Move, ...]
    measured: Mapping[str, float] = field(default_factory=dict)

    @property
    def items(self) -> tuple[Item, ...]:
        """A line for each move, and one for what was measured of them together."""
        lines = [move.line for move in self.moves]
        if self.measured:
            lines.append(f"together - {measured_words(self.measured)}")
        return tuple(Item("", line) for line in lines)


@dataclass(frozen=True)
class Chapter:
    """A step, or what comes before and after the steps."""

    key: str
    title: str
    facts: Mapping[str, Any] = field(default_factory=dict)
    strips: tuple[RecallStrip, ...] = ()
    tables: tuple[Listing, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing in it."""
        return not (self.facts or self.strips or any(table.rows for table in self.tables))

    @property
    def part(self) -> PagePart:
        """The chapter as a part of a page; whole numbers as they are, others as measured."""
        if self.is_empty:
            return PagePart(self.title, (NOTHING,))
        lines = tuple(f"{named(k)}: {measured_value(k, v)}" for k, v in self.facts.items())
        tables = tuple(table.shown for table in self.tables if table.rows)
        strips = tuple((strip.name, strip.items) for strip in self.strips)
        return PagePart(self.title, lines, strips, tables)


@dataclass(frozen=True)
class Recall:
    """A recall sheet: the song's name and the chapters, the song itself first."""

    title: str
    chapters: tuple[Chapter, ...]

    def as_data(self) -> dict[str, Any]:
        """Return it as plain JSON data, a table as a list of rows; silence and `off` are null."""
        data: dict[str, Any] = {"recall_sheet": self.title}
        for chapter in self.chapters:
            data[chapter.key] = said = dict(chapter.facts)
            if chapter.strips:
                said["strips"] = chapter.strips
            for table in chapter.tables:
                keys = [column.key for column in table.columns]
                said[table.key] = [dict(zip(keys, row, strict=True)) for row in table.rows]
        return plain_data(data)  # type: ignore[no-any-return]

    def as_text(self, width: int = WIDTH) -> str:
        """Return it as plain text, at most `width` columns wide."""
        head = "\n".join(wrapped(f"Recall sheet: {self.title}", "", width, cut_words=True))
        parts = parts_as_text((one.part for one in self.chapters), width, cut_words=True)
        return f"{head}\n{parts}"

    def as_markdown(self) -> str:
        """Return it as Markdown with tables."""
        parts = [part_as_markdown(chapter.part, 2) for chapter in self.chapters]
        return "\n\n".join([f"# Recall sheet: {markdown_text(self.title)}", *parts]) + "\n"


# ---- words ----


def given(text: Callable[[Any], str] = number) -> Callable[[Any], str]:
    """Return a way to show a value that leaves a cell empty where there is none."""
    return lambda value: "" if value is None else text(value)


def unless(default: Any, text: Callable[[Any], str] = number) -> Callable[[Any], str]:
    """Return a way to show a value that leaves a cell empty where it is the default."""
    return lambda value: "" if value == default else text(value)


def measured_value(key: str, value: Any) -> str:
    """Return a fact in words: what was measured with one decimal, shares and counts with none.

    >>> measured_value("loudness_change_lu", 1.24), measured_value("at_work_percent", 81.4)
    ('+1.2 LU', '81 %')
    >>> measured_value("sample_rate_hz", 48000), measured_value("standard", "ebu_r_128")
    ('48000 Hz', 'ebu_r_128')
    """
    if not isinstance(value, float):
        return value_words(key, value)
    decimals = 0 if key.endswith("percent") else 1
    return figure(value, unit_of(key), decimals, sign=key.endswith(SIGNED))


def measured_words(measured: Mapping[str, float]) -> str:
    """Return measured figures in a line.

    >>> measured_words({"mean_reduction_db": 3.16, "at_work_percent": 81.0})
    'mean reduction 3.2 dB, at work 81 %'
    """
    return ", ".join(f"{named(key)} {measured_value(key, v)}" for key, v in measured.items())


def _in_brackets(measured: Mapping[str, float]) -> str:
    return f" ({measured_words(measured)})" if measured else ""
