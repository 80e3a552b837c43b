"""Releases: every variant of a sheet as files, and whether they still are what they were."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Unpack

from mixwright.api.loading import Options, Working, loaded_sheet, planner, said_in
from mixwright.delivering.album import Album, deliver_songs
from mixwright.delivering.album_sheets import songs_of
from mixwright.delivering.delivery import Delivered, default_folder, deliver_sheet
from mixwright.delivering.manifest import Manifest, manifest_path, read_manifest
from mixwright.delivering.side_by_side import TellAll
from mixwright.delivering.verify import Verified, verify_manifest
from mixwright.problem import ProblemError
from mixwright.rendering.session import Session
from mixwright.sheet import Sheet


def deliver(
    sheet: Sheet | str | Path,
    out: str | Path | None = None,
    *,
    only: Sequence[str] = (),
    force: bool = False,
    **options: Unpack[Options],
) -> Delivered:
    """Make the files of every variant of a sheet, or of those in `only`, and list them.

    Only what is out of date is made: a variant whose files are there, whole and as they would come
    out, is kept. `out` defaults to ``out`` beside the sheet. `failed` of the result says which
    variants could not be made. Raises ProblemError; whatever happens, each file in its place is
    whole and listed in ``manifest.json`` there.

    >>> import mixwright
    >>> done = mixwright.deliver("mix.yaml", only=["main"])  # doctest: +SKIP
    >>> [entry.file for entry in done.made]  # doctest: +SKIP
    ['Lanterns at Low Tide - main.wav']
    """
    session = Session(**options)
    sheet = loaded_sheet(sheet, session)
    folder = default_folder(sheet) if out is None else Path(out)
    return _delivered(sheet, folder, session, tuple(only), force)


def _delivered(
    sheet: Sheet, folder: Path, session: Session, only: tuple[str, ...] = (), force: bool = False
) -> Delivered:
    with said_in(sheet):
        return deliver_sheet(sheet, planner(session), folder, session, only=only, force=force)


def deliver_album(
    folder: str | Path,
    out: str | Path | None = None,
    *,
    only: Sequence[str] = (),
    force: bool = False,
    progress: TellAll | None = None,
    **options: Unpack[Working],
) -> Album:
    """Deliver all mix sheets in a folder and one folder down, side by side, as :func:`deliver`.

    `out` takes a folder for each song, by default each is delivered beside its sheet. `threads` are
    those of all songs together. `progress` is told a song's name, the stage and its share. What
    goes wrong with a song is in `songs` and `failed` of the result and stops no other. Raises
    ProblemError for a folder without sheets.

    Each song is made in a process of its own, which begins by importing the script that is running:
    a script must do its work under ``if __name__ == "__main__":``.

    >>> import mixwright
    >>> album = mixwright.deliver_album("songs")  # doctest: +SKIP
    >>> album.loudest.title, album.integrated_lufs  # doctest: +SKIP
    ('Lanterns at Low Tide', -14.21)
    """
    session = Session(**options)
    folder, out = Path(folder), None if out is None else Path(out)
    songs = songs_of(folder, partial(loaded_sheet, session=session), out)
    deliver_song = partial(_delivered, only=tuple(only), force=force)
    return deliver_songs(folder, songs, deliver_song, session, progress)


def verify(
    manifest: str | Path,
    *,
    rerender: bool = False,
    **options: Unpack[Options],
) -> Verified:
    """Hold a delivery to its manifest: the sheet, every file that was read, every file made.

    `rerender` makes everything again and compares: same bits, or how far down the difference is.
    `holds` of the result says whether all is as it was. Raises ProblemError.
    """
    session, path = Session(**options), manifest_path(manifest)

    def again(folder: Path) -> Manifest:
        sheet = loaded_sheet(path.parent / read_manifest(path).sheet.file, session)
        done = _delivered(sheet, folder, replace(session, keep_cache=False))
        if done.failed:
            raise ProblemError(p for problems in done.failed.values() for p in problems)
        return done.manifest

    return verify_manifest(path, again if rerender else None, session)
