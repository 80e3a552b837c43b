"""Work that dies before a chosen change to the disk: for the tests of what a kill leaves."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import Any

# What Python tells of before it is done: together with opening to write, all that changes a disk.
CHANGES = ("os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.truncate", "os.link")


def cut_off(work: Callable[[], object], after: int) -> bool:
    """Do some work in a process that dies before change `after` to the disk; False if it lived."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9

    def die(changes: int) -> None:
        if changes > after:
            os._exit(9)

    try:
        _watch(die)
        work()
        os._exit(0)
    finally:
        os._exit(1)


def changes_of(work: Callable[[], object]) -> int:
    """Do some work in a process of its own, and return how many changes to the disk it made."""
    reading, writing = os.pipe()
    if not os.fork():
        try:
            made = []
            _watch(made.append)
            work()
            os.write(writing, str(len(made)).encode())
        finally:
            os._exit(1)
    os.close(writing)
    os.wait()
    with open(reading, "rb") as told:
        return int(told.read())


def _watch(tell: Callable[[int], None]) -> None:
    """Tell of every change before it is made, with its number; there is no way back."""
    changes = 0

    def watch(event: str, arguments: tuple[Any, ...]) -> None:
        nonlocal changes
        opens = event == "open" and arguments[2] & (os.O_WRONLY | os.O_RDWR)
        if opens or event in CHANGES:
            changes += 1
            tell(changes)

    sys.addaudithook(watch)
