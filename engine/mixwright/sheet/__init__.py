"""The mix sheet: text -> tree -> shape -> meaning -> model.

>>> from mixwright.sheet import load_sheet
>>> load_sheet("mix.yaml").song.title  # doctest: +SKIP
'Lanterns at Low Tide'
"""

from __future__ import annotations

from pathlib import Path

from mixwright.sheet.deliverables import Cover, Labels, Loudness, Release, Variant
from mixwright.sheet.length import check_length
from mixwright.sheet.model import (
    ROLES,
    STEPS,
    Accept,
    Band,
    Bus,
    BusAutomation,
    Compressor,
    Delivery,
    Group,
    PathKey,
    Point,
    Points,
    Reference,
    Return,
    Sheet,
    Song,
    StepName,
    Track,
    TrackAutomation,
)
from mixwright.sheet.schema import schema_path
from mixwright.sheet.text import SheetText, load_text

__all__ = [
    "ROLES",
    "STEPS",
    "Accept",
    "Band",
    "Bus",
    "BusAutomation",
    "Compressor",
    "Cover",
    "Delivery",
    "Group",
    "Labels",
    "Loudness",
    "PathKey",
    "Point",
    "Points",
    "Reference",
    "Release",
    "Return",
    "Sheet",
    "SheetText",
    "Song",
    "StepName",
    "Track",
    "TrackAutomation",
    "Variant",
    "check_length",
    "load_sheet",
    "load_sheet_text",
    "load_text",
    "schema_path",
]


def load_sheet(path: str | Path, *, allow_outside: bool = False) -> Sheet:
    """Read, check and build the mix sheet at `path`.

    Files it names must be there and, unless `allow_outside`, inside its folder; they are not
    opened. Raises ProblemError with every problem found, in the order of the sheet's lines.

    >>> load_sheet("mix.yaml").tracks[0].gain_db  # doctest: +SKIP
    -4.5
    """
    return load_sheet_text(load_text(path), path, allow_outside=allow_outside)


def load_sheet_text(
    text: SheetText, path: str | Path, *, allow_outside: bool = False, needs_files: bool = True
) -> Sheet:
    """Check and build the mix sheet of a text that lies, or once lay, at `path`.

    The files it names are looked for beside `path`; without `needs_files` it does not matter
    whether they are there. Messages go by the name that `text` has. Raises ProblemError as
    :func:`load_sheet` does.
    """
    from mixwright.sheet.loading import read_sheet

    return read_sheet(text, Path(path), allow_outside=allow_outside, needs_files=needs_files)[1]
