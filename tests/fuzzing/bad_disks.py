"""What may befall a command: calls that are refused, limits, files that change, a wrong clock."""

from __future__ import annotations

import errno
import os
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from fuzzing.disk_gate import Call

KINDS_OF_CALLS: dict[str, tuple[str, ...]] = {
    "write": ("write", "pwrite64", "writev", "ftruncate", "fallocate"),
    "open": ("open", "openat", "creat"),
    "rename": ("rename", "renameat", "renameat2", "link", "linkat"),
    "mkdir": ("mkdir", "mkdirat"),
    "sync": ("fsync", "fdatasync"),
    "remove": ("unlink", "unlinkat", "rmdir"),
    "read": ("read", "pread64"),
}
# When space is short, files can be removed and renamed all the same.
NEED_SPACE = ("write", "open", "mkdir", "sync")
NEED_A_DISK = (*NEED_SPACE, "rename")


@dataclass
class Refusal:
    """Refuses the first call of a kind from the `at`-th call on, below a folder; or all of them.

    `path` is that of what was refused, empty while nothing was.
    """

    calls: str
    error: int
    at: int
    lasting: bool
    base: str
    path: str = ""

    def __call__(self, call: Call) -> int:
        """The error to refuse a call with, 0 to let it through."""
        if call.count < self.at or (self.path and not self.lasting) or not self._is_meant(call):
            return 0
        self.path = self.path or call.path
        return self.error

    def _is_meant(self, call: Call) -> bool:
        if call.path.startswith("/") and not call.path.startswith(self.base):
            return False  # nothing of the song, nor of what is kept of it
        there = os.path.lexists(os.path.join(self.base, "song", call.path))
        if self.calls == "remove" and self.error != errno.EROFS and not there:
            return False  # what isn't there can't be refused
        kinds: tuple[str, ...] = (self.calls,)
        if self.calls == "any":
            kinds = NEED_A_DISK if self.error == errno.EIO else NEED_SPACE
        return any(call.name in KINDS_OF_CALLS[kind] for kind in kinds)

    @property
    def keeps_files(self) -> bool:
        """Whether files could not be removed, so that some may be left."""
        return self.calls == "remove" and bool(self.path)


def limits(longest: int | None = None, files: int | None = None, memory: int | None = None) -> None:
    """In the child: no file gets longer than so many bytes, no more than so many are open.

    `memory` is how many bytes of addresses there are.
    """
    import resource

    if longest is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (longest, longest))
    if files is not None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (files, files))
    if memory is not None:
        resource.setrlimit(resource.RLIMIT_AS, (memory, memory))


def befallen(recording: Path, event: str) -> Callable[[], None]:
    """Return what does something to a recording, in passing."""

    def act() -> None:
        if event == "vanish":
            recording.unlink()
        elif event == "touch":
            os.utime(recording, (1.0, 1.0))
        elif event == "shrink":
            os.truncate(recording, recording.stat().st_size // 2)
        elif event == "grow":
            with open(recording, "ab") as file:
                file.write(bytes(50_000))
        elif event == "overwrite":
            data = bytearray(recording.read_bytes())
            data[len(data) // 3 :] = bytes(len(data) - len(data) // 3)
            with open(recording, "r+b") as file:
                file.write(data)
        else:
            beside = recording.with_name("other.part")
            other = recording.with_name("bass.wav" if recording.name != "bass.wav" else "kick.wav")
            shutil.copyfile(other, beside)
            os.replace(beside, recording)

    return act


def wrong_clock(share: float) -> None:
    """In the child: a clock that goes back, an hour each time it is asked."""
    began, real = time.time(), time.time

    def back() -> float:
        nonlocal began
        began -= 3600.0 * share
        return began

    assert real is time.time
    time.time = back
