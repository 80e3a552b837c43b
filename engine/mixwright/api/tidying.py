"""Tidying a sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from mixwright.sheet.tidy import Tidied


def tidy(path: str | Path, *, check: bool = False) -> Tidied:
    """Put a sheet's keys, lines and numbers in order; it means the same, and comments stay.

    With `check` nothing is written: the result says whether the sheet `is_changed` by it, and its
    `diff` what would be. The sheet's sound files need not be there. Raises ProblemError for a sheet
    with faults, and when the disk refuses; the file is then as it was.

    >>> import mixwright
    >>> mixwright.tidy("mix.yaml", check=True).is_changed  # doctest: +SKIP
    False
    """
    from mixwright.sheet.tidy import tidy_sheet

    return tidy_sheet(path, check=check)
