"""What holds for any sheet: what is said of it, and that all verbs say the same."""

from __future__ import annotations

import contextlib
import dataclasses
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from mixwright import cli
from mixwright.problem import LONGEST_HELP, LONGEST_MESSAGE, About, Problem, ProblemError
from mixwright.rendering.plan import make_plan, unchecked_plugins
from mixwright.sheet import Sheet, load_sheet
from mixwright.sheet.tidy import CHANGED

SHEET, OTHER = "mix.yaml", "origin.yaml"
FORMS = ("text", "markdown", "json", "html")
_OURS = re.compile(
    r"NoneType|<class|Traceback|object at 0x|\b(None|True|False|nan)\b|PosixPath|\w+Error"
)


@dataclass(frozen=True)
class Verdict:
    """A sheet that was taken, or what is wrong with it; `in_sheet` if no sound file was opened."""

    sheet: Sheet | None
    problems: tuple[Problem, ...] = ()
    in_sheet: bool = True


def verdict(path: str) -> Verdict:
    """Read a sheet as ``validate`` does."""
    try:
        sheet = load_sheet(path)
    except ProblemError as error:
        return Verdict(None, error.problems)
    try:
        make_plan(sheet, plugins=unchecked_plugins(sheet))
    except ProblemError as error:
        return Verdict(None, error.problems, in_sheet=False)
    return Verdict(sheet)


def said_wrong(problems: Iterable[Problem], text: bytes) -> str | None:
    """What is wrong with how a sheet's problems are said; None if nothing is."""
    shown = text.decode("utf-8-sig", "replace")
    lines = shown.splitlines() or [""]
    if shown.endswith(("\n", "\r")):
        lines.append("")
    for problem in problems:
        wrong = _misplaced(problem, lines) or _misworded(problem, shown)
        if wrong is not None:
            return f"{str(problem)[:2000]}\n{wrong}: {problem.rule}"
    return None


def _misplaced(problem: Problem, lines: list[str]) -> str | None:
    span = problem.span
    if span is None:
        return "a problem has no place"
    if not 1 <= span.line <= len(lines):
        return "a problem lies outside the sheet"
    size = len(lines[span.line - 1])
    if not 1 <= span.column <= size + 1:
        return "a problem lies outside its line"
    if span.length < 1 or span.column + span.length - 1 > max(size, span.column):
        return "a problem reaches beyond its line"
    return None


def _misworded(problem: Problem, text: str) -> str | None:
    message, help = problem.message, problem.help or ""
    # Joiners of letters and of pictures don't show, yet are parts of words; wide blanks do show.
    shown = re.sub("[\u200c\u200d\u3000]", "", str(problem))
    if len(shown.splitlines()) > 1 or not shown.isprintable():
        return "a message is not one printable line"
    if len(message) > LONGEST_MESSAGE or len(help) > LONGEST_HELP:
        return "a message is too long"
    first = re.split(r"[\s:,]", message)[0]
    if first[:1].isupper() and first not in text and "\\" not in text:
        return "a message begins with a capital"
    for found in _OURS.finditer(f"{message} {help}"):
        if found[0] not in text:
            return f"a message holds {found[0]}"
    return None


# Verbs


def laws_of_verbs(text: bytes, origin: bytes, found: Verdict) -> str | None:
    """What the verbs do other than ``validate`` says; None if all agree."""
    if verdict(SHEET) != found:
        return "the same sheet read twice has two answers"
    status, said = run("validate", SHEET)
    if status != (2 if found.problems else 0):
        return f"validate ends with {status}\n{said}\nvalidate ends otherwise than reading does"
    if found.problems and said != as_lines(found.problems):
        return f"{said}\nvalidate says something else than reading does"
    if found.problems:
        return _refused_alike(found) if found.in_sheet else None
    return _tidy_means_the_same(text, found) or _compared(origin, found)


def run(*arguments: str) -> tuple[int, list[str]]:
    """Run the command line here; return its status and the lines of both outputs."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        status = cli.run(arguments)
    return status, out.getvalue().split("\n")[:-1]


def as_lines(problems: Iterable[Problem]) -> list[str]:
    """The lines that are printed of problems."""
    return [str(problem) for problem in problems]


def _refused_alike(found: Verdict) -> str | None:
    """What is wrong with the sheet itself, and not with a file, all tell in the same words."""
    own = [problem for problem in found.problems if problem.about is About.TEXT]
    before = Path(SHEET).read_bytes()
    for verb, arguments in (("tidy", [SHEET]), ("compare", [SHEET, SHEET, "--only-sheet"])):
        status, said = run(verb, *arguments)
        if status not in (0, 2) or (own and status == 0):
            return f"{said}\n{verb} of a sheet that is refused ends with {status}"
        if own and said != as_lines(own):
            return f"{said}\nexpected {as_lines(own)}\n{verb} says something else than validate"
        if status == 2 and Path(SHEET).read_bytes() != before:
            return "tidy has changed a sheet that it refused"
        Path(SHEET).write_bytes(before)
    return None


def _tidy_means_the_same(text: bytes, found: Verdict) -> str | None:
    status, said = run("tidy", SHEET)
    if status != 0:
        return f"{said}\ntidy of a sheet that is taken ends with {status} ({CHANGED})"
    once = Path(SHEET).read_bytes()
    again = verdict(SHEET)
    if again.sheet != found.sheet:
        return f"{as_lines(again.problems)}\nthe sheet is another once it is tidy"
    if run("tidy", "--check", SHEET)[0] != 0:
        return "a tidy sheet is not tidy"
    Path(SHEET).write_bytes(text)
    Path("tidy.yaml").write_bytes(once)
    status, said = run("compare", SHEET, "tidy.yaml", "--only-sheet", "--exit-code")
    return None if status == 0 else f"{said}\ncompare finds a change in a tidied sheet"


def _compared(origin: bytes, found: Verdict) -> str | None:
    """Compared with itself a sheet has no change; with what it came from, no fault."""
    if (ended := run("compare", SHEET, SHEET, "--only-sheet", "--exit-code"))[0] != 0:
        return f"{ended[1]}\ncompare finds a change in the sheet itself"
    if not origin:
        return None
    Path(OTHER).write_bytes(origin)
    form = FORMS[len(origin) % len(FORMS)]
    status, said = run("compare", OTHER, SHEET, "--only-sheet", "--exit-code", "--format", form)
    if status != int(_differ(found)):
        return f"{said[-5:]}\ncompare with what it came from ends with {status}"
    return None


def _differ(found: Verdict) -> bool:
    """Whether the sheet at hand says something else than where it came from."""
    old = verdict(OTHER).sheet
    assert old is not None
    return dataclasses.replace(old, path=Path(SHEET)) != found.sheet
