"""What holds for any song, however it is mixed. Each law looks at the sheet in the folder here.

A law returns what speaks against it, or None; it raises RefusedError where the song can't be
performed for a reason that is one.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

import mixwright
from fuzzing.sheet_laws import SHEET, run, said_wrong
from mixwright.problem import ProblemError
from mixwright.sheet import Sheet, load_sheet
from mixwright.timeline import Position

Samples = NDArray[np.float64]
# What a song may be refused for: what it sounds like, not what its sheet says.
REASONS = ("render/would-clip", "deliver/would-clip", "deliver/out-of-reach")
# What verbs that listen may say instead, with 2: a mix that is silent, or as good as.
TOO_LITTLE = "the mix has too little to compare: its loudness can't be measured"
NULL_DBFS = -120.0


class RefusedError(Exception):
    """The song can't be performed, and that was said as it should be."""


def rendered(sheet: Sheet | str, name: str, **options: Any) -> Samples:
    """Return what a song renders to, shape (frames, 2); 32-bit floats never clip."""
    try:
        done = mixwright.render(sheet, name, format="wav32f", force=True, **options)
    except ProblemError as error:
        raise _refusal(error) from error
    samples: Samples = soundfile.read(done.path, always_2d=True)[0]
    return samples


def _refusal(error: ProblemError) -> Exception:
    """A refusal that is reasonable and well said; anything else is a fault of ours."""
    wrong = said_wrong([p for p in error.problems if p.span], Path(SHEET).read_bytes())
    if wrong is None and all(problem.rule in REASONS for problem in error.problems):
        return RefusedError()
    return AssertionError(f"{error}\nrefused: {error.problems[0].rule} {wrong or ''}")


def sounds_finite() -> str | None:
    """Whatever is asked for, samples are numbers, and the readings too."""
    samples = rendered(SHEET, "a.wav")
    if not np.isfinite(samples).all():
        return "a render holds what is no number"
    return None if len(samples) else "a render is empty"


def same_on_any_number_of_threads() -> str | None:
    """One thread or four, with and without what the cache remembers: the same bits."""
    one = rendered(SHEET, "a.wav", threads=1, keep_cache=False)
    four = rendered(SHEET, "b.wav", threads=4, keep_cache=False)
    return None if np.array_equal(one, four) else "one thread and four make different bits"


def same_part_by_name_and_by_place() -> str | None:
    """A section by its name and by its bars, a span twice: the same bits."""
    sheet = load_sheet(SHEET)
    sections = sheet.song.sections
    if not sections:
        return None
    at = len(sections) // 2
    after = Position(bar=sections[at + 1].bar) if at + 1 < len(sections) else None
    named = rendered(SHEET, "a.wav", section=sections[at].name)
    placed = rendered(SHEET, "b.wav", span=(Position(bar=sections[at].bar), after))
    return None if np.array_equal(named, placed) else "a section and its span are different bits"


def tidy_sounds_the_same() -> str | None:
    """A tidied sheet makes the same bits, and a comparison finds nothing."""
    before = rendered(SHEET, "a.wav")
    shutil.copy(SHEET, "before.yaml")
    if (ended := run("tidy", SHEET))[0] != 0:
        return f"{ended}\ntidy fails"
    if not np.array_equal(before, rendered(SHEET, "b.wav")):
        return "a tidied sheet makes other bits"
    for other in ("before.yaml", SHEET):
        status, said = run("compare", other, SHEET, "--exit-code")
        if status != 0:
            return f"{said}\ncompare ends with {status} where nothing has changed"
    return None


def ends_well(*verbs: Sequence[str]) -> str | None:
    """Verbs that look and listen end with 0 or 1, and what is for programs is JSON."""
    for arguments in verbs:
        status, said = run(*arguments)
        if status == 2 and any(TOO_LITTLE in line for line in said):
            raise RefusedError
        if status not in (0, 1):
            return f"{said[-8:]}\n{arguments[0]} ends with {status}"
        if "json" in arguments or "--json" in arguments:
            json.loads("\n".join(said), parse_constant=_no_number)
    return None


def _no_number(word: str) -> None:
    raise AssertionError(f"JSON holds {word}")


def delivers_once() -> str | None:
    """What is delivered is kept by a second delivery, and holds when it is verified."""
    done = _delivered()
    before = {path: path.read_bytes() for path in Path("out").rglob("*") if path.is_file()}
    again = _delivered()
    if again.made and not done.failed:
        return f"{[entry.file for entry in again.made]}\na second delivery makes something"
    after = {path: path.read_bytes() for path in Path("out").rglob("*") if path.is_file()}
    if after != before:
        return "a second delivery changes files"
    if not done.manifest.outputs:
        return None
    status, said = run("verify", "out")
    return None if status == 0 else f"{said[-8:]}\nverify ends with {status}"


def _delivered() -> Any:
    try:
        done = mixwright.deliver(SHEET)
    except ProblemError as error:
        raise _refusal(error) from error
    for problems in done.failed.values():
        refusal = _refusal(ProblemError(problems))
        if not isinstance(refusal, RefusedError):
            raise refusal
    return done


def stems_add_up() -> str | None:
    """Stems by track with an exact sum null against the mix, below -120 dBFS."""
    text = Path(SHEET).read_text("utf-8")
    sheet = load_sheet(SHEET)
    whole = rendered(sheet, "a.wav")
    values = _with_stems(text)
    Path("stems.yaml").write_text(json.dumps(values, ensure_ascii=False), "utf-8")
    try:
        done = mixwright.deliver("stems.yaml", "parts", only=["parts"])
    except ProblemError as error:
        raise _refusal(error) from error
    if done.failed:
        raise _refusal(ProblemError(p for problems in done.failed.values() for p in problems))
    parts = [soundfile.read(path, always_2d=True)[0] for path in Path("parts").rglob("*.wav")]
    total = np.sum(parts, axis=0) if parts else np.zeros_like(whole)
    if total.shape != whole.shape:
        return f"stems are {total.shape}, the mix is {whole.shape}"
    # Each file is 32-bit floats: what is over full scale is that much coarser.
    scale = max(1.0, *(float(np.max(np.abs(one))) for one in [*parts, whole]))
    rest_db = 20.0 * np.log10(max(1e-30, float(np.max(np.abs(total - whole))) / scale))
    return None if rest_db < NULL_DBFS else f"{rest_db:.1f} dB\nstems do not add up"


def _with_stems(text: str) -> Any:
    """The sheet with one variant, of all tracks apart."""
    from mixwright.sheet.text import SheetText
    from mixwright.sheet.tree import read_tree

    values = read_tree(SheetText(SHEET, text, tuple(text.splitlines()))).value
    stems = {"split_by": "track", "sum": "exact", "formats": ["wav32f"]}
    values["variants"] = {"parts": {**stems, "file_name": "{stem}"}}
    return values


LAWS: dict[str, Callable[[], str | None]] = {
    "finite": sounds_finite,
    "threads": same_on_any_number_of_threads,
    "sections": same_part_by_name_and_by_place,
    "tidy": tidy_sounds_the_same,
    "looked at": partial(ends_well, ("validate", SHEET, "--json"), ("inspect", SHEET, "--json")),
    "measured": partial(ends_well, ("measure", SHEET, "--by-section", "--json")),
    "checked": partial(ends_well, ("check", SHEET, "--format", "json"), ("check", SHEET, "--all")),
    "logged": partial(ends_well, ("log", SHEET), ("log", SHEET, "--md")),
    "deliver": delivers_once,
    "stems": stems_add_up,
}
