"""Rows of results with what was expected of them, and their tables in Markdown."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from test_loudness_cases import RATES_HZ

AT_EACH_RATE = tuple(f"{rate_hz / 1000:g} kHz" for rate_hz in RATES_HZ)


@dataclass(frozen=True)
class Row:
    """Results of one check; `low` and `high` say how far they may lie from `expected`.

    An infinite one makes a limit of the other. Without `decimals` powers of ten are enough.
    """

    what: str
    unit: str
    measured: tuple[float, ...]
    expected: float
    low: float
    high: float
    decimals: int | None = 2

    @property
    def met(self) -> bool:
        """Whether every result is within the tolerance."""
        # The sum is taken as it stands in the sources: -23.0 and 0.1, no rounding of our making.
        low, high = self.expected + self.low, self.expected + self.high
        return all(low <= value <= high for value in self.measured)

    def cells(self) -> list[str]:
        """Return what stands in the table."""
        tolerance = f"{self.high:+g} / {self.low:+g}"
        if self.high == -self.low:
            tolerance = f"±{self.high:g}"
        expected = f"{round(self.expected, 4) + 0.0:g}"
        for end, word in ((self.low, "at most"), (self.high, "at least")):
            if math.isinf(end):
                expected, tolerance = f"{word} {self.expected:g}", ""
        said = (number(value, self.decimals) for value in self.measured)
        return [self.what, self.unit, expected, tolerance, *said, "yes" if self.met else "**no**"]


def number(value: float, decimals: int | None) -> str:
    """Return a number as text; -0.001 is 0.00."""
    if decimals is None:
        return "0" if value == 0.0 else f"{value:.0e}"
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def within(
    what: str,
    unit: str,
    measured: float | Iterable[float],
    expected: float = 0.0,
    tolerance: float = 0.0,
    decimals: int | None = 2,
) -> Row:
    """Return a row whose results may lie `tolerance` to either side of `expected`."""
    values = (measured,) if isinstance(measured, int | float) else tuple(measured)
    return Row(what, unit, values, expected, -tolerance, tolerance, decimals)


def at_each_rate(measure: Callable[[int], float]) -> tuple[float, ...]:
    """Return what is measured at each sample rate in Hz."""
    return tuple(measure(rate_hz) for rate_hz in RATES_HZ)


def farthest(values: Iterable[float | None], expected: float = 0.0) -> float:
    """Return the value that is farthest from the expected one; NaN if one can't be had."""
    known = [math.nan if value is None else value for value in values]
    if any(math.isnan(value) for value in known):
        return math.nan
    return max(known, key=lambda value: abs(value - expected))


def results(rows: Iterable[Row], columns: Sequence[str] = ("measured",)) -> str:
    """Return a table of results, a column for each of the measured values."""
    head = ("check", "unit", "expected", "tolerance", *columns, "met")
    return table(head, [row.cells() for row in rows])


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines) + "\n"


def filled(text: str) -> str:
    """Return Markdown with its paragraphs filled and one empty line between parts."""
    parts = [part.strip() for part in text.split("\n\n") if part.strip()]
    return "\n\n".join(
        part
        if part.startswith(("|", "#", "!"))
        else textwrap.fill(part, 100, break_long_words=False, break_on_hyphens=False)
        for part in parts
    )
