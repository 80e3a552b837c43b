"""What versions before this one left when they were killed: cleared where that is proven.

They held no locks. So a leftover has to be called exactly as they called it, to hold nothing but
what they put there, to be this user's, to have lain untouched for a day, and its maker, where the
name says which process that was, has to be gone. Whatever can't be told from a file of the user's
is left.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

from mixwright.claims import A_DAY_S, remove, untouched_for

PART = re.compile(r"\.(?P<name>.+)\.part-(?P<maker>\d{1,9})", re.DOTALL)
# By the beginning of a folder's name: what all in it was called.
FOLDERS = {
    ".mixwright-set-": re.compile(r"(mix|bypass)-.*\.(wav|flac)|\..*\.part-\d+"),
    ".mixwright-review-": re.compile(r"(reference-)?\d+\.wav"),
    "mixwright-measure-": re.compile(r"(?!)"),  # these held nameless files alone
    "mixwright-compare-": re.compile(r"(?!)"),
}
SPOOL = ".mixwright-spool-"
RANDOM = re.compile(r"[a-z0-9_]{8}")


def clear_earlier(folder: Path, names: Iterable[str] = ()) -> None:
    """Clear what an earlier version left in `folder`, halves of files called `names` among it.

    Never raises for what the disk refuses: it is left, and the command goes on.
    """
    wanted = set(names)
    with suppress(OSError):
        for name in os.listdir(folder):
            with suppress(OSError):
                if _is_left(folder / name, wanted) and untouched_for(folder / name, A_DAY_S):
                    remove(folder / name)


def is_random(name: str, prefix: str) -> bool:
    """Return whether a name is that prefix and eight characters, as Python makes them up.

    >>> is_random(".mixwright-set-x1_yz2ab", ".mixwright-set-"), is_random("set-list", "set-")
    (True, False)
    """
    return name.startswith(prefix) and RANDOM.fullmatch(name.removeprefix(prefix)) is not None


def _is_left(path: Path, wanted: set[str]) -> bool:
    """Whether something is what an earlier version left, by its name, its kind and its owner."""
    if (part := PART.fullmatch(path.name)) is not None:
        if part["name"] not in wanted or _is_alive(int(part["maker"])):
            return False
        return _is_own(path, stat.S_ISREG)
    if is_random(path.name, SPOOL):  # its name was taken away at once: at most it is empty
        return _is_own(path, stat.S_ISREG) and os.lstat(path).st_size == 0
    for prefix, inside in FOLDERS.items():
        if is_random(path.name, prefix) and _is_own(path, stat.S_ISDIR):
            return all(
                inside.fullmatch(name) and stat.S_ISREG(os.lstat(path / name).st_mode)
                for name in os.listdir(path)
            )
    return False


def _is_own(path: Path, is_kind: Callable[[int], bool]) -> bool:
    status = os.lstat(path)
    owner = os.geteuid() if hasattr(os, "geteuid") else status.st_uid
    return is_kind(status.st_mode) and status.st_uid == owner


def _is_alive(process: int) -> bool:
    """Whether there is such a process on this machine, whosever it is, or it can't be told."""
    if os.name == "nt":  # there this would not ask, but interrupt
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True  # somebody else's
    return True
