"""A gate before the disk: every system call of a child that changes files is let through, refused
with an error, delayed, or the last thing it does.

Done with the kernel's system call filter and its notifications (Linux: seccomp(2),
seccomp_unotify(2)), so that what compiled libraries write is held up as well. Where there is no
such thing, `is_there` is False.
"""

from __future__ import annotations

import ctypes
import functools
import os
import platform
import signal
import socket
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass

# Numbers of system calls, from the kernel's tables for both machines.
NUMBERS: dict[str, dict[str, int]] = {
    "x86_64": {
        "write": 1, "open": 2, "pwrite64": 18, "writev": 20, "sendfile": 40, "fsync": 74,
        "fdatasync": 75, "truncate": 76, "ftruncate": 77, "rename": 82, "mkdir": 83, "rmdir": 84,
        "creat": 85, "link": 86, "unlink": 87, "symlink": 88, "openat": 257, "mkdirat": 258,
        "unlinkat": 263, "renameat": 264, "linkat": 265, "symlinkat": 266, "fallocate": 285,
        "renameat2": 316, "copy_file_range": 326,
    },
    "aarch64": {
        "mkdirat": 34, "unlinkat": 35, "symlinkat": 36, "linkat": 37, "renameat": 38,
        "truncate": 45, "ftruncate": 46, "fallocate": 47, "openat": 56, "write": 64, "writev": 66,
        "pwrite64": 68, "sendfile": 71, "fsync": 82, "fdatasync": 83, "renameat2": 276,
        "copy_file_range": 285,
    },
}  # fmt: skip
READS = {"x86_64": {"read": 0, "pread64": 17}, "aarch64": {"read": 63, "pread64": 67}}
SECCOMP = {"x86_64": 317, "aarch64": 277}
# What is given an open file first: standard output is none of the gate's business.
ON_OPEN_FILES = ("write", "pwrite64", "writev", "read", "pread64")
LOAD, EQUAL, ANY_OF, ABOVE, RETURN = 0x20, 0x15, 0x45, 0x25, 0x06
ALLOW, NOTIFY = 0x7FFF0000, 0x7FC00000
FILTER, LISTENER, NO_NEW_PRIVILEGES = 1, 8, 38
RECEIVE, SEND, GO_ON = 0xC0502100, 0xC0182101, 1
OPENS_TO_WRITE = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC
KILL = -1


@dataclass(frozen=True)
class Call:
    """A call that is about to be made: the n-th, its name, and the file where it can be told."""

    count: int
    name: str
    path: str


# Returns 0 to let a call through, KILL to end the process, or the error to refuse it with.
Policy = Callable[[Call], int]


class Gate:
    """Holds the calls of one child up to a policy; `calls` are the names of those that came by."""

    def __init__(self, policy: Policy, reads: bool = False) -> None:
        self._policy, self.calls = policy, list[str]()
        self._numbers = dict((READS if reads else NUMBERS)[platform.machine()])
        self._names = {number: name for name, number in self._numbers.items()}
        self._ours, self._theirs = socket.socketpair()
        self._pid = 0
        self.number: int | None = None

    def keep_only_pipe(self) -> None:
        """Close all other files of a fresh child."""
        kept = self._theirs.fileno()
        os.closerange(3, kept)
        os.closerange(kept + 1, 256)

    def install(self) -> None:
        """In the child: from now on its calls are asked about."""
        number = _filtered(_program(self._numbers))
        socket.send_fds(self._theirs, [b"gate"], [number])
        os.close(number)
        self._theirs.close()

    def receive(self, pid: int) -> None:
        """In the parent: take the gate over."""
        self._pid = pid
        self._theirs.close()
        _, numbers, _, _ = socket.recv_fds(self._ours, 16, 1)
        self.number = numbers[0] if numbers else None
        self._ours.close()

    def decide(self) -> bool:
        """Answer one call; False where there is nobody left to ask."""
        import fcntl

        assert self.number is not None
        asked = bytearray(80)
        try:
            fcntl.ioctl(self.number, RECEIVE, asked)
        except OSError:
            return True  # whoever asked was killed meanwhile
        (mark,) = struct.unpack_from("Q", asked, 0)
        name = self._names[struct.unpack_from("i", asked, 16)[0]]
        arguments = struct.unpack_from("6Q", asked, 32)
        pid = struct.unpack_from("I", asked, 8)[0]
        self.calls.append(name)
        verdict = self._policy(Call(len(self.calls), name, _path(pid, name, arguments)))
        if verdict == KILL:
            os.kill(self._pid, signal.SIGKILL)
            return True
        answer = struct.pack("QqiI", mark, 0, -verdict, 0 if verdict else GO_ON)
        try:
            fcntl.ioctl(self.number, SEND, bytearray(answer))
        except OSError:
            return True
        return True

    def close(self) -> None:
        """Give the gate back."""
        if self.number is not None:
            os.close(self.number)
            self.number = None


