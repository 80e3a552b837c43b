"""Hashes of files that are delivered, and recordings that must stay as they were meanwhile."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from mixwright.audio import StemInfo
from mixwright.audio.fingerprint import FileStamp, sha256_of
from mixwright.problem import Fault, Problem, ProblemError


def lying_sha256(path: Path) -> str | None:
    """Return the hash of what lies at a path, None where no file does.

    Raises ProblemError (fault MACHINE) when there is one that can't be read.
    """
    try:
        return sha256_of(path)
    except (FileNotFoundError, NotADirectoryError, IsADirectoryError):
        return None
    except OSError as error:
        message = f"{path} can't be read: {error.strerror}"
        raise ProblemError([Problem("deliver/machine", message, fault=Fault.MACHINE)]) from error


def check_unchanged(infos: Iterable[StemInfo]) -> None:
    """Refuse to go on with stems that are not as they were when they were probed.

    Raises ProblemError (fault MACHINE) that names each one, once.
    """
    problems = {}
    for info in infos:
        try:
            now = FileStamp.of(os.stat(info.path))
        except OSError:
            problems[info.path] = _changed(info, "was removed")
            continue
        if now != info.stamp:
            problems[info.path] = _changed(info, "was changed")
    if problems:
        raise ProblemError(problems.values())


def _changed(info: StemInfo, what: str) -> Problem:
    return Problem(
        "deliver/stem-changed",
        f"{info.path.name} {what} while it was being delivered, expected it to stay as it was",
        help="let it be written to its end, then deliver again",
        fault=Fault.MACHINE,
    )
