"""What was measured and need not be measured again, one small file each, in the user's cache.

The key names everything it depends on, see :mod:`mixwright.rendering.identity`; the version of this
tool is added. Losing the cache, or finding it damaged, costs time, never a different result.

It does not grow without bound. Each kind of thing is spread evenly over 256 folders, and none of
these keeps more than `FULL_BYTES`: who adds to one removes first what was not asked for in the
longest time, and what nobody has asked for in half a year. Nothing has to be counted or locked for
that: several processes may do the same at once, and who reads what another removes measures again.

Why no library: `diskcache`, the one that fits (5.6.3, of 2023, is its last release), unpickles what
it finds (CVE-2025-69872), where a cache must hold data and no code; it keeps its index in SQLite,
whose locks can't be relied on where a home lies on a network (its own documentation says so); and
it would replace the eviction, ten lines, but not the seals.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from mixwright.claims import A_DAY_S, claimed, sweep
from mixwright.version import __version__

# Raised whenever a processor comes to sound different at the same settings.
SOUND = 3
# What a third-party plug-in does may change behind our back: nothing that depends on one is kept.
FOREIGN = "\0foreign "
# More than the findings of a hundred tracks; what is longer is not ours.
MOST_BYTES = 8 * 2**20
# 256 MiB a kind, at most 65,536 entries, where a version of a song needs some thirty: our choice,
# more than anybody comes back to, and about as much as the stems of one song.
FULL_BYTES = 2**20
DISK_BLOCK_BYTES = 4096  # what a file takes at least on a common disk
OLD_S = 183 * A_DAY_S
# Of a float's whole range, from its smallest amplitude to its largest, in dB (IEEE 754 binary64).
MOST_DB = 13000.0
ENTRY = re.compile(r"[0-9a-f]{62}\.json")


class DataCache:
    """Plain JSON data, its keys text, by what it depends on; `folder` None keeps nothing.

    Each entry carries a seal: a hash over what it depends on and its value. One that was cut short,
    changed, put under another's name, or written by something else is not believed, and what it
    stood for is measured again. This guards against damage and mix-ups. It is no defence against
    somebody who may write to the cache and means to deceive: the seal takes no secret.
    """

    def __init__(self, folder: Path | None, kind: str) -> None:
        self._folder = None if folder is None else folder / kind
        if self._folder is not None:
            sweep(self._folder)

    def get(self, depends: str) -> Any:
        """Return what was kept for exactly these dependencies, None if nothing was."""
        if self._folder is None or FOREIGN in depends:
            return None
        try:
            path = self._path(depends)
            entry = json.loads(_plain_bytes(path))
            if entry["seal"] != self._seal(depends, entry["value"]):
                return None
            with suppress(OSError):  # where nobody may write it ages all the same
                os.utime(path)
            return entry["value"]
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return None  # absent or damaged: measured again, which is always right

    def put(self, depends: str, value: Any) -> None:
        """Keep something; a cache that can't be written to is as good as none."""
        if self._folder is None or FOREIGN in depends:
            return
        text = json.dumps({"seal": self._seal(depends, value), "value": value})
        if len(text) > MOST_BYTES:
            return
        try:
            path = self._path(depends)
            path.parent.mkdir(parents=True, exist_ok=True)
            _make_room(path.parent)
            with claimed(self._folder) as room:
                (room / "1").write_text(text, "ascii")
                os.replace(room / "1", path)
        except OSError:
            return  # read-only home or full disk: the render itself does not need this

    def _path(self, depends: str) -> Path:
        assert self._folder is not None
        digest = self._digest(depends)
        return self._folder / digest[:2] / f"{digest[2:]}.json"

    def _digest(self, depends: str) -> str:
        return hashlib.sha256(
            f"{__version__}/{SOUND}\n{depends}".encode("utf-8", "surrogatepass")
        ).hexdigest()

    def _seal(self, depends: str, value: Any) -> str:
        """The hash of an entry: of its kind, of all it depends on, and of its value."""
        assert self._folder is not None
        text = f"{self._folder.name}\n{self._digest(depends)}\n{json.dumps(value, sort_keys=True)}"
        return hashlib.sha256(text.encode()).hexdigest()


def _plain_bytes(path: Path) -> bytes:
    """What a plain file of a sane size holds; ValueError or OSError for anything else."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    with open(os.open(path, flags | getattr(os, "O_BINARY", 0)), "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise ValueError(f"{path} is no file")
        data = file.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise ValueError(f"{path} is too long")
    return data


def _make_room(folder: Path) -> None:
    """Remove entries beyond what a folder may hold, those that were not asked for longest first."""
    now, left = time.time(), FULL_BYTES
    entries: list[tuple[float, int, str]] = []
    for found in os.scandir(folder):
        if ENTRY.fullmatch(found.name) and found.is_file(follow_symlinks=False):
            status = found.stat(follow_symlinks=False)
            blocks = -(-status.st_size // DISK_BLOCK_BYTES)
            if status.st_mtime + OLD_S < now:
                _remove(found.path)
            else:
                entries.append((status.st_mtime, blocks * DISK_BLOCK_BYTES, found.path))
    for _, size, path in sorted(entries, reverse=True):
        if size > left:
            _remove(path)
        else:
            left -= size


def _remove(path: str) -> None:
    Path(path).unlink(missing_ok=True)  # another may be quicker


class NumberCache(DataCache):
    """Levels in dB; whatever is no level that a sound can have was not kept by us."""

    def __init__(self, folder: Path | None) -> None:
        super().__init__(folder, "levels")

    def get(self, depends: str) -> float | None:
        """Return the number kept for exactly these dependencies, if there is one."""
        value = super().get(depends)
        return value if isinstance(value, float) and abs(value) <= MOST_DB else None


class Remembered(NumberCache):
    """Levels that are also kept while this lasts: mixes of one song have most of them in common."""

    def __init__(self, folder: Path | None) -> None:
        super().__init__(folder)
        self._values: dict[str, float] = {}

    def get(self, depends: str) -> float | None:
        """Return the number found before for exactly these dependencies, now or earlier."""
        known = self._values.get(depends)
        return super().get(depends) if known is None else known

    def put(self, depends: str, value: float) -> None:
        """Keep a number."""
        self._values[depends] = value
        super().put(depends, value)
