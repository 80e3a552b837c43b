"""Faults that were found and are not mended yet: counted, but not told again each time.

To be empty. ``MIXWRIGHT_FUZZ_STRICT=1`` tells all of them.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterable
from fnmatch import fnmatch

# What a killed command leaves, and the next run does not clear: names of files and folders.
NOT_CLEARED = (
    *(".*.part-*", ".mixwright-set-*", ".mixwright-review-*", ".mixwright-verify-*"),
    *("mixwright-measure-*", "*.json.*"),
)
# What a fault is known by, and what is wrong.
KNOWN = {
    "a part that can't be removed is a bug of ours": r"status, 70(.|\n)*(part-\d|_rmtree)",
    "an entry of the cache that is nested deeply": r"status, 70(.|\n)*RecursionError",
    "a number of the cache that was edited": r"^with numbers that were edited, ",
    "a read that fails is a bad recording": r"EIO isn't told: [^\n]*-> 2\n",
    "a recording that changes meanwhile, but for a render": r"neither of two recordings",
}


def is_spared(file: str) -> bool:
    """Whether a file, or a folder on the way to it, is known to be left."""
    return not _strict() and any(
        fnmatch(part, pattern) for part in file.split("/") for pattern in NOT_CLEARED
    )


def first_new(faults: Iterable[str], tried: Counter[str]) -> str | None:
    """Return the first fault, None if it is known and so counted: the others follow from it."""
    if (fault := next(iter(faults), None)) is None:
        return None
    names = () if _strict() else (name for name, words in KNOWN.items() if re.search(words, fault))
    if (known := next(iter(names), None)) is None:
        return fault
    tried[f"known: {known}"] += 1
    return None


def _strict() -> bool:
    return bool(os.environ.get("MIXWRIGHT_FUZZ_STRICT"))
