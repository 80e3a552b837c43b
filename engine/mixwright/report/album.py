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
from mixwright.words import clock, level

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
    lufs = "silent" if found.integrated_lufs is None else level(found.integrated_lufs)
    values = (found.loudness_range_lu, found.true_peak_dbtp)
    return (clock(main.seconds), lufs, *("" if v is None else level(v) for v in values))


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
            f"loudest   {_level(loudest.integrated_lufs)} LUFS  {_title(loudest)}",
            f"quietest  {_level(quietest.integrated_lufs)} LUFS  {_title(quietest)}, "
            f"{album.difference_lu:.2f} LU below",
        ]
    lines.append(f"album     {_level(album.integrated_lufs)} LUFS  all of it as one programme")
    if (peak := album.max_true_peak_dbtp) is not None:
        lines.append(f"highest   {_level(peak)} dBTP")
    return lines


def _level(value: float | None) -> str:
    return f"{'silent' if value is None else level(value):>6}"


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
