"""Comparing two versions of a mix."""

from __future__ import annotations

from pathlib import Path
from typing import Unpack

from mixwright.api.loading import Options, planner, said_in
from mixwright.comparing.compare import Compared, compare_sheets, compare_versions
from mixwright.comparing.versions import load_version
from mixwright.rendering.session import Session
from mixwright.sheet import Sheet


def compare(
    old: Sheet | str | Path,
    new: Sheet | str | Path,
    *,
    only_sheet: bool = False,
    **options: Unpack[Options],
) -> Compared:
    """Compare two versions of a mix: what the sheets say, and how the mixes sound.

    Each is a sheet, its path, or ``REVISION:PATH`` as git takes it; sound files are read from the
    working tree. With `only_sheet` they need not be there, and nothing is rendered. Whatever is
    found, it is no verdict: `has_changes` of the result says whether there is a change at all.
    Raises ProblemError.

    >>> import mixwright
    >>> compared = mixwright.compare("HEAD~1:mix.yaml", "mix.yaml")  # doctest: +SKIP
    >>> [str(change) for change in compared.changes]  # doctest: +SKIP
    ['balance: lead_vocal: fader -4.5 -> -3.7 dB (+0.8)']
    """
    session = Session(**options)
    before, after = (
        load_version(given, allow_outside=session.allow_outside, needs_files=not only_sheet)
        for given in (old, new)
    )
    if only_sheet:
        return compare_sheets(before, after)
    with said_in(after.sheet, before.sheet):
        return compare_versions(before, after, planner(session), session)