def _path(pid: int, name: str, arguments: tuple[int, ...]) -> str:
    """The file that a call is about, as far as it can be seen from outside."""
    try:
        if name in ON_OPEN_FILES or name in ("fsync", "fdatasync", "ftruncate", "fallocate"):
            return os.readlink(f"/proc/{pid}/fd/{arguments[0]}")
        at = arguments[1] if name.endswith(("at", "at2")) else arguments[0]
        with open(f"/proc/{pid}/mem", "rb", buffering=0) as memory:
            memory.seek(at)
            return os.fsdecode(memory.read(512).split(b"\0")[0])
    except (OSError, OverflowError, ValueError):
        return ""


def _program(numbers: dict[str, int]) -> bytes:
    """A filter (seccomp(2)) that asks about these calls, and lets all others through."""
    lines = []
    for name, number in numbers.items():
        lines.append(_line(LOAD, 0, 0, 0))
        if name in ON_OPEN_FILES:
            rest = [_line(LOAD, 0, 0, 16), _line(ABOVE, 0, 1, 2), _line(RETURN, 0, 0, NOTIFY)]
        elif name in ("open", "openat"):
            flags = 32 if name == "openat" else 24
            rest = [_line(LOAD, 0, 0, flags), _line(ANY_OF, 0, 1, OPENS_TO_WRITE)]
            rest.append(_line(RETURN, 0, 0, NOTIFY))
        else:
            rest = [_line(RETURN, 0, 0, NOTIFY)]
        lines.append(_line(EQUAL, 0, len(rest), number))
        lines += rest
    return b"".join([*lines, _line(RETURN, 0, 0, ALLOW)])


def _line(code: int, if_true: int, if_false: int, value: int) -> bytes:
    return struct.pack("HBBI", code, if_true, if_false, value)


class _Filter(ctypes.Structure):
    _fields_ = (("length", ctypes.c_ushort), ("lines", ctypes.c_void_p))


def _filtered(program: bytes) -> int:
    """Put a filter before all that this process does from now on; its listener."""
    library = ctypes.CDLL(None, use_errno=True)
    lines = ctypes.create_string_buffer(program)
    told = _Filter(len(program) // 8, ctypes.addressof(lines))
    if library.prctl(NO_NEW_PRIVILEGES, 1, 0, 0, 0):
        raise OSError(ctypes.get_errno(), "no new privileges")
    number = library.syscall(SECCOMP[platform.machine()], FILTER, LISTENER, ctypes.byref(told))
    if number < 0:
        raise OSError(ctypes.get_errno(), "system calls can't be filtered")
    return int(number)


@functools.cache
def is_there() -> bool:
    """Whether system calls can be held up here."""
    if sys.platform != "linux" or platform.machine() not in NUMBERS:
        return False
    child = os.fork()
    if not child:
        try:
            _filtered(_program({}))
            os._exit(0)
        finally:
            os._exit(1)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
