"""A file's fingerprint: the SHA-256 of its bytes (FIPS 180-4), worked out once while it lies there.

By path, size, times and inode it is told whether a file is still the same one. That is remembered
in this process, and by who has a memory in later ones too.
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
# A clock of files ticks every 2 s at the slowest (FAT, from memory): one that was written to more
# recently could be written to again and still lie as before.
SETTLED_S = 2.0


class Memory(Protocol):
    """Where what was found is kept from one run to the next, by what it depends on."""

    def get(self, depends: str) -> Any:
        """Return what was kept for exactly this, None if nothing was."""

    def put(self, depends: str, value: Any) -> None:
        """Keep plain data."""


@dataclass(frozen=True)
class Lies:
    """How a file lies on disk: by this is told whether it is still the same one."""

    size: int
    modified_ns: int
    changed_ns: int
    inode: int

    @classmethod
    def of(cls, status: os.stat_result) -> Lies:
        """Return it from what the system says."""
        return cls(status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)

    @property
    def is_settled(self) -> bool:
        """Whether it has been as it is for so long that a change would show."""
        return time.time() - max(self.modified_ns, self.changed_ns) / 1e9 > SETTLED_S


# What was hashed in this process.
_known: dict[tuple[Path, Lies], str] = {}


def sha256_of(path: str | Path) -> str:
    """Return the hash of a file's bytes in hex; OSError where it can't be read.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = Path(folder, "abc").write_bytes(b"abc")
    ...     sha256_of(Path(folder, "abc"))[:16]  # FIPS 180-4's example, from memory
    'ba7816bf8f01cfea'
    """
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def content_of(path: Path, lies: Lies, memory: Memory | None = None) -> str | None:
    """Return the hash of a file that lay like this, recalled where it was hashed before.

    None for one that lies otherwise by now; OSError where it can't be read.
    """
    path = path.absolute()
    if (known := _known.get((path, lies))) is not None:
        return known
    depends = repr(("sha256", str(path), *astuple(lies)))
    kept = None if memory is None else memory.get(depends)
    if isinstance(kept, str) and SHA256.fullmatch(kept):
        found = kept
    else:
        settled, found = lies.is_settled, sha256_of(path)
        if Lies.of(os.stat(path)) != lies:
            return None
        if not settled:
            return found
        if memory is not None:
            memory.put(depends, found)
    if len(_known) >= MOST_KNOWN:
        _known.clear()
    _known[path, lies] = found
    return found
