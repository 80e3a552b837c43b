"""A comparison as a page of sentences, lists and tables, before anything is written out."""

from __future__ import annotations

from dataclasses import dataclass

from mixwright.report.tables import Table


@dataclass(frozen=True)
class Item:
    """One change: what it is about, what changed, where it stands and why."""

    name: str
    text: str
    place: str = ""
    reason: str = ""


@dataclass(frozen=True)
class Part:
    """A part of the page. What is `folded` is shown on demand where a format can do that.

    `items` are lists of changes under headings of their own.
    """

    title: str
    lines: tuple[str, ...] = ()
    items: tuple[tuple[str, tuple[Item, ...]], ...] = ()
    table: Table | None = None
    folded: bool = False


@dataclass(frozen=True)
class Page:
    """All that is said of a comparison."""

    title: str
    old: str
    new: str
    parts: tuple[Part, ...] = ()
