"""Readings as a table for people and as data for machines."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from mixwright.escaping import plain_data
from mixwright.rendering import Readings, Rendered
from mixwright.report.tables import plain_table, print_plainly, say
from mixwright.words import clock, figure, level, moment, part_named

if TYPE_CHECKING:
    from rich.console import Console

SECTIONS_A_TABLE = 4


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


def _mix_table(readings: Readings) -> Any:
    mix = readings.mix
    table = plain_table("mix", "reading")
    table.add_row("sample peak", level(mix.sample_peak_dbfs, "dBFS"))
    table.add_row("true peak", level(mix.true_peak_dbtp, "dBTP"))
    table.add_row("integrated loudness", figure(mix.integrated_lufs, "LUFS"))
    if mix.loudest_s is None:
        table.add_row("loudest short-term", "too short: needs 3 s")
        return table
    loudest = figure(mix.loudest_short_term_lufs, "LUFS")
    when = moment(mix.loudest_s, readings.loudest_section)
    table.add_row("loudest short-term", f"{loudest} at {when}")
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
            figure(track.integrated_lufs),
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
            part_named(name),
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
            table.add_row(part_named(name), *cells)
        yield table


def rendered_as_data(done: Rendered) -> dict[str, Any]:
    """Return a finished render as plain JSON data; silence is null."""
    made = {"file": done.path, "format": done.format, "sample_rate_hz": done.rate_hz}
    data: dict[str, Any] = plain_data(made | vars(done.readings))
    return data
