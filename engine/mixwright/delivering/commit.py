"""Putting finished files in their places so that nothing is lost, whenever the power goes.

Files are made whole in a staging folder beside their places. A commit first writes a manifest that
lists what is to come together with what lies there now, then renames file by file, then writes
the manifest without what is gone. So at any moment each file of a delivery is whole and the
manifest lists its hash, and :func:`recover` can finish what was cut off.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path

from mixwright.audio.staged import told_as_problem
from mixwright.claims import (
    Taken,
    claimed,
    locked_file,
    sweep,
)
from mixwright.delivering.hashes import lying_sha256
from mixwright.delivering.manifest import (
    MANIFEST_FILE,
    FormerEntry,
    Manifest,
    OutputEntry,
    manifest_text,
    read_manifest,
)
from mixwright.problem import Fault, Problem, ProblemError

STAGING = ".mixwright-deliver-"
LOCK_FILE = ".mixwright-lock"
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Keep a folder to this delivery alone; it is made where there is none.

    Nobody waits: raises ProblemError (fault MACHINE) while another delivery is at work in it, or
    when it can't be written to.
    """
    with told_as_problem(folder):
        folder.mkdir(parents=True, exist_ok=True)
    with ExitStack() as kept:
        try:
            kept.enter_context(locked_file(folder / LOCK_FILE))
        except Taken:
            message = f"another delivery is at work in {folder}"
            hint = "wait until it is done, or give another --out"
            problem = Problem("deliver/at-work", message, help=hint, fault=Fault.MACHINE)
            raise ProblemError([problem]) from None
        except OSError as error:
            raise ProblemError([_refused(folder / LOCK_FILE, error)]) from error
        yield


@contextmanager
def staging(folder: Path) -> Iterator[Path]:
    """Give a folder in which to make files whole, at the paths they will have below `folder`.

    It is gone afterwards, except when a commit out of it was cut off: then it is all there is.
    """
    with ExitStack() as kept:
        with _told(folder):
            keep = partial(_is_promised, folder)
            staged = kept.enter_context(claimed(folder, STAGING, keep))
        yield staged


def _is_promised(folder: Path, staged: Path) -> bool:
    """Whether the manifest lists what is still in a staging folder."""
    try:
        return read_manifest(folder / MANIFEST_FILE).staged == staged.name
    except ProblemError:
        return False  # no manifest, or none of ours: it promises nothing


def commit(
    folder: Path, manifest: Manifest, staged: Path, entries: Sequence[OutputEntry]
) -> Manifest:
    """Put staged files in their places and return the manifest that lists them, written.

    `manifest` is that of all deliveries so far, with the song, sheet and inputs of this one. Each
    entry's file lies in `staged`, whole and synced, under the path that it gets in `folder`.

    Raises ProblemError (fault MACHINE) when the machine refuses. Until the first file has moved
    nothing has changed; after that the next :func:`recover` brings it to an end.
    """
    new = {entry.file for entry in entries}
    underway = _underway(folder, manifest, staged, entries)
    with _told(staged):
        _sync_folders([staged, *(at for at in staged.rglob("*") if at.is_dir())])
    write_manifest(folder, underway)
    for entry in entries:
        _move(staged / entry.file, folder / entry.file)
    _sync_moved(folder, new)
    former = tuple(entry for entry in underway.former if entry.file not in new)
    done = replace(underway, former=former, replacing=(), staged=None)
    write_manifest(folder, done)
    return done


def _underway(
    folder: Path, manifest: Manifest, staged: Path, entries: Sequence[OutputEntry]
) -> Manifest:
    """The manifest during a commit: what comes, and what lies in its places until then."""
    new = {entry.file for entry in entries}
    replacing, former = [], list(manifest.former)
    for file in sorted(new):
        lying, listed = lying_sha256(folder / file), manifest.output(file)
        if lying is None:
            continue
        if listed is not None and listed.sha256 == lying:
            replacing.append(listed)
        elif (file, lying) not in {(entry.file, entry.sha256) for entry in former}:
            # Not as we left it, or never ours: written over by the user's leave.
            former.append(FormerEntry(file, lying))
    kept = [entry for entry in manifest.outputs if entry.file not in new]
    return replace(
        manifest,
        outputs=(*kept, *entries),
        former=tuple(former),
        replacing=tuple(replacing),
        staged=staged.name,
    )


