"""Places for what is not finished yet: each folder of ours is held by who works in it.

Beside its target a command works in a folder ``.mixwright-TOKEN`` (a token is 16 hex digits). In
it lies a file ``TOKEN.claim`` with a line of ours, locked (flock(2)) for as long as the work lasts.
The kernel drops a lock when its holder dies, however it dies. So a claim whose lock can be had is
that of a dead maker, and :func:`sweep` clears its folder, the claim last: a sweep that is cut off
is finished by the next. What is being worked in can't be locked and is left alone.

Nothing else is touched: neither what is called otherwise, nor what holds no claim of ours, nor what
another user owns, nor anything behind a symbolic link. Locks are not known from host to host on
every network disk: what another host claimed goes only when nothing in it has changed for a week.

Where a machine or disk has no such locks nothing is swept.
"""

from __future__ import annotations

import errno
import os
import re
import secrets
import shutil
import socket
import stat
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from io import FileIO
from pathlib import Path

try:
    import fcntl
except ImportError:  # a machine without: claims are made, and none is ever swept
    fcntl = None  # type: ignore[assignment]

PREFIX = ".mixwright-"
TOKEN = r"[0-9a-f]{16}"
TOKEN_DIGITS = 16
OWN_LINE = "mixwright claim 1 host "
LINE = re.compile(OWN_LINE.encode() + rb"[^\s]{1,255}\n")
LONGEST_LINE = 1024
A_DAY_S = 86400.0
A_WEEK_S = 7 * A_DAY_S
# A sweeper may take a folder of ours before it is claimed: it is made anew, under another token.
MOST_TRIES = 20
Keep = Callable[[Path], bool]

# What this process holds: some network disks give a process locks that it has already.
_held: set[str] = set()
_holding = threading.Lock()


class Taken(Exception):  # noqa: N818 - it is no error: somebody else is at work
    """Somebody else holds the lock."""


@contextmanager
def claimed(folder: Path, prefix: str = PREFIX, keep: Keep | None = None) -> Iterator[Path]:
    """Give a folder of our own inside `folder`, to make files in; gone with all in it afterwards.

    What is finished is to be renamed out of it. Clears first what dead makers left under the same
    prefix. What `keep` says yes to stays, in the end too. Raises OSError where the disk refuses.

    >>> with tempfile.TemporaryDirectory() as name:
    ...     with claimed(Path(name)) as room:
    ...         _ = (room / "1").write_text("whole")
    ...         os.replace(room / "1", Path(name, "done.txt"))
    ...     os.listdir(name)
    ['done.txt']
    """
    sweep(folder, prefix, keep)
    room, lock = _claim(folder, prefix)
    try:
        yield room
    finally:
        _give_up(room, lock, keep)


def nameless(folder: Path) -> FileIO:
    """Return a file in `folder` that has no name, unbuffered: it is gone when it is closed.

    Raises OSError where the disk refuses.
    """
    if hasattr(os, "O_TMPFILE"):
        with suppress(OSError):  # not every disk has it
            flags = os.O_TMPFILE | os.O_RDWR | os.O_EXCL
            return open(os.open(folder, flags, 0o600), "w+b", buffering=0)
    if os.name == "nt":
        return tempfile.TemporaryFile(dir=folder, prefix=PREFIX, buffering=0)
    with claimed(folder) as room:
        return open(room / "1", "x+b", buffering=0)


@contextmanager
def locked_file(path: Path) -> Iterator[None]:
    """Hold a lock by the name of a file that is there only as long as the lock is held.

    Nobody waits: raises Taken while another holds it, OSError where the disk refuses.
    """
    if fcntl is None:
        with _locked_elsewhere(path):
            yield
        return
    lock = _lock_made(path)
    try:
        yield
    finally:
        with suppress(OSError):
            # Ours is empty and still there: any other is somebody's.
            if os.fstat(lock).st_size == 0 and _is_at(lock, path):
                path.unlink()
        os.close(lock)


def _lock_made(path: Path) -> int:
    """Make a file where there is none and lock it."""
    for _ in range(MOST_TRIES):
        lock = _open_locked(path, os.O_CREAT)
        if lock is not None:
            return lock
        # Whoever held it took the file away as we opened it.
    raise FileExistsError(errno.EEXIST, "something that is no file is in the way", str(path))


@contextmanager
def _locked_elsewhere(path: Path) -> Iterator[None]:
    from filelock import FileLock, Timeout

    lock = FileLock(path, timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise Taken from None
    try:
        yield
    finally:
        lock.release()


def _open_locked(path: Path, more: int = 0) -> int | None:
    """Open a file and lock it; None where it is no longer what lies at the path.

    Raises Taken where another holds it, OSError where it can't be opened or locked.
    """
    opened = os.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | more, 0o666)
    try:
        fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if _is_at(opened, path):
            return opened
    except BlockingIOError:
        os.close(opened)
        raise Taken from None
    except BaseException:
        os.close(opened)
        raise
    os.close(opened)
    return None


