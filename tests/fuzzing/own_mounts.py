"""Small file systems of our own, in a process that sees mounts which nobody else sees.

They go with the process, however it ends. Linux, and only where the system lets us.
"""

from __future__ import annotations

import ctypes
import functools
import os
import pickle
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fuzzing.nursery import die_with_parent

# unshare(2) and mount(2)
NEW_MOUNTS, RECURSIVE, PRIVATE = 0x20000, 0x4000, 1 << 18
READ_ONLY, NO_PROGRAMS, REMOUNT = 1, 8, 32


def apart(work: Callable[..., Any], *arguments: Any) -> Any:
    """Return what `work` returns, done in a forked process whose mounts are its own.

    Raises PermissionError where that isn't allowed, RuntimeError with what went wrong.
    """
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        _do_apart(writing, work, arguments)
    os.close(writing)
    with open(reading, "rb") as told:
        answer = told.read()
    os.waitpid(child, 0)
    result, error, is_allowed = pickle.loads(answer) if answer else (None, "it died", True)
    if not is_allowed:
        raise PermissionError(error)
    if error is not None:
        raise RuntimeError(error)
    return result


def _do_apart(writing: int, work: Callable[..., Any], arguments: tuple[Any, ...]) -> None:
    import traceback

    is_allowed = False
    try:
        die_with_parent()
        library = ctypes.CDLL(None, use_errno=True)
        if library.unshare(NEW_MOUNTS):
            raise PermissionError(ctypes.get_errno(), "mounts of our own are not allowed")
        _mount(b"none", b"/", None, RECURSIVE | PRIVATE, None)
        is_allowed = True
        answer = work(*arguments), None, True
    except BaseException:  # noqa: BLE001 - told to whoever asked
        answer = None, traceback.format_exc(), is_allowed
    with open(writing, "wb") as told:
        told.write(pickle.dumps(answer))
    os._exit(0)


def mount_memory(place: Path, size: int, flags: int = 0, again: bool = False) -> None:
    """Mount a file system of `size` bytes, in memory; or change the one that is there."""
    flags |= REMOUNT if again else 0
    _mount(b"none", os.fsencode(place), b"tmpfs", flags, f"size={size}".encode())


def _mount(
    source: bytes, place: bytes, kind: bytes | None, flags: int, options: bytes | None
) -> None:
    library = ctypes.CDLL(None, use_errno=True)
    if library.mount(source, place, kind, flags, options):
        raise PermissionError(ctypes.get_errno(), f"mounting is not allowed at {place!r}")


@functools.cache
def are_there() -> bool:
    """Whether file systems of our own can be mounted here."""
    if sys.platform != "linux":
        return False
    with tempfile.TemporaryDirectory() as name:
        try:
            apart(mount_memory, Path(name), 65536)
        except (PermissionError, OSError):
            return False
    return True
