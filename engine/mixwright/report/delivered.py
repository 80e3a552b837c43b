"""What a delivery did: a line a file for people, data for machines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from mixwright.delivering.delivery import Delivered
from mixwright.delivering.manifest import OutputEntry
from mixwright.escaping import plain_data
from mixwright.report.tables import say
from mixwright.words import clock, counted, figure, level

if TYPE_CHECKING:
    from rich.console import Console


def print_delivered(done: Delivered, console: Console) -> None:
    """Print the manifest's place, every file with its figures, and what to know besides."""
    lines = [f"{done.manifest_path}  {outcome_words(done)}", ""]
    rows = [("made", entry) for entry in done.made] + [("kept", entry) for entry in done.kept]
    names = max((len(_name(entry)) for _, entry in rows), default=0)
    lines += [_line(state, entry, names) for state, entry in rows]
    if rows:
        lines.append("")
    for line in (*lines, *_notes(done)):
        say(console, line)


def outcome_words(done: Delivered) -> str:
    """Return how much was made and kept, in words."""
    made, kept = len(done.made), len(done.kept)
    if not made and not done.failed:
        return f"nothing to do: all {kept} files are as they would come out"
    said = [f"{counted(made, 'file')} made"]
    if kept:
        said.append(f"{kept} kept as they were")
    if done.failed:
        said.append(f"not delivered: {', '.join(done.failed)}")
    return ", ".join(said)


def _name(entry: OutputEntry) -> str:
    return entry.variant if entry.stem is None else f"{entry.variant}: {entry.stem}"


def _line(state: str, entry: OutputEntry, names: int) -> str:
    meters = entry.meters
    lufs = f"{figure(meters.integrated_lufs, 'LUFS'):>11}"
    peak = f"{level(meters.true_peak_dbtp, 'dBTP'):>11}"
    limited = f"  limited by {entry.limited_db:.1f} dB" if entry.limited_db > 0.0 else ""
    return (
        f"  {state}  {_name(entry):<{names}}  {entry.format:<6}  {lufs}  {peak}  "
        f"{clock(entry.seconds)}  {entry.file}{limited}"
    )


def _notes(done: Delivered) -> list[str]:
    groups = dict.fromkeys(e.sum_group for e in (*done.made, *done.kept) if e.sum_group)
    notes = [f"the parts of {group} add up to the main mix" for group in groups]
    if done.stale:
        notes.append(f"missing or out of date, and not asked for: {', '.join(done.stale)}")
    if done.manifest.former:
        former = ", ".join(entry.file for entry in done.manifest.former)
        notes.append(f"no longer in the sheet, left where they are: {former}")
    return [f"note: {note}" for note in notes]


def delivered_as_data(done: Delivered) -> dict[str, Any]:
    """Return what was done as plain JSON data; entries are those of the manifest."""
    data = {
        "manifest": done.manifest_path,
        "made": done.made,
        "kept": done.kept,
        "failed": done.failed,
        "stale": done.stale,
        "former": done.manifest.former,
        "warnings": done.warnings,
    }
    return plain_data(data)  # type: ignore[no-any-return]
