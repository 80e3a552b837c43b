"""The sheets of an album: which files in a folder they are, in which order, and where they go."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from mixwright.delivering.delivery import default_folder
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.sheet import Sheet

SUFFIXES = (".yaml", ".yml")
# Folders of songs that hold sound, and may hold a copy of a sheet beside it.
NOT_ENTERED = ("out", "stems", "references")
_TOP_LEVEL_KEY = re.compile(rb"""^(?:\xef\xbb\xbf)?["']?(?:format|song|tracks)["']?\s*:""", re.M)


@dataclass(frozen=True)
class SongSheet:
    """A sheet of an album; `name` is its path below the album's folder, with forward slashes.

    `folder` is where its files go. Where it can't be delivered, `sheet` or `folder` is None and
    `problems` say why.
    """

    path: Path
    name: str
    sheet: Sheet | None = None
    folder: Path | None = None
    problems: tuple[Problem, ...] = ()


def songs_of(folder: Path, load: Callable[[Path], Sheet], out: Path | None) -> list[SongSheet]:
    """Return the songs of an album in order; a sheet that `load` refuses is one with problems.

    The order is that of the track numbers where all sheets that can be read have one, broken ones
    last; else that of the paths. Raises ProblemError where there are no sheets at all, and (fault
    MACHINE) for a folder that can't be looked into.
    """
    paths = find_sheets(folder)
    if not paths:
        message = f"no mix sheets in {folder}, expected *.yaml in it or one folder down"
        raise ProblemError([Problem("deliver/no-sheets", message)])
    songs = [_loaded(path, folder, load) for path in paths]
    return list(_placed(_in_order(songs), out))


def find_sheets(folder: Path) -> list[Path]:
    """Return the mix sheets in a folder and one folder down, in the order of their paths.

    What has a top-level key of a sheet is one, broken or not. Hidden files and folders are left
    out, and so are folders of sound. Raises ProblemError (fault MACHINE) where a folder can't be
    looked into.
    """
    here = _visible(folder)
    below = (p for p in here if p.is_dir() and p.name not in NOT_ENTERED)
    files = [p for p in here if p.is_file()]
    files += [p for inner in below for p in _visible(inner) if p.is_file()]
    return sorted(p for p in files if p.suffix.lower() in SUFFIXES and _looks_like_a_sheet(p))


def _visible(folder: Path) -> list[Path]:
    try:
        return [path for path in folder.iterdir() if not path.name.startswith(".")]
    except (FileNotFoundError, NotADirectoryError) as error:
        message = f"there is no folder {folder}, expected one with mix sheets"
        raise ProblemError([Problem("deliver/no-folder", message)]) from error
    except OSError as error:
        message = f"{folder} can't be looked into: {error.strerror}"
        raise ProblemError([Problem("deliver/machine", message, fault=Fault.MACHINE)]) from error


def _looks_like_a_sheet(path: Path) -> bool:
    try:
        return _TOP_LEVEL_KEY.search(path.read_bytes()) is not None
    except OSError:
        return True  # who loads it will be told why it can't be read


def _loaded(path: Path, folder: Path, load: Callable[[Path], Sheet]) -> SongSheet:
    song = SongSheet(path, path.relative_to(folder).as_posix())
    try:
        return replace(song, sheet=load(path))
    except ProblemError as error:
        return replace(song, problems=error.problems)


def _in_order(songs: Sequence[SongSheet]) -> list[SongSheet]:
    numbered: list[tuple[int, SongSheet]] = []
    for song in songs:
        if song.sheet is None:
            continue
        number = song.sheet.release.labels.track_number
        if number is None:
            return list(songs)
        numbered.append((number, song))
    broken = [song for song in songs if song.sheet is None]
    return [song for _, song in sorted(numbered, key=lambda pair: pair[0])] + broken


def _placed(songs: Iterable[SongSheet], out: Path | None) -> Iterator[SongSheet]:
    """Give each song its folder; no two can share one, since each has a manifest there."""
    songs = list(songs)
    sheets_beside = Counter(song.path.parent for song in songs)
    taken: dict[str, str] = {}
    for song in songs:
        if song.sheet is None:
            yield song
            continue
        place = _place_of(song.path, song.sheet, out, sheets_beside[song.path.parent] > 1)
        # Some disks don't tell capitals from small letters.
        first = taken.setdefault(str(place).casefold(), song.name)
        if first == song.name:
            yield replace(song, folder=place)
            continue
        message = f"{song.name} and {first} would both go to {place}"
        problem = Problem("deliver/same-folder", message, help="rename one of them")
        yield replace(song, problems=(problem,))


def _place_of(path: Path, sheet: Sheet, out: Path | None, shared: bool) -> Path:
    """Below `out`: by the folder that a sheet lies in, or by its own name where others do too."""
    if out is None:
        return default_folder(sheet)
    return out / (path.stem if shared else path.resolve().parent.name or path.stem)
