"""Where a user's things lie: caches, settings, and the machine code of our kernels.

Any of them may be nowhere: a container or a shared machine may have an installation, a home and
even temporary files that can't be written to, and a user without a home. What is kept saves time
alone, so that losing a place costs time and nothing else.

Kept code is loaded and run. It is taken only from where nobody else can have put it: beside the
program (whoever writes there can change the program too), or in a folder that is this user's alone.
"""

from __future__ import annotations

import hashlib
import os
import stat
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

HINT = "help: set $MIXWRIGHT_CACHE to a folder of yours, which nobody else can write to"
_notes: dict[str, None] = {}


def home_folder() -> Path | None:
    """Return this user's home, None for one who has none: $HOME, else what the system lists.

    What is no absolute path is no home.
    """
    try:
        home = Path(os.environ.get("HOME") or Path("~").expanduser())
    except RuntimeError:
        return None  # a number that the system knows no user by
    return home if home.is_absolute() else None


def cache_folder() -> Path | None:
    """Return where caches lie: $MIXWRIGHT_CACHE, or the platform's place; None for nowhere.

    That is ``mixwright`` in $XDG_CACHE_HOME, by default ``~/.cache``. A relative $XDG_CACHE_HOME is
    passed over, as its specification asks.
    """
    if chosen := os.environ.get("MIXWRIGHT_CACHE"):
        return Path(chosen)
    return _in_home("XDG_CACHE_HOME", ".cache")


def config_folder() -> Path | None:
    """Return where settings lie, ``mixwright`` in $XDG_CONFIG_HOME or ``~/.config``, or None."""
    return _in_home("XDG_CONFIG_HOME", ".config")


def _in_home(variable: str, usual: str) -> Path | None:
    chosen = Path(os.environ.get(variable, ""))
    if chosen.is_absolute():
        return chosen / "mixwright"
    home = home_folder()
    return None if home is None else home / usual / "mixwright"


@dataclass(frozen=True)
class CodePlace:
    """Where compiled code of one folder of sources is kept, None for nowhere.

    `beside` is the folder beside the sources where others may have kept theirs: it is read from
    even where it can't be written to.
    """

    folder: Path | None
    beside: Path


def code_notes() -> tuple[str, ...]:
    """Return what a person should know of where code is kept, as far as any was asked for."""
    return tuple(_notes)


@cache
def code_place(sources: Path) -> CodePlace:
    """Return where the compiled code of a folder of sources is kept.

    The first that can be written to of: $NUMBA_CACHE_DIR (whoever sets it answers for it), the
    folder of Python's own compiled files, `compiled` in the user's cache, and a folder among the
    temporary files; the last two only if they are this user's alone.
    """
    beside = sources / "__pycache__"
    named = hashlib.sha256(os.fsencode(sources)).hexdigest()[:16]
    own = f"{sources.name}-{named}"
    if chosen := os.environ.get("NUMBA_CACHE_DIR"):
        folder = Path(chosen).absolute() / own
        if _can_write(folder):
            return CodePlace(folder, beside)
    if _can_write(beside):
        return CodePlace(beside, beside)
    kept = cache_folder()
    if kept is not None and (private := private_folder(kept / "compiled")) is not None:
        return CodePlace(private / own, beside)
    private = _temporary_folder()
    if private is not None:
        _notes[f"compiled code is kept among the temporary files, in {private} ({HINT})"] = None
        return CodePlace(private / own, beside)
    words = "compiled code can't be kept anywhere, so that every run may take a minute more"
    _notes[f"{words} ({HINT})"] = None
    return CodePlace(None, beside)


def _temporary_folder() -> Path | None:
    """A folder among the temporary files that is this user's alone, the same one each time."""
    if not hasattr(os, "geteuid"):
        return None
    try:
        return private_folder(Path(tempfile.gettempdir()) / f"mixwright-{os.geteuid()}")
    except OSError:
        return None  # there is no folder for temporary files


def private_folder(folder: Path) -> Path | None:
    """Make a folder, and return it if nobody but this user (and root) can put anything there.

    It is this user's, is no link, and is closed to all others (mode 0700); none of the folders that
    it lies in lets others take it away and put one of theirs in its place. None if it isn't so, and
    where it can't be made or written to. What is returned has no links in its path.
    """
    try:
        _make_private(folder.parent)
        folder = folder.parent.resolve() / folder.name
        folder.mkdir(mode=0o700, exist_ok=True)
        if not _is_alone(folder):
            return None
    except (OSError, RuntimeError):
        return None  # can't be made, or links that lead around in a circle
    return folder if _can_write(folder) else None


def _make_private(folder: Path) -> None:
    """Make what is missing on the way to a folder, closed to others whatever the user's mask."""
    for missing in reversed([one for one in (folder, *folder.parents) if not one.exists()]):
        missing.mkdir(mode=0o700, exist_ok=True)


def _is_alone(folder: Path) -> bool:
    if not hasattr(os, "geteuid"):
        return True  # folders of a user's profile are closed to others there
    own = os.lstat(folder)
    if not stat.S_ISDIR(own.st_mode) or own.st_uid != os.geteuid() or own.st_mode & 0o077:
        return False
    return all(_leaves_in_place(os.lstat(parent)) for parent in folder.parents)


def _leaves_in_place(parent: os.stat_result) -> bool:
    """Whether only root and this user can rename what lies in a folder: its mode, or sticky."""
    if parent.st_uid not in (0, os.geteuid()):
        return False
    return not parent.st_mode & 0o022 or bool(parent.st_mode & stat.S_ISVTX)


def _can_write(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        tempfile.TemporaryFile(dir=folder).close()
    except OSError:
        return False
    return True
