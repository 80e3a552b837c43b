"""By what a file is told apart from another: the hash of its bytes, and how it lies on disk.

The hash is worked out once while a file keeps its stamp: that is remembered in this process, and by
who has a memory in later ones too.
"""

from __future__ import annotations

import hashlib
import os
import re
import time
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any, Protocol

SHA256 = re.compile("[0-9a-f]{64}")
MOST_KNOWN = 10_000
# A clock of files ticks every 2 s at the slowest (Microsoft, "FAT32 File System Specification",
# 2000): one that was written to more recently could be written to again and keep its stamp.
SETTLED_S = 2.0


class Memory(Protocol):
    """Where what was found is kept from one run to the next, by what it depends on."""

    def get(self, depends: str) -> Any:
        """Return what was kept for exactly this, None if nothing was."""

    def put(self, depends: str, value: Any) -> None:
        """Keep plain data."""


@dataclass(frozen=True)
class FileStamp:
    """Size in bytes, times of change in ns and number: by these a file is still the same one.

    `modified_ns` is that of its content, `changed_ns` that of its name and rights as well.
    """

    size: int
    modified_ns: int
    changed_ns: int
    inode: int

    @classmethod
    def of(cls, status: os.stat_result) -> FileStamp:
        """Return it from what the system says."""
        return cls(status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)

    @property
    def is_settled(self) -> bool:
        """Whether it has been as it is for so long that a change would show."""
        return time.time() - max(self.modified_ns, self.changed_ns) / 1e9 > SETTLED_S

    @property
    def of_content(self) -> tuple[int, int, int]:
        """Without the time that a new name or other rights change as well."""
        return self.size, self.modified_ns, self.inode


# What was hashed in this process.
_known: dict[tuple[Path, FileStamp], str] = {}


def sha256_of(path: str | Path) -> str:
    """Return the hash of a file's bytes (SHA-256, FIPS 180-4) in hex; OSError if it can't be read.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = Path(folder, "abc").write_bytes(b"abc")
    ...     sha256_of(Path(folder, "abc"))[:16]  # the first example of FIPS 180-2
    'ba7816bf8f01cfea'
    """
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def content_of(path: Path, stamp: FileStamp, memory: Memory | None = None) -> str | None:
    """Return the hash of a file with this stamp, recalled where it was hashed before.

    None for one that has another by now; OSError where it can't be read.
    """
    path = path.absolute()
    if (known := _known.get((path, stamp))) is not None:
        return known
    depends = repr(("sha256", str(path), *astuple(stamp)))
    kept = None if memory is None else memory.get(depends)
    if isinstance(kept, str) and SHA256.fullmatch(kept):
        found = kept
    else:
        settled, found = stamp.is_settled, sha256_of(path)
        if FileStamp.of(os.stat(path)) != stamp:
            return None
        if not settled:
            return found
        if memory is not None:
            memory.put(depends, found)
    if len(_known) >= MOST_KNOWN:
        _known.clear()
    _known[path, stamp] = found
    return found
