"""The name of a file as the sound library takes it."""

from __future__ import annotations

import os
from pathlib import Path


def library_name(path: Path) -> bytes | Path:
    """Return what the sound library opens `path` by: its bytes, which need not be UTF-8.

    Given text it refuses a name with bytes that are none; where names are text, it gets that.

    >>> library_name(Path("bass.wav")) in (b"bass.wav", Path("bass.wav"))
    True
    """
    return os.fsencode(path) if os.name == "posix" else path