def _move(staged: Path, target: Path) -> None:
    with _told(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(staged, target)


def recover(folder: Path) -> Manifest | None:
    """Finish a commit that was cut off, clear what is left over, and return the manifest.

    What is still staged is moved; of what never arrived the entry goes, and that of the file which
    lies there instead comes back. To be called with the folder locked. None where nothing was ever
    delivered; ProblemError for a manifest that can't be read.
    """
    there = (folder / MANIFEST_FILE).exists()
    manifest = read_manifest(folder / MANIFEST_FILE) if there else None
    if manifest is not None and manifest.staged is not None:
        for entry in manifest.outputs:
            staged = folder / manifest.staged / entry.file
            if lying_sha256(staged) == entry.sha256:
                # What can't be moved counts as never arrived, and is made again.
                with suppress(ProblemError):
                    _move(staged, folder / entry.file)
        manifest = _settled(folder, manifest)
        _sync_moved(folder, {entry.file for entry in manifest.outputs})
        write_manifest(folder, manifest)
    sweep(folder, STAGING)
    sweep(folder)
    return manifest


def _settled(folder: Path, manifest: Manifest) -> Manifest:
    """The manifest of a commit that was cut off, by what lies in the folder."""
    files = {entry.file for entry in manifest.outputs} | {e.file for e in manifest.former}
    lying = {file: lying_sha256(folder / file) for file in files}
    known = {(entry.file, entry.sha256): entry for entry in manifest.replacing}
    known |= {(entry.file, entry.sha256): entry for entry in manifest.outputs}
    found = [known.get((entry.file, lying[entry.file] or "")) for entry in manifest.outputs]
    outputs = tuple(entry for entry in found if entry is not None)
    listed = {entry.file for entry in outputs}
    former = tuple(
        entry
        for entry in manifest.former
        if entry.file not in listed and entry.sha256 == lying[entry.file]
    )
    return replace(manifest, outputs=outputs, former=former, replacing=(), staged=None)


def retire(folder: Path, manifest: Manifest, made: Collection[str]) -> Manifest:
    """Return the manifest with the entries of files that the sheet no longer makes under `former`.

    `made` are the files that it does make. Nothing is deleted; a former file that is gone from
    the folder is no longer listed. Writes nothing.
    """
    former = {entry.file: entry for entry in manifest.former}
    for entry in manifest.outputs:
        if entry.file not in made:
            former[entry.file] = FormerEntry(entry.file, entry.sha256, entry.variant)
    return replace(
        manifest,
        outputs=tuple(entry for entry in manifest.outputs if entry.file in made),
        former=tuple(entry for entry in former.values() if (folder / entry.file).is_file()),
    )


def write_manifest(folder: Path, manifest: Manifest) -> None:
    """Write the manifest of a folder, the new or the old whole; ProblemError (MACHINE) if not."""
    target = folder / MANIFEST_FILE
    with _told(target):
        with claimed(folder) as room:
            beside = room / "1"
            with open(beside, "w", encoding="utf-8", newline="\n") as file:
                file.write(manifest_text(manifest))
                file.flush()
                os.fsync(file.fileno())
            os.replace(beside, target)
        _sync_folders([folder])


def _sync_moved(folder: Path, files: Iterable[str]) -> None:
    """Let renames reach the disk: the folder and all folders below it that files lie in."""
    below = {parent for file in files for parent in Path(file).parents}
    with _told(folder):
        _sync_folders(folder / parent for parent in sorted(below))


def _sync_folders(folders: Iterable[Path]) -> None:
    if os.name == "nt":
        return  # a folder can't be opened there, and renames are kept in a journal
    for folder in folders:
        opened = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise ProblemError([_refused(path, error)]) from error


def _refused(path: Path, error: OSError) -> Problem:
    message = f"{path} can't be written: {error.strerror or error}"
    hint = "free some space" if error.errno in FULL else "let the folder be written to"
    hint += " and deliver again: nothing was lost"
    return Problem("deliver/machine", message, help=hint, fault=Fault.MACHINE)
