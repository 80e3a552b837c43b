"""The two sheets of a comparison: files, or what a git revision holds of one.

A revision gives the text of the sheet alone. Its sound files are read where they lie now, in the
working tree: they are seldom in a repository, and where they are, a revision of a song with all of
its tracks would have to be written out first.
"""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from mixwright.problem import Fault, Problem, ProblemError
from mixwright.sheet import Sheet, load_sheet_text, load_text
from mixwright.sheet.text import sheet_text

# A revision may hold a colon in braces: HEAD@{10:00}, HEAD^{/fix: the bridge}.
_IN_REVISION = re.compile(r"((?:[^:{]|\{[^}]*\})*):(.+)", re.S)
GIVE_NO_FILES = "compare the sheets alone: --only-sheet"


@dataclass(frozen=True)
class SheetVersion:
    """A sheet as one of two; `name` is as it was given, `revision` None for a file."""

    name: str
    sheet: Sheet
    revision: str | None = None


def load_version(
    given: Sheet | str | Path, *, allow_outside: bool = False, needs_files: bool = True
) -> SheetVersion:
    """Return a sheet, read from a file or as ``REVISION:PATH`` from the git repository here.

    As in git, a path is relative to the top of the repository, one that begins with ``./`` to the
    working folder, and without a revision it is what is staged. Raises ProblemError for a sheet
    with faults and where git has nothing of that name.
    """
    if isinstance(given, Sheet):
        return SheetVersion(str(given.path), given)
    name = str(given)
    in_revision = _IN_REVISION.fullmatch(name)
    if in_revision is None and not os.path.lexists(name) and not name.endswith((".yaml", ".yml")):
        hint = f"for a sheet of a git revision: {name}:mix.yaml, or --rev {name} mix.yaml"
        problem = Problem("sheet/no-such-file", f"there is no file {name}", help=hint)
        raise ProblemError([problem])
    if in_revision is None or os.path.lexists(name):
        text = load_text(given)
        options = {"allow_outside": allow_outside, "needs_files": needs_files}
        return SheetVersion(name, load_sheet_text(text, given, **options))
    revision, path = in_revision[1], in_revision[2]
    data, place = _from_git(name, revision, path)
    try:
        sheet = load_sheet_text(
            sheet_text(data, name), place, allow_outside=allow_outside, needs_files=needs_files
        )
    except ProblemError as error:
        raise ProblemError(_asked_for_by(revision, error.problems)) from error
    return SheetVersion(name, sheet, revision)


def revision_names(revisions: str, sheet: str) -> tuple[str, str]:
    """Return the names of two versions of a sheet from ``A..B``; ``A`` alone is against the file.

    `sheet` is a path as seen from the working folder. As in git, a side left out is ``HEAD``.

    >>> revision_names("v1..", "mix.yaml"), revision_names("v1", "mix.yaml")
    (('v1:./mix.yaml', 'HEAD:./mix.yaml'), ('v1:./mix.yaml', 'mix.yaml'))
    """
    path = sheet if os.path.isabs(sheet) else f"./{os.path.normpath(sheet)}".replace("./../", "../")
    old, dots, new = revisions.partition("..")
    if new.startswith("."):
        message = f"'{revisions}' has three dots, expected A..B"
        raise _fault("revision", message, "A...B is from where both part: git merge-base A B")
    if not dots:
        return f"{revisions}:{path}", sheet
    return f"{old or 'HEAD'}:{path}", f"{new or 'HEAD'}:{path}"


def _asked_for_by(revision: str, problems: Iterable[Problem]) -> list[Problem]:
    """Say of a file that isn't there who wants it: in the new sheet it may have another name."""
    wants = f"which {revision} asks for" if revision else "which the staged sheet asks for"
    return [
        replace(p, message=f"{p.message} in the working tree, {wants}", help=GIVE_NO_FILES)
        if p.rule == "sheet/missing-file"
        else p
        for p in problems
    ]


# ---- git ----


def _from_git(name: str, revision: str, path: str) -> tuple[bytes, Path]:
    """Return what a revision holds under a path, and where that lies in the working tree."""
    if revision.startswith("-"):  # git would take it for an option
        raise _fault("revision", f"'{revision}' is no revision, expected one that git knows")
    top = _top_of_repository(name)
    if revision and _git("rev-parse", "--verify", "--quiet", f"{revision}^{{tree}}") is None:
        message = f"git knows no revision '{revision}' here, and there is no file {name}"
        raise _fault("revision", message, "git log --oneline lists revisions")
    place, known = _place_of(path, top)
    # Not git show: that would run filters, and a diff driver that calls us would never end.
    kind = _git("cat-file", "-t", f"{revision}:{known}")
    shown = f"revision {revision}" if revision else "what is staged"
    if kind is None:
        there = not path.startswith("./") and _git("cat-file", "-t", f"{revision}:./{path}")
        help = f"a path is from the top of the repository: {revision}:./{path}" if there else None
        raise _fault("no-such-file", f"there is no file {path} in {shown}", help)
    data = _git("cat-file", "blob", f"{revision}:{known}")
    if data is None:
        raise _fault("no-such-file", f"{path} is no file in {shown}, expected a mix sheet")
    return data, place


def _top_of_repository(name: str) -> Path:
    found = _run("rev-parse", "--show-toplevel")
    if found.returncode == 0:
        return Path(os.fsdecode(found.stdout).rstrip("\n"))
    # Of a repository that git doesn't trust, it says how to change that.
    said = " ".join(os.fsdecode(found.stderr).split()[1:]) or "no reason given"
    message = f"there is no file {name}, and git finds no repository to look in: {said}"
    raise _fault("no-repository", message, "give a file, or REVISION:PATH within a repository")


def _place_of(path: str, top: Path) -> tuple[Path, str]:
    """Where a path of git's lies in the working tree, and the path as git takes it."""
    if os.path.isabs(path):
        inside = os.path.relpath(os.path.realpath(path), os.path.realpath(top))
        return Path(path), Path(inside).as_posix()
    is_from_here = path.startswith(("./", "../"))
    return (Path(path) if is_from_here else Path(os.path.relpath(top)) / path), path


def _git(*arguments: str) -> bytes | None:
    """Return what git prints, None where it fails."""
    done = _run(*arguments)
    return done.stdout if done.returncode == 0 else None


def _run(*arguments: str) -> subprocess.CompletedProcess[bytes]:
    """Run git in the working folder; ProblemError (fault MACHINE) where there is none."""
    try:
        environment = {**os.environ, "LC_ALL": "C"}
        return subprocess.run(["git", *arguments], capture_output=True, env=environment)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        message = f"git, which revisions are read with, can't be run: {reason}"
        help = "install git, or give two files"
        problem = Problem("compare/no-git", message, help=help, fault=Fault.MACHINE)
        raise ProblemError([problem]) from error


def _fault(what: str, message: str, help: str | None = None) -> ProblemError:
    return ProblemError([Problem(f"compare/{what}", message, help=help)])
