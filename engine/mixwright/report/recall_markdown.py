"""How a recall sheet reads: its parts, settings in trade words, and the whole as Markdown.

What it says of a mix is worked out in :mod:`mixwright.report.recall`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from mixwright.escaping import markdown_text, plain_data
from mixwright.report.tables import Table, table_as_markdown
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
    def line(self) -> tuple[str, str]:
        """The move, and after it its reason and what was measured."""
        measured = all_measured_words(self.measured)
        return self.what, (self.why or NO_REASON) + (f" ({measured})" if measured else "")


@dataclass(frozen=True)
class Strip:
    """The moves on a track, group or return, and what all of them together were measured to do."""

    name: str
    moves: tuple[Move, ...]
    measured: Mapping[str, float] = field(default_factory=dict)

    @property
    def lines(self) -> list[tuple[str, str]]:
        """A line for each move, in two parts, and one for what was measured of them together."""
        together = all_measured_words(self.measured)
        return [*(m.line for m in self.moves), *([("together", together)] if together else [])]


@dataclass(frozen=True)
class Chapter:
    """A step, or what comes before and after the steps."""

    key: str
    title: str
    facts: Mapping[str, Any] = field(default_factory=dict)
    strips: tuple[Strip, ...] = ()
    tables: tuple[Listing, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing in it."""
        return not (self.facts or self.strips or any(table.rows for table in self.tables))

    @property
    def facts_in_words(self) -> list[tuple[str, str]]:
        """What each fact is and says; whole numbers as they are, others as measured."""
        return [(named(key), measured_words(key, value)) for key, value in self.facts.items()]


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

    def as_markdown(self) -> str:
        """Return it as Markdown with tables."""
        lines = [f"# Recall sheet: {markdown_text(self.title)}", ""]
        for chapter in self.chapters:
            lines += [f"## {markdown_text(chapter.title)}", ""]
            lines += _list(chapter.facts_in_words, "{}: {}")
            for strip in chapter.strips:
                lines += [f"### {markdown_text(strip.name)}", ""]
                lines += _list(strip.lines, "**{}** - {}")
            for table in chapter.tables:
                lines += [table_as_markdown(table.shown), ""] if table.rows else []
            lines += [NOTHING, ""] if chapter.is_empty else []
        return "\n".join(lines).rstrip() + "\n"


# ---- words ----


def given(text: Callable[[Any], str] = number) -> Callable[[Any], str]:
    """Return a way to show a value that leaves a cell empty where there is none."""
    return lambda value: "" if value is None else text(value)


def unless(default: Any, text: Callable[[Any], str] = number) -> Callable[[Any], str]:
    """Return a way to show a value that leaves a cell empty where it is the default."""
    return lambda value: "" if value == default else text(value)


def measured_words(key: str, value: Any) -> str:
    """Return a fact in words: what was measured with one decimal, shares and counts with none.

    >>> measured_words("loudness_change_lu", 1.24), measured_words("at_work_percent", 81.4)
    ('+1.2 LU', '81 %')
    >>> measured_words("sample_rate_hz", 48000), measured_words("standard", "ebu_r_128")
    ('48000 Hz', 'ebu_r_128')
    """
    if not isinstance(value, float):
        return value_words(key, value)
    decimals = 0 if key.endswith("percent") else 1
    return figure(value, unit_of(key), decimals, sign=key.endswith(SIGNED))


def all_measured_words(measured: Mapping[str, float]) -> str:
    """Return measured figures in a line.

    >>> all_measured_words({"mean_reduction_db": 3.16, "at_work_percent": 81.0})
    'mean reduction 3.2 dB, at work 81 %'
    """
    return ", ".join(f"{named(key)} {measured_words(key, v)}" for key, v in measured.items())


def _list(pairs: Iterable[tuple[str, str]], form: str) -> list[str]:
    lines = [f"- {form.format(*map(markdown_text, pair))}" for pair in pairs]
    return [*lines, ""] if lines else []
