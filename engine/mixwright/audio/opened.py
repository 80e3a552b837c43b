"""A recording as the sound library has it: the one place where our own process opens any to read.

By number and not by name, so that what is opened is the file that was looked at, and so that its
name tells the library nothing.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import soundfile

from mixwright.problem import Fault, Problem, ProblemError

if TYPE_CHECKING:
    from mixwright.audio.probe import StemInfo


@contextmanager
def opened_file(path: Path) -> Iterator[int]:
    """Give the number of an open plain file; OSError for what can't be opened or isn't one."""
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    number = os.open(path, flags)
    try:
        if not stat.S_ISREG(os.fstat(number).st_mode):
            raise OSError(0, "it is not a plain file")
        yield number
    finally:
        os.close(number)


def unreadable(what: str, error: Exception, reason: str | None = None) -> ProblemError:
    """Return the error of something that can't be read: `reason`, else the machine's.

    The fault is the machine's where it refuses a file that is there.
    """
    reason = reason or getattr(error, "strerror", None) or str(error)
    refused = isinstance(error, OSError) and not isinstance(error, FileNotFoundError)
    fault = Fault.MACHINE if refused else Fault.INPUT
    return ProblemError.of("audio/unreadable", f"{what} can't be read: {reason}", fault=fault)


def changed(name: str) -> ProblemError:
    """Return the error of a file that isn't what it was a moment ago: somebody writes to it."""
    message = f"{name} was changed while it was being read, expected it to stay as it was"
    hint = "let it be written to its end, then try again; nothing was changed"
    return ProblemError.of("audio/changed", message, hint, fault=Fault.MACHINE)


@contextmanager
def opened(info: StemInfo) -> Iterator[soundfile.SoundFile]:
    """Give a recording that was probed; ProblemError if it is another one by now.

    Raises what the library raises where it is damaged, and OSError where the machine refuses.
    """
    with opened_file(info.path) as number:
        if not info.is_still(os.fstat(number)):
            raise changed(info.path.name)
        with soundfile.SoundFile(number, closefd=False) as file:
            found = (file.format, file.subtype, file.samplerate, file.channels, file.frames)
            if found != (info.container, info.subtype, info.rate_hz, info.channels, info.frames):
                raise changed(info.path.name)
            yield file


def refuse_changed(infos: Iterable[StemInfo]) -> None:
    """Refuse to go on with recordings that were written to since they were probed.

    One that was removed is let be: what was opened before could be read to its end. Raises
    ProblemError (fault MACHINE) that names each file.
    """
    by_path = {info.path: info for info in infos}
    if found := [problem for info in by_path.values() for problem in _changes(info)]:
        raise ProblemError(found)


def _changes(info: StemInfo) -> tuple[Problem, ...]:
    try:
        now = os.stat(info.path)
    except OSError:
        return ()
    return () if info.is_still(now) else changed(info.path.name).problems
