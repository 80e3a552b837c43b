"""``mixwright demo``: the example song, rendered through every step."""

from __future__ import annotations

import importlib.util
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from mixwright.rendering import Rendered

SONG = "lanterns_at_low_tide"


@click.command("demo", epilog="Example: mixwright demo my-first-mix")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), default=Path(SONG))
@click.option("--force", is_flag=True, help="Write the example's sheet again over a changed one.")
def command(folder: Path, force: bool) -> None:
    """Write the example song into FOLDER and render it through every step.

    A sheet that is already there is kept, so that a second run renders your changes.
    """
    from mixwright.audio.staged import check_name, told_as_problem
    from mixwright.cli.progress import shown_progress
    from mixwright.sheet import STEPS

    check_name(folder / "mix.yaml", "give another folder")
    with told_as_problem(folder):
        sheet_path = write_example(folder, force)
    results = []
    with shown_progress() as progress:
        for number, step in enumerate(STEPS, start=1):
            out = folder / "out" / f"{number}-{step}.wav"
            results.append(_render(sheet_path, out, step, progress))
    _print_steps(results)
    _print_next(folder, sheet_path)


def example_folder() -> Path:
    """Return where the example lies: inside the package, or in the repository beside it."""
    inside = Path(__file__).resolve().parents[1] / "projects" / SONG
    return inside if inside.is_dir() else Path(__file__).resolve().parents[3] / "projects" / SONG


def write_example(folder: Path, force: bool) -> Path:
    """Write sheet and stems where they are missing, and return the sheet's path."""
    from mixwright.audio.staged import written_beside
    from mixwright.claims import claimed

    source = example_folder()
    folder.mkdir(parents=True, exist_ok=True)
    sheet = folder / "mix.yaml"
    if force or not sheet.exists():
        text = (source / "mix.yaml").read_text("utf-8")
        # The editor's schema line points into the repository; a copy elsewhere has no such file.
        # So does the line that tells how to make the stems: here they are made already.
        left_out = ("yaml-language-server", "make_stems.py")
        kept = [line for line in text.splitlines(True) if not any(w in line for w in left_out)]
        with written_beside(sheet) as beside:
            beside.write_text("".join(kept), "utf-8")
    if not (folder / "stems").is_dir():
        click.echo("making the stems of the example song ...", err=True)
        with claimed(folder) as room:
            _generator(source).write_stems(room)
            _put_in_place(room, folder)
    return sheet


def _put_in_place(room: Path, folder: Path) -> None:
    """Move what was made to its place: the stems last, since by them it is known to be whole."""
    for made in (room / "references").iterdir():
        (folder / "references").mkdir(exist_ok=True)
        made.replace(folder / "references" / made.name)
    (room / "stems").replace(folder / "stems")


def _generator(source: Path) -> ModuleType:
    """Import the example's generator, whose modules lie side by side in its folder."""
    sys.path.insert(0, str(source))
    try:
        spec = importlib.util.spec_from_file_location("make_stems", source / "make_stems.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(source))
    return module


def _render(
    sheet: Path, out: Path, step: Any, progress: Callable[[str, float], None] | None
) -> Rendered:
    import mixwright

    def named(stage: str, share: float) -> None:
        if progress is not None:
            progress(f"{step}: {stage}", share)

    return mixwright.render(mixwright.load(sheet), out, through=step, progress=named)


def _print_steps(results: list[Rendered]) -> None:
    from rich.console import Console

    from mixwright.report.tables import plain_table, print_plainly
    from mixwright.words import figure, level

    table = plain_table("through", "peak dBFS", "true peak", "LUFS", "loudest part", "file")
    for done in results:
        mix = done.readings.mix
        table.add_row(
            done.readings.through,
            level(mix.sample_peak_dbfs),
            level(mix.true_peak_dbtp),
            figure(mix.integrated_lufs),
            done.readings.loudest_section or "",
            done.path.name,
        )
    print_plainly(Console(), table)


def _print_next(folder: Path, sheet: Path) -> None:
    me = own_command()
    click.echo(
        f"Listen to the six files in {folder / 'out'}, quietly at first:\n"
        "each holds one step more than the one before.\n"
        f"Then change one line of {sheet}, for example the lead vocal's gain_db, and run\n"
        f"  {me} render {sheet}\n"
        f"  {me} render {sheet} --section 'chorus 1'"
    )


def own_command() -> str:
    """Return what to type for this command: its bare name where the shell finds that."""
    return "mixwright" if shutil.which("mixwright") else sys.argv[0]
