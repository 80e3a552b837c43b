"""A file appears under its own name only when it is complete: it is written beside and renamed.

What the machine refuses on the way (full disk, permission, a name) is told as a problem.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import soundfile

from mixwright.audio.leftovers import clear_earlier
from mixwright.claims import claimed
from mixwright.problem import Fault, Problem, ProblemError

# What the user can mend by giving another name.
BAD_NAMES = (errno.ENAMETOOLONG, errno.ENOTDIR, errno.EEXIST, errno.EINVAL, errno.EISDIR)
# Where the machine doesn't say, what most take.
LONGEST_NAME, LONGEST_PATH = 255, 4096
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
def aside(folder: Path, names: Iterable[str]) -> Iterator[Path]:
    """Give a place inside `folder` for files that are to be renamed to `names` when they are whole.

    Raises ProblemError when the disk refuses; what is left in it is removed.
    """
    with ExitStack() as kept:
        with told_as_problem(folder):
            clear_earlier(folder, names)
            room = kept.enter_context(claimed(folder))
        yield room


@contextmanager
def written_beside(target: Path) -> Iterator[Path]:
    """Give a path to write to that takes the place of `target` when all went well.

    It says nothing of the target's name, which may be as long as the disk takes. Raises
    ProblemError when the disk refuses; leaves no debris.
    """
    with told_as_problem(target):
        clear_earlier(target.parent, [target.name])
        with claimed(target.parent) as room:
            beside = room / "1"
            yield beside
            os.replace(beside, target)


def check_name(path: Path, help: str = "give another --out") -> None:
    """Refuse a path that the disk it is to lie on can't take: a name in it, or all of it, too long.

    Nothing is made. Raises ProblemError with `help`.
    """
    try:
        names = [os.fsencode(part) for part in path.absolute().parts]
    except ValueError:
        names = [b"\0"]
    home = path.absolute().parent
    with told_as_problem(path):
        if any(b"\0" in name for name in names):
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        longest, longest_path = _limits(home)
    message = None
    for name in names:
        if len(name) > longest:
            is_last = name == names[-1]
            shown = f"{path}: the name" if is_last else f"{path}: the name of a folder"
            message = f"{shown} takes {len(name)} bytes, expected at most {longest} on this disk"
    if message is None and sum(map(len, names)) + len(names) - 1 >= longest_path:
        message = f"{path}: the path is too long, expected less than {longest_path} bytes"
    if message is not None:
        raise ProblemError([Problem("output/bad-name", message, help=help)])


def _limits(folder: Path) -> tuple[int, int]:
    """How many bytes a name, and a whole path, may take on the disk that a folder is to lie on."""
    for home in (folder, *folder.parents):
        try:
            return os.pathconf(home, "PC_NAME_MAX"), os.pathconf(home, "PC_PATH_MAX")
        except OSError:
            continue  # not there yet, or part of the name that is too long: the one above tells
        except (AttributeError, ValueError):
            break  # a machine without such figures
    return LONGEST_NAME, LONGEST_PATH
