"""Readings as a table for people and as data for machines."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from mixwright.rendering import Readings, Rendered

if TYPE_CHECKING:
    from rich.console import Console


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
    console.print(
        f"{done.path}  {done.format}, {done.rate_hz} Hz, {clock(readings.mix.seconds)}, "
        f"through {readings.through}",
        highlight=False,
        soft_wrap=True,
        markup=False,
    )
    console.print(_mix_table(readings))
    console.print(_track_table(readings))
    if readings.reductions:
        console.print(_reduction_table(readings))
    for note in readings.notes:
        console.print(f"note: {note}", highlight=False, markup=False)


def print_plainly(console: Console, table: Any) -> None:
    """Print a table; into a file or a pipe without the blanks that fill its lines."""
    if console.is_terminal:
        console.print(table)
        return
    with console.capture() as caught:
        console.print(table)
    for line in caught.get().splitlines():
        console.out(line.rstrip(), highlight=False)


def plain_table(*columns: str) -> Any:
    """Return an empty table, its first column left-aligned, the others right-aligned."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    class PlainTable(Table):
        """Takes words as they are: a section's name may hold brackets."""

        def add_row(self, *cells: Any, **options: Any) -> None:
            super().add_row(*(Text(str(cell)) for cell in cells), **options)

    table = PlainTable(box=box.SIMPLE_HEAD, pad_edge=False)
    for index, column in enumerate(columns):
        table.add_column(column, justify="left" if index == 0 else "right")
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
    table = plain_table(
        "track at the bus", "peak dBFS", "loudness LUFS", "EQ match dB", "make-up dB"
    )
    for track in readings.tracks:
        table.add_row(
            track.name,
            level(track.sample_peak_dbfs),
            level(track.integrated_lufs),
            *(
                match_text(readings.matches_db.get(key))
                for key in (f"{track.name}.eq", f"{track.name}.compressor")
            ),
        )
    return table


def _reduction_table(readings: Readings) -> Any:
    table = plain_table("compressor", "mean dB", "max dB", "at work %", "make-up dB")
    for name, reduction in readings.reductions.items():
        makeup = readings.matches_db.get(f"{name}.compressor")
        table.add_row(
            name,
            f"{reduction.mean_db:.2f}",
            f"{reduction.max_db:.2f}",
            f"{100.0 * reduction.active_share:.0f}",
            match_text(makeup),
        )
    return table


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
    return _finite(data)  # type: ignore[no-any-return]


def _finite(value: Any) -> Any:
    """JSON has no infinity: silence is said as null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return value
