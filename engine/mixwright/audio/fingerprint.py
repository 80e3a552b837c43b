"""By what a file is told apart from another: the hash of its bytes, and how it lies on disk."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path


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
    def of_content(self) -> tuple[int, int, int]:
        """Without the time that a new name or other rights change as well."""
        return self.size, self.modified_ns, self.inode


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
