"""Readings as a table for people and as data for machines."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from mixwright.problem import visible
from mixwright.rendering import Readings, Rendered
from mixwright.sheet.model import spoken

if TYPE_CHECKING:
    from rich.console import Console

SECTIONS_A_TABLE = 4
PIPE_WIDTH = 120


def clock(seconds: float) -> str:
    """Return minutes and seconds.

    >>> clock(76.25)
    '1:16.2'
    """
    minutes, rest = divmod(round(seconds * 10), 600)
    return f"{minutes}:{rest / 10:04.1f}"


def level(value: float, unit: str = "") -> str:
    """Return a level with two decimals; silence is ``-inf``."""
    text = "-inf" if value == -math.inf else f"{value:.2f}"
    return f"{text} {unit}".rstrip()


def match_text(value_db: float | None) -> str:
    """Return a level match with its sign; empty for none, a word where it can't be measured."""
    if value_db is None:
        return ""
    return "none" if math.isnan(value_db) else f"{value_db:+.2f}"


def print_rendered(done: Rendered, console: Console) -> None:
    """Print the meter table of a finished render."""
    readings = done.readings
    say(
        console,
        f"{done.path}  {done.format}, {done.rate_hz} Hz, {clock(readings.mix.seconds)}, "
        f"through {readings.through}",
    )
    print_plainly(console, _mix_table(readings))
    print_plainly(console, _track_table(readings))
    if readings.reductions:
        print_plainly(console, _reduction_table(readings))
        for table in _section_tables(readings):
            print_plainly(console, table)
    for note in readings.notes:
        say(console, f"note: {note}", wraps=True)


def say(console: Console, line: str, wraps: bool = False) -> None:
    """Print a line as it is: what names in it hold is no markup, and all of it can be seen."""
    console.print(visible(line), highlight=False, soft_wrap=not wraps, markup=False, emoji=False)


def print_plainly(console: Console, table: Any) -> None:
    """Print a table; into a file or a pipe without the blanks that fill its lines."""
    if console.is_terminal:
        console.print(table)
        return
    with console.capture() as caught:
        console.print(table, width=PIPE_WIDTH)
    for line in caught.get().splitlines():
        console.out(line.rstrip(), highlight=False)


def plain_table(*columns: str) -> Any:
    """Return an empty table, its first column left-aligned, the others right-aligned."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    class PlainTable(Table):
        """Takes words as they are, all to be seen: a section's name may hold brackets."""

        def add_row(self, *cells: Any, **options: Any) -> None:
            super().add_row(*(Text(visible(str(cell))) for cell in cells), **options)

    table = PlainTable(box=box.SIMPLE_HEAD, pad_edge=False)
    for index, column in enumerate(columns):
        table.add_column(
            Text(visible(column)), justify="left" if index == 0 else "right", no_wrap=index == 0
        )
    return table


def _mix_table(readings: Readings) -> Any:
    mix = readings.mix
    table = plain_table("mix", "reading")
    table.add_row("sample peak", level(mix.sample_peak_dbfs, "dBFS"))
    table.add_row("true peak", level(mix.true_peak_dbtp, "dBTP"))
    table.add_row("integrated loudness", level(mix.integrated_lufs, "LUFS"))
    if mix.loudest_s is None:
        table.add_row("loudest short-term", "too short: needs 3 s")
        return table
    where = f" in {readings.loudest_section}" if readings.loudest_section else ""
    table.add_row(
        "loudest short-term",
        f"{level(mix.loudest_short_term_lufs, 'LUFS')} at {clock(mix.loudest_s)}{where}",
    )
    return table


def _track_table(readings: Readings) -> Any:
    # A column for what inserts did to levels, where there are any.
    parts = {"eq": "EQ match dB", "compressor": "make-up dB", "inserts": "inserts dB"}
    if not any(key.endswith(".inserts") for key in readings.matches_db):
        del parts["inserts"]
    table = plain_table("track at the bus", "peak dBFS", "loudness LUFS", *parts.values())
    for track in readings.tracks:
        table.add_row(
            track.name,
            level(track.sample_peak_dbfs),
            level(track.integrated_lufs),
            *(
                match_text(readings.matches_db.get(key))
                for key in (f"{track.name}.{part}" for part in parts)
            ),
        )
    return table


def _reduction_table(readings: Readings) -> Any:
    table = plain_table(
        "gain reduction", "least dB", "mean dB", "most dB", "at work %", "make-up dB"
    )
    for name, reduction in readings.reductions.items():
        table.add_row(
            _spoken(name),
            *(f"{v:.2f}" for v in (reduction.min_db, reduction.mean_db, reduction.max_db)),
            f"{100.0 * reduction.active_share:.0f}",
            match_text(readings.matches_db.get(name)),
        )
    return table


def _section_tables(readings: Readings) -> Iterator[Any]:
    """Mean and most reduction by section, so many sections to a table as fit on a line."""
    names = list(dict.fromkeys(s for r in readings.reductions.values() for s in r.by_section))
    for first in range(0, len(names), SECTIONS_A_TABLE):
        here = names[first : first + SECTIONS_A_TABLE]
        table = plain_table("mean / most dB", *here)
        for name, reduction in readings.reductions.items():
            found = [reduction.by_section.get(section) for section in here]
            cells = ["" if r is None else f"{r.mean_db:.1f} / {r.max_db:.1f}" for r in found]
            table.add_row(_spoken(name), *cells)
        yield table


def _spoken(name: str) -> str:
    """A processor's name as a person says it.

    >>> _spoken("mix_bus.compressor")
    'mix_bus compressor'
    """
    strip, _, part = name.rpartition(".")
    return f"{strip} {spoken(part)}"


def rendered_as_data(done: Rendered) -> dict[str, Any]:
    """Return a finished render as plain JSON data; silence (-inf) becomes null."""
    import dataclasses

    from mixwright.report.problems import problem_as_data

    readings = dataclasses.asdict(
        dataclasses.replace(done.readings, warnings=())  # problems have their own form
    )
    readings["warnings"] = [problem_as_data(problem) for problem in done.readings.warnings]
    data = {
        "file": str(done.path),
        "format": done.format,
        "sample_rate_hz": done.rate_hz,
        **readings,
    }
    return finite(data)  # type: ignore[no-any-return]


def finite(value: Any) -> Any:
    """JSON has no infinity: silence is said as null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [finite(item) for item in value]
    return value
