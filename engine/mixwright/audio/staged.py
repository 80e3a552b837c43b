"""A file appears under its own name only when it is complete: it is written beside and renamed.

What the machine refuses on the way (full disk, permission, a name) is told as a problem.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import soundfile

from mixwright.problem import Fault, Problem, ProblemError

# What the user can mend by giving another name.
BAD_NAMES = (errno.ENAMETOOLONG, errno.ENOTDIR, errno.EEXIST, errno.EINVAL, errno.EISDIR)
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


@contextmanager
def told_as_problem(path: Path) -> Iterator[None]:
    """Turn the machine's refusals (full disk, permission) into a ProblemError with the file."""
    try:
        yield
    except (OSError, soundfile.LibsndfileError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        message = f"{path} can't be written: {reason}"
        if getattr(error, "errno", None) in BAD_NAMES:
            problem = Problem("output/bad-name", message, help="give another --out")
        else:
            full = getattr(error, "errno", None) in FULL
            hint = "free some space or " if full else ""
            hint += "choose another --out; nothing was changed"
            problem = Problem("output/machine", message, help=hint, fault=Fault.MACHINE)
        raise ProblemError([problem]) from error


@contextmanager
def written_beside(target: Path) -> Iterator[Path]:
    """Give a path to write to that takes the place of `target` when all went well.

    Raises ProblemError when the disk refuses; leaves no debris.
    """
    beside = target.with_name(f".{target.name}.part-{os.getpid()}")
    try:
        with told_as_problem(target):
            yield beside
            os.replace(beside, target)
    finally:
        beside.unlink(missing_ok=True)
