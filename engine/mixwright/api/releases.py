"""Releases: every variant of a sheet as files, and whether they still are what they were."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from mixwright.api.loading import check_threads, load, loaded_sheet, plan, said_in
from mixwright.delivering.album import Album, deliver_songs
from mixwright.delivering.album_sheets import songs_of
from mixwright.delivering.delivery import Delivered, DeliveryOptions, default_folder, deliver_sheet
from mixwright.delivering.manifest import Manifest, manifest_path, read_manifest
from mixwright.delivering.verify import Verified, verify_manifest
from mixwright.problem import ProblemError
from mixwright.rendering import Plan
from mixwright.rendering.perform import StageProgress
from mixwright.sheet import Sheet


def deliver(
    sheet: Sheet | str | Path,
    out: str | Path | None = None,
    *,
    only: Sequence[str] = (),
    threads: int | None = None,
    force: bool = False,
    keep_cache: bool = True,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
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
    sheet = loaded_sheet(sheet, allow_outside)
    check_threads(threads)
    folder = default_folder(sheet) if out is None else Path(out)

    def plan_of(changed: Sheet) -> Plan:
        return plan(changed, allow_plugins=allow_plugins, keep_cache=keep_cache)

    with said_in(sheet):
        options = DeliveryOptions(folder, tuple(only), threads, force, keep_cache, progress)
        return deliver_sheet(sheet, plan_of, options)


def deliver_album(
    folder: str | Path,
    out: str | Path | None = None,
    *,
    only: Sequence[str] = (),
    threads: int | None = None,
    force: bool = False,
    keep_cache: bool = True,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: Callable[[str, str, float], None] | None = None,
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
    check_threads(threads)
    folder, out = Path(folder), None if out is None else Path(out)
    songs = songs_of(folder, partial(load, allow_outside=allow_outside), out)
    deliver_song = partial(
        deliver,
        only=tuple(only),
        force=force,
        keep_cache=keep_cache,
        allow_plugins=allow_plugins,
    )
    return deliver_songs(folder, songs, deliver_song, threads, progress)


def verify(
    manifest: str | Path,
    *,
    rerender: bool = False,
    threads: int | None = None,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> Verified:
    """Hold a delivery to its manifest: the sheet, every file that was read, every file made.

    `rerender` makes everything again and compares: same bits, or how far down the difference is.
    `holds` of the result says whether all is as it was. Raises ProblemError.
    """
    path = manifest_path(manifest)

    def again(folder: Path) -> Manifest:
        sheet = load(path.parent / read_manifest(path).sheet.file, allow_outside=allow_outside)
        options = {"threads": threads, "allow_plugins": allow_plugins, "progress": progress}
        done = deliver(sheet, folder, keep_cache=False, **options)  # type: ignore[arg-type]
        if done.failed:
            raise ProblemError(p for problems in done.failed.values() for p in problems)
        return done.manifest

    return verify_manifest(path, again if rerender else None)
