"""What delivering an album did: a line a song and what they measure together, or data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from mixwright.delivering.album import Album, AlbumSong
from mixwright.escaping import plain_data
from mixwright.problem import Problem
from mixwright.report.delivered import delivered_as_data
from mixwright.report.problems import problem_lines
from mixwright.report.tables import plain_table, print_plainly, say
from mixwright.sheet.deliverables import MAIN
from mixwright.words import clock, figure, level

if TYPE_CHECKING:
    from rich.console import Console


def print_album(album: Album, console: Console) -> None:
    """Print a line a song with the figures of its main mix, then those of the album."""
    table = plain_table("song", "length", "LUFS", "LRA LU", "dBTP", "files")
    for song in album.songs:
        table.add_row(_title(song), *_figures(song), outcome_words(song))
    print_plainly(console, table)
    for line in album_lines(album):
        say(console, line)


def _title(song: AlbumSong) -> str:
    """Its title, and which mix is meant where it is not the main one."""
    other = song.main is not None and song.main.variant != MAIN
    return f"{song.title} ({song.main.variant})" if song.main and other else song.title


def _figures(song: AlbumSong) -> tuple[str, ...]:
    if (main := song.main) is None:
        return ("", "", "", "")
    found = main.meters
    lufs, lra_lu = figure(found.integrated_lufs), figure(found.loudness_range_lu)
    return (clock(main.seconds), lufs, lra_lu, level(found.true_peak_dbtp))


def outcome_words(song: AlbumSong) -> str:
    """Return what was made and kept of a song, and what failed, in words."""
    if song.bug is not None:
        return f"failed: mixwright itself ({type(song.bug).__name__})"
    if (done := song.delivered) is None:
        return "failed"
    counts = {"made": len(done.made), "kept": len(done.kept)}
    words = [f"{count} {what}" for what, count in counts.items() if count]
    if done.failed:
        words.append(f"failed: {', '.join(done.failed)}")
    elif song.failed:
        words.append("failed")
    return ", ".join(words) or "none"


def album_lines(album: Album) -> list[str]:
    """Return what the songs measure together, in words; nothing where none sounds."""
    loudest, quietest = album.loudest, album.quietest
    if loudest is None or quietest is None:
        return []
    lines = []
    if loudest is not quietest:
        lines += [
            f"loudest   {figure(loudest.integrated_lufs):>6} LUFS  {_title(loudest)}",
            f"quietest  {figure(quietest.integrated_lufs):>6} LUFS  {_title(quietest)}, "
            f"{album.difference_lu:.2f} LU below",
        ]
    lines.append(f"album     {figure(album.integrated_lufs):>6} LUFS  all of it as one programme")
    if (peak := album.max_true_peak_dbtp) is not None:
        lines.append(f"highest   {figure(peak):>6} dBTP")
    return lines


def song_problem_lines(song: AlbumSong, with_source: bool = False) -> list[str]:
    """Return the lines to print of what went wrong with a song, each with the song's sheet."""
    warnings = () if song.delivered is None else song.delivered.warnings
    lines: list[str] = []
    for problem in (*song.every_problem, *warnings):
        said = problem_lines([problem], with_source)
        lines += said if problem.span else [f"{song.name}: {said[0]}", *said[1:]]
    if song.bug is not None:
        told = f"mixwright itself failed ({type(song.bug).__name__}: {song.bug})"
        lines.append(f"{song.name}: {Problem('deliver/own-bug', told)}")
    return lines


def failure_line(album: Album) -> str:
    """Return how many songs failed, by name."""
    failed = album.failed
    names = ", ".join(song.name for song in failed)
    were = "was" if len(failed) == 1 else "were"
    return f"error: {len(failed)} of {len(album.songs)} songs {were} not delivered whole: {names}"


def album_as_data(album: Album) -> dict[str, Any]:
    """Return what was done as plain JSON data; files are entries of the songs' manifests."""
    loudest, quietest = album.loudest, album.quietest
    data = {
        "folder": album.folder,
        "songs": [_song_as_data(song) for song in album.songs],
        "loudest": None if loudest is None else loudest.name,
        "quietest": None if quietest is None else quietest.name,
        "difference_lu": album.difference_lu,
        "integrated_lufs": album.integrated_lufs,
        "max_true_peak_dbtp": album.max_true_peak_dbtp,
    }
    return plain_data(data)  # type: ignore[no-any-return]


def _song_as_data(song: AlbumSong) -> dict[str, Any]:
    bug = song.bug
    return {
        "name": song.name,
        "title": song.title,
        "sheet": song.sheet,
        "failed": song.failed,
        "problems": song.problems,
        "bug": None if bug is None else f"{type(bug).__name__}: {bug}",
        "main": song.main,
        "delivered": None if song.delivered is None else delivered_as_data(song.delivered),
    }
