"""A file appears under its own name only when it is complete: it is written beside and renamed.

What the machine refuses on the way (full disk, permission, a name) is told as a problem.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import soundfile

from mixwright.claims import claimed
from mixwright.problem import Fault, ProblemError

# What the user can mend by giving another name.
BAD_NAMES = (errno.ENAMETOOLONG, errno.ENOTDIR, errno.EEXIST, errno.EINVAL, errno.EISDIR)
# Of a name where the machine doesn't say, and of a path (Linux has 4096); of one that the sound
# library can open (its SF_FILENAME_LEN). In bytes, the end included.
LONGEST_NAME, LONGEST_PATH, LONGEST_SOUND_PATH = 255, 4096, 1024
# What the folder takes in which a file is made before it has its name.
ROOM_BYTES = 64
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
            raise ProblemError.of("output/bad-name", message, "give another --out") from error
        hint = "free some space or " if getattr(error, "errno", None) in FULL else ""
        hint += "choose another --out; nothing was changed"
        raise ProblemError.of("output/machine", message, hint, fault=Fault.MACHINE) from error


@contextmanager
def aside(folder: Path) -> Iterator[Path]:
    """Give a place inside `folder` for files that are to be renamed into it when they are whole.

    Raises ProblemError when the disk refuses; what is left in it is removed.
    """
    with ExitStack() as kept:
        with told_as_problem(folder):
            room = kept.enter_context(claimed(folder))
        yield room


@contextmanager
def written_beside(target: Path) -> Iterator[Path]:
    """Give a path to write to that takes the place of `target` when all went well.

    It says nothing of the target's name, which may be as long as the disk takes. Raises
    ProblemError when the disk refuses; leaves no debris.
    """
    with told_as_problem(target), claimed(target.parent) as room:
        beside = room / "1"
        yield beside
        os.replace(beside, target)


def check_name(path: Path, help: str = "give another --out", longest: int = LONGEST_PATH) -> None:
    """Refuse a path that the disk it is to lie on can't take: a name in it, or all of it, too long.

    `longest` is what all of it may take, in bytes; for sound files that is LONGEST_SOUND_PATH.
    Nothing is made. Raises ProblemError with `help`.
    """
    try:
        names = [os.fsencode(part) for part in path.parts]
    except ValueError:
        names = [b"\0"]
    most, longest = _longest_name(path.absolute().parent), longest - ROOM_BYTES
    message = None
    if any(b"\0" in name for name in names):
        message = f"{str(path)!r} is no name that a disk can take"
    elif long := [name for name in names if len(name) > most]:
        what = "its name" if long[-1] is names[-1] else "the name of a folder"
        message = f"{path} can't be written: {what} takes {len(long[-1])} bytes, "
        message += f"expected at most {most}"
    elif (count := len(os.fsencode(path))) > longest:
        message = f"{path} can't be written: the path takes {count} bytes, "
        message += f"expected at most {longest}"
    if message is not None:
        raise ProblemError.of("output/bad-name", message, help)


def _longest_name(folder: Path) -> int:
    """How many bytes a name may take on the disk that a folder is to lie on."""
    for home in (folder, *folder.parents):
        try:
            return os.pathconf(home, "PC_NAME_MAX")
        except OSError:
            continue  # not there yet, or part of the name that is too long: the one above tells
        except (AttributeError, ValueError):
            break  # a machine without such figures
    return LONGEST_NAME