def _is_at(opened: int, path: Path) -> bool:
    """Whether an open file is a plain one, and what lies at the path."""
    here = os.fstat(opened)
    try:
        there = os.lstat(path)
    except FileNotFoundError:
        return False
    same = (here.st_dev, here.st_ino) == (there.st_dev, there.st_ino)
    return same and stat.S_ISREG(here.st_mode)


def _claim(folder: Path, prefix: str) -> tuple[Path, int]:
    """Make a folder of our own and lock its claim."""
    for _ in range(MOST_TRIES):
        token = secrets.token_hex(TOKEN_DIGITS // 2)
        room = folder / f"{prefix}{token}"
        room.mkdir(0o700)
        with _holding:
            _held.add(token)
        lock = None
        try:
            lock = _open_claim(room / f"{token}.claim")
        finally:
            if lock is None:
                _give_up(room, None)
                with suppress(OSError):  # its claim could not even be looked for
                    room.rmdir()
        if lock is not None:
            return room, lock
    raise BlockingIOError(errno.EAGAIN, "others clear it all the time", str(folder))


def _open_claim(path: Path) -> int | None:
    """Make a claim and lock it; None where a sweeper was quicker."""
    try:
        opened = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    except FileNotFoundError:
        return None
    try:
        if _lock_if_possible(opened) and _is_at(opened, path):
            os.write(opened, _own_line())
            return opened
    except BaseException:
        os.close(opened)
        raise
    os.close(opened)
    return None


def _lock_if_possible(opened: int) -> bool:
    """Lock a file of our own; False where a sweeper has it. Some disks and machines have no locks:
    there nobody can sweep it either."""
    try:
        if fcntl is not None:
            fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


def _give_up(room: Path, lock: int | None, keep: Keep | None = None) -> None:
    """Clear a folder of our own, the claim last, and let go of it."""
    if lock is not None and fcntl is None:  # there an open file can't be removed
        os.close(lock)
        lock = None
    try:
        if keep is None or not keep(room):
            with suppress(OSError):
                _clear(room)
    finally:
        if lock is not None:
            os.close(lock)
        with _holding:
            _held.discard(_token(room))


def _clear(room: Path) -> None:
    claim = room / f"{_token(room)}.claim"
    for left in os.listdir(room):
        if left != claim.name:
            remove(room / left)
    claim.unlink(missing_ok=True)
    room.rmdir()


def remove(path: Path) -> None:
    """Remove a file, a link itself, or a folder with all in it; OSError where it is refused."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def _token(room: Path) -> str:
    return room.name[-TOKEN_DIGITS:]


def _own_line() -> bytes:
    return f"{OWN_LINE}{socket.gethostname()}/{_machine()}\n".encode()


@cache
def _machine() -> str:
    """What tells machines apart that are called alike: their number, else that of their network."""
    try:
        return Path("/etc/machine-id").read_text("ascii").strip()[:64] or f"{uuid.getnode():x}"
    except (OSError, ValueError):
        return f"{uuid.getnode():x}"


def sweep(folder: Path, prefix: str = PREFIX, keep: Keep | None = None) -> None:
    """Clear what dead makers left in `folder` under a prefix, but what `keep` says yes to.

    Never raises for what the disk refuses: it is left, and the command goes on.
    """
    if fcntl is None:
        return
    named = re.compile(re.escape(prefix) + TOKEN)
    with suppress(OSError):
        for room in (folder / name for name in os.listdir(folder) if named.fullmatch(name)):
            with suppress(OSError, Taken):
                if _is_own_folder(room) and not (keep is not None and keep(room)):
                    _sweep(room)


def _is_own_folder(room: Path) -> bool:
    """Whether it is a folder of this user's, and nobody in this process is at work in it."""
    status = os.lstat(room)
    with _holding:
        held = _token(room) in _held
    return stat.S_ISDIR(status.st_mode) and status.st_uid == os.geteuid() and not held


def _sweep(room: Path) -> None:
    claim = room / f"{_token(room)}.claim"
    try:
        lock = _open_locked(claim)
    except FileNotFoundError:
        room.rmdir()  # it was not claimed yet: gone if it is empty, left alone if it is not
        return
    if lock is None:
        return
    try:
        if _may_go(room, os.pread(lock, LONGEST_LINE, 0)):
            _clear(room)
    finally:
        os.close(lock)


def _may_go(room: Path, line: bytes) -> bool:
    """Whether a folder whose claim nobody holds may be cleared, by what the claim says."""
    if line == _own_line():
        return True
    if _own_line().startswith(line):  # its maker died before the line was whole, or the power went
        return len(os.listdir(room)) == 1 or untouched_for(room, A_WEEK_S)
    return LINE.fullmatch(line) is not None and untouched_for(room, A_WEEK_S)


def untouched_for(path: Path, seconds: float) -> bool:
    """Return whether neither a path nor anything below it has changed for so long.

    Links are not followed. Raises OSError for what can't be looked at.
    """
    latest = os.lstat(path).st_mtime
    for home, folders, files in os.walk(path):
        latest = max([latest, *(os.lstat(Path(home, name)).st_mtime for name in folders + files)])
    return time.time() - latest > seconds
