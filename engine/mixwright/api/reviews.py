"""The review page of a mix."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from mixwright.api.loading import check_threads, loaded_sheet, plan, said_in
from mixwright.comparing.versions import Version, load_version, revision_names
from mixwright.sheet import Sheet, StepName

if TYPE_CHECKING:
    from mixwright.rendering import Plan
    from mixwright.rendering.perform import StageProgress
    from mixwright.reviewing.review import Reviewed


def review(
    sheet: Sheet | str | Path,
    out: str | Path | None = None,
    *,
    against: Sheet | str | Path | None = None,
    threads: int | None = None,
    keep_cache: bool = True,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> Reviewed:
    """Write a page to listen and read by: the steps, variants and references in sync, all figures.

    `out` is its folder, ``review`` beside the sheet if left out: ``index.html`` opens from disk,
    with its sounds in ``audio``. `against` is the version to compare with: a sheet, its path,
    ``REVISION:PATH``, or a git revision of this very sheet. Raises ProblemError.

    >>> import mixwright
    >>> mixwright.review("mix.yaml", against="HEAD~1").page  # doctest: +SKIP
    PosixPath('review/index.html')
    """
    from mixwright.comparing.together import Work
    from mixwright.reviewing.review import default_folder, review_sheet

    check_threads(threads)
    sheet = loaded_sheet(sheet, allow_outside)
    before = None if against is None else _version(against, sheet, allow_outside)
    folder = default_folder(sheet) if out is None else Path(out)

    def plan_of(changed: Sheet, step: StepName) -> Plan:
        return plan(changed, through=step, allow_plugins=allow_plugins, keep_cache=keep_cache)

    with said_in(sheet):
        named = None if before is None else (_shown(before), before.sheet)
        return review_sheet(sheet, named, plan_of, folder, Work(threads, progress, keep_cache))


def _shown(version: Version) -> str:
    """What a version is called on the page: a revision, or a file without the folders above it."""
    return version.name if version.revision is not None else Path(version.name).name


def _version(against: Sheet | str | Path, sheet: Sheet, allow_outside: bool) -> Version:
    """The version to compare with; a word that is no file and has no path is a revision."""
    is_revision = isinstance(against, str) and ":" not in against and not Path(against).exists()
    if is_revision and Path(str(against)).suffix not in (".yaml", ".yml"):
        against = revision_names(str(against), str(sheet.path))[0]
    return load_version(against, allow_outside=allow_outside)
