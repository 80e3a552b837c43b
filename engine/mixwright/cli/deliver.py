"""``mixwright deliver``: every variant of a sheet as files, or of a folder of sheets."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from mixwright.cli.options import (
    as_json_option,
    json_problems,
    print_json,
    session_options,
)
from mixwright.problem import Fault

if TYPE_CHECKING:
    from mixwright.delivering.album import Album
    from mixwright.delivering.delivery import Delivered

EXIT_INPUT, EXIT_MACHINE = 2, 3


@click.command(
    "deliver",
    epilog="""\b
Examples:
  mixwright deliver mix.yaml
  mixwright deliver mix.yaml --only main --only instrumental
  mixwright deliver mix.yaml --out release --json
  mixwright deliver album --only main""",
)
@click.argument("sheet", type=click.Path())
@click.option("--only", multiple=True, metavar="NAME", help="Deliver this variant [all]; repeat.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder for the files [out beside SHEET]."
)
@click.option("--force", is_flag=True, help="Overwrite files that mixwright did not write.")
@session_options
@as_json_option
def command(
    sheet: str,
    only: tuple[str, ...],
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> int:
    """Bring the files of all variants of SHEET up to date, and list them in manifest.json.

    What is there already and would come out the same is kept. SHEET may be a folder of sheets, or
    of songs with theirs: an album. Its songs are made side by side, and compared.
    """
    with json_problems(as_json) as outcome:
        names = tuple(name for part in only for name in part.split(",") if name)
        options["only"] = names
        deliver = _deliver_album if os.path.isdir(sheet) else _deliver_song
        outcome.status = deliver(sheet, out, as_json, options)
    return outcome.status


def _deliver_song(sheet: str, out: Path | None, as_json: bool, options: dict[str, Any]) -> int:
    import mixwright
    from mixwright.cli.progress import shown_progress
    from mixwright.report.delivered import delivered_as_data, print_delivered

    with shown_progress(quiet=as_json) as progress:
        done = mixwright.deliver(sheet, out, progress=progress, **options)
    if as_json:
        print_json(delivered_as_data(done))
    else:
        from rich.console import Console

        print_delivered(done, Console())
        _say_problems(done)
    return EXIT_INPUT if done.failed else 0


def _say_problems(done: Delivered) -> None:
    for problems in done.failed.values():
        for problem in problems:
            click.echo(str(problem), err=True)
    for warning in done.warnings:
        click.echo(str(warning), err=True)


def _deliver_album(folder: str, out: Path | None, as_json: bool, options: dict[str, Any]) -> int:
    import mixwright
    from mixwright.cli.progress import shown_album_progress
    from mixwright.report.album import album_as_data, print_album

    with shown_album_progress(quiet=as_json) as progress:
        album = mixwright.deliver_album(folder, out, progress=progress, **options)
    if as_json:
        print_json(album_as_data(album))
    else:
        from rich.console import Console

        print_album(album, Console())
        _say_song_problems(album)
    return _status(album)


def _say_song_problems(album: Album) -> None:
    from mixwright.report.album import failure_line, song_problem_lines

    for song in album.songs:
        for line in song_problem_lines(song, with_source=sys.stderr.isatty()):
            click.echo(line, err=True)
    if album.failed:
        click.echo(failure_line(album), err=True)


def _status(album: Album) -> int:
    """The worst that happened to a song; our own bugs are raised, to be told as any other is."""
    bugs = [song.bug for song in album.songs if song.bug is not None]
    if bugs:
        raise bugs[0] if len(bugs) == 1 else ExceptionGroup("in several songs", bugs)
    problems = [problem for song in album.failed for problem in song.every_problem]
    if any(problem.fault is Fault.MACHINE for problem in problems):
        return EXIT_MACHINE
    return EXIT_INPUT if problems else 0
