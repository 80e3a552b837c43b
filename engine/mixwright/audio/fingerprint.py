"""A file's fingerprint: the SHA-256 of its bytes (FIPS 180-4)."""

from __future__ import annotations

import hashlib
from pathlib import Path


def sha256_of(path: str | Path) -> str:
    """Return the hash of a file's bytes in hex; OSError where it can't be read.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = Path(folder, "abc").write_bytes(b"abc")
    ...     sha256_of(Path(folder, "abc"))[:16]  # the first example of FIPS 180-2
    'ba7816bf8f01cfea'
    """
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
