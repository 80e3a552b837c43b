"""The review page of a mix."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from mixwright.api.loading import Options, loaded_sheet, planner, said_in
from mixwright.comparing.versions import SheetVersion, load_version, revision_names
from mixwright.rendering.session import Session
from mixwright.sheet import Sheet

if TYPE_CHECKING:
    from mixwright.reviewing.review import Reviewed


def review(
    sheet: Sheet | str | Path,
    out: str | Path | None = None,
    *,
    against: Sheet | str | Path | None = None,
    **options: Unpack[Options],
) -> Reviewed:
    """Write a page to listen and read by: the steps, variants and references in sync, all figures.

    `out` is its folder, ``review`` beside the sheet if left out: ``index.html`` opens from disk,
    with its sounds in ``audio``. `against` is the version to compare with: a sheet, its path,
    ``REVISION:PATH``, or a git revision of this very sheet. Raises ProblemError.

    >>> import mixwright
    >>> mixwright.review("mix.yaml", against="HEAD~1").page  # doctest: +SKIP
    PosixPath('review/index.html')
    """
    from mixwright.reviewing.review import default_folder, review_sheet

    session = Session(**options)
    sheet = loaded_sheet(sheet, session)
    before = None if against is None else _version(against, sheet, session)
    folder = default_folder(sheet) if out is None else Path(out)
    with said_in(sheet):
        named = None if before is None else (_shown(before), before.sheet)
        return review_sheet(sheet, named, planner(session), folder, session)


def _shown(version: SheetVersion) -> str:
    """What a version is called on the page: a revision, or a file without the folders above it."""
    return version.name if version.revision is not None else Path(version.name).name


def _version(against: Sheet | str | Path, sheet: Sheet, session: Session) -> SheetVersion:
    """The version to compare with; a word that is no file and has no path is a revision."""
    is_revision = isinstance(against, str) and ":" not in against and not Path(against).exists()
    if is_revision and Path(str(against)).suffix not in (".yaml", ".yml"):
        against = revision_names(str(against), str(sheet.path))[0]
    return load_version(against, allow_outside=session.allow_outside)
