"""What is compared by ear, as a table: the files, their levels, and what matched them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from mixwright.by_ear.bypass import Bypassed, BypassedFile
from mixwright.by_ear.each_step import SteppedFile
from mixwright.escaping import plain_data
from mixwright.report.tables import plain_table, print_plainly, say
from mixwright.units import or_silence, unless_silent
from mixwright.words import figure, level, named

if TYPE_CHECKING:
    from rich.console import Console


def print_steps(files: Sequence[SteppedFile], console: Console) -> None:
    """Print the table of the steps and what was done to compare them."""
    reached = max(or_silence(file.integrated_lufs) + file.gain_db for file in files)
    to = f" to {files[-1].path.name}" if len(files) > 1 else ""
    say(
        console,
        f"{files[0].path}{to}  each brought down to {figure(unless_silent(reached), 'LUFS')}",
    )
    table = plain_table("step", "loudness LUFS", "peak dBFS", "gain dB")
    for file in files:
        table.add_row(
            file.step,
            figure(file.integrated_lufs),
            level(file.sample_peak_dbfs),
            figure(file.gain_db, sign=True),
        )
    print_plainly(console, table)
    say(console, "loudness and peak are those of the mix itself; the gain is in these files alone")
    if files[0].lowered_db < 0.0:
        lowered = -files[0].lowered_db
        say(console, f"note: {lowered:.2f} dB of it keep the highest peak below full scale")


def steps_as_data(files: Sequence[SteppedFile]) -> dict[str, Any]:
    """Return the steps as plain JSON data; silence is null."""
    return {"steps": [_file_as_data(file) for file in files]}


def _file_as_data(file: SteppedFile | BypassedFile) -> dict[str, Any]:
    said = {"file" if key == "path" else key: value for key, value in vars(file).items()}
    data: dict[str, Any] = plain_data(said)
    return data


def print_bypassed(done: Bypassed, console: Console) -> None:
    """Print the table of the four files and what was done to compare them."""
    part = named(done.part)
    # The names of the four differ in their ends, which are short enough for a table.
    stem = done.files[0].path.stem.removesuffix(done.files[0].version)
    shown = done.files[0].path.with_name(f"{stem}*{done.files[0].path.suffix}")
    say(console, f"{shown}  {done.strip} with and without its {part}")
    table = plain_table("file", "fader dB", "loudness LUFS", "peak dBFS", "gain dB")
    for file in done.files:
        table.add_row(
            file.path.stem.removeprefix(stem),
            "" if file.alone else figure(file.fader_db, sign=True),
            figure(file.integrated_lufs),
            level(file.sample_peak_dbfs),
            figure(file.gain_db, sign=True),
        )
    print_plainly(console, table)
    moved = figure(done.files[1].fader_db, sign=True)
    if moved == "0.00":
        say(console, f"{done.strip} is as loud without its {part} as with it: no fader is moved")
    else:
        say(console, f"without its {part} {done.strip} is as loud as with it: fader {moved} dB")
    say(console, "loudness and peak are those before the gain, which is in these files alone")
    if done.same_moments:
        say(console, f"note: {done.strip} hardly sounds here; matched where it does in both")
    for name in done.listeners:
        say(console, f"note: {name} listens to {done.strip} after its EQ, so it changes as well")


def bypassed_as_data(done: Bypassed) -> dict[str, Any]:
    """Return the four files as plain JSON data."""
    said = {"name" if key == "strip" else key: value for key, value in vars(done).items()}
    data: dict[str, Any] = plain_data(said) | {
        "files": [_file_as_data(file) for file in done.files]
    }
    return data
