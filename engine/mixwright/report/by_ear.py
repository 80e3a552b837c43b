"""What is compared by ear, as a table: the files, their levels, and what matched them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from mixwright.by_ear.bypass import Bypassed, spoken
from mixwright.by_ear.each_step import SteppedFile
from mixwright.report.problems import problem_as_data
from mixwright.report.readings import finite, level, plain_table, print_plainly, say

if TYPE_CHECKING:
    from rich.console import Console


def signed(value_db: float) -> str:
    """Return a gain with its sign; none is plain.

    >>> signed(-1.204), signed(1.2), signed(-0.001)
    ('-1.20', '+1.20', '0.00')
    """
    text = f"{value_db:+.2f}"
    return "0.00" if float(text) == 0.0 else text


def print_steps(files: Sequence[SteppedFile], console: Console) -> None:
    """Print the table of the steps and what was done to compare them."""
    reached = max(file.integrated_lufs + file.gain_db for file in files)
    to = f" to {files[-1].path.name}" if len(files) > 1 else ""
    say(console, f"{files[0].path}{to}  each brought down to {reached:.2f} LUFS")
    table = plain_table("step", "loudness LUFS", "peak dBFS", "gain dB")
    for file in files:
        table.add_row(
            file.step,
            level(file.integrated_lufs),
            level(file.sample_peak_dbfs),
            signed(file.gain_db),
        )
    print_plainly(console, table)
    say(console, "loudness and peak are those of the mix itself; the gain is in these files alone")
    if files[0].lowered_db < 0.0:
        lowered = -files[0].lowered_db
        say(console, f"note: {lowered:.2f} dB of it keep the highest peak below full scale")


def steps_as_data(files: Sequence[SteppedFile]) -> dict[str, Any]:
    """Return the steps as plain JSON data; silence (-inf) becomes null."""
    steps = [
        {
            "step": file.step,
            "file": str(file.path),
            "gain_db": file.gain_db,
            "lowered_db": file.lowered_db,
            "integrated_lufs": file.integrated_lufs,
            "sample_peak_dbfs": file.sample_peak_dbfs,
            "warnings": [problem_as_data(problem) for problem in file.warnings],
        }
        for file in files
    ]
    return {"steps": finite(steps)}


def print_bypassed(done: Bypassed, console: Console) -> None:
    """Print the table of the four files and what was done to compare them."""
    part = spoken(done.part)
    # The names of the four differ in their ends, which are short enough for a table.
    stem = done.files[0].path.stem.removesuffix(done.files[0].version)
    shown = done.files[0].path.with_name(f"{stem}*{done.files[0].path.suffix}")
    say(console, f"{shown}  {done.strip} with and without its {part}")
    table = plain_table("file", "fader dB", "loudness LUFS", "peak dBFS", "gain dB")
    for file in done.files:
        table.add_row(
            file.path.stem.removeprefix(stem),
            "" if file.alone else signed(file.fader_db),
            level(file.integrated_lufs),
            level(file.sample_peak_dbfs),
            signed(file.gain_db),
        )
    print_plainly(console, table)
    moved = signed(done.files[1].fader_db)
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
    files = [
        {
            "file": str(file.path),
            "version": file.version,
            "alone": file.alone,
            "fader_db": file.fader_db,
            "gain_db": file.gain_db,
            "integrated_lufs": file.integrated_lufs,
            "sample_peak_dbfs": file.sample_peak_dbfs,
        }
        for file in done.files
    ]
    data = {
        "name": done.strip,
        "part": done.part,
        "files": files,
        "same_moments": done.same_moments,
        "listeners": list(done.listeners),
        "warnings": [problem_as_data(problem) for problem in done.warnings],
    }
    return finite(data)  # type: ignore[no-any-return]
