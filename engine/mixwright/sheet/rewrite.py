"""A sheet's file with new text in it: all of it or nothing."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from mixwright.claims import claimed, sweep
from mixwright.problem import Fault, Problem, ProblemError


def rewrite(path: Path, data: bytes) -> None:
    """Put `data` into the file at `path`, which exists; permissions stay, links are followed.

    Written beside and renamed, so that nobody ever finds half a sheet. Raises ProblemError (fault
    MACHINE) when the disk refuses, or when the file is not to be written to; leaves no debris.
    """
    target = Path(os.path.realpath(path))
    try:
        target.open("r+b").close()
        with claimed(target.parent) as room:
            beside = room / "1"
            _write(beside, data)
            beside.chmod(stat.S_IMODE(target.stat().st_mode))
            os.replace(beside, target)
    except OSError as error:
        message = f"{path} can't be written: {(error.strerror or str(error)).lower()}"
        help = "nothing was changed"
        raise ProblemError(
            [Problem("sheet/unwritable", message, help=help, fault=Fault.MACHINE)]
        ) from error


def clear_beside(path: Path) -> None:
    """Clear what a process that was killed in :func:`rewrite` left beside the file at `path`."""
    sweep(Path(os.path.realpath(path)).parent)


def _write(path: Path, data: bytes) -> None:
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
