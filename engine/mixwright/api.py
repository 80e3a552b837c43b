"""The commands as functions, for notebooks and scripts.

>>> import mixwright
>>> sheet = mixwright.load("mix.yaml")  # doctest: +SKIP
>>> done = mixwright.render(sheet, "out/mix.wav", through="balance")  # doctest: +SKIP
>>> print(done.readings.mix.true_peak_dbtp)  # doctest: +SKIP
-6.1
"""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

from mixwright.audio import FORMATS, MixFormat
from mixwright.audio.write import refuse_folder, told_as_problem
from mixwright.problem import Problem, ProblemError
from mixwright.rendering import Plan, Rendered, make_plan, render_plan
from mixwright.rendering.run import StageProgress
from mixwright.rendering.strip import NodeError
from mixwright.sheet import STEPS, Sheet, StepName, load_sheet
from mixwright.timeline import Position

Span = tuple[Position | None, Position | None]


def load(path: str | Path, *, allow_outside: bool = False) -> Sheet:
    """Read and check a mix sheet; ProblemError with every problem found.

    `allow_outside` lets files lie outside the sheet's folder.
    """
    return load_sheet(path, allow_outside=allow_outside)


def plan(
    sheet: Sheet,
    *,
    through: StepName = "automation",
    section: str | None = None,
    span: Span = (None, None),
) -> Plan:
    """Work out a render without doing it; ProblemError for stems that can't be read.

    `section` is a section's name; `span` two positions, None for the start or the end.
    """
    if through not in STEPS:
        raise ProblemError([_choice("step", through, STEPS)])
    if section is not None:
        if span != (None, None):
            raise ProblemError([Problem("usage/span", "section and span are both given")])
        span = section_span(sheet, section)
    return make_plan(sheet, through, span)


def render(
    sheet: Sheet | str | Path,
    out: str | Path | None = None,
    *,
    format: str | None = None,
    through: StepName = "automation",
    section: str | None = None,
    span: Span = (None, None),
    threads: int | None = None,
    force: bool = False,
    keep_cache: bool = True,
    allow_outside: bool = False,
    progress: StageProgress | None = None,
) -> Rendered:
    """Render a sheet to a stereo file and return its path and readings.

    `out` defaults to ``out/mix.wav`` beside the sheet; a step or a part of the song gets a name of
    its own, so that it never replaces the mix. `format` is one of wav16, wav24, wav32f,
    flac16, flac24; left out, it is 24 bits of what the name of `out` ends with.
    Raises ProblemError and leaves nothing half-written.
    """
    if not isinstance(sheet, Sheet):
        sheet = load(sheet, allow_outside=allow_outside)
    if threads is not None and threads < 1:
        raise ProblemError([Problem("usage/threads", f"threads is {threads}, expected 1 or more")])
    form = _format(format, None if out is None else Path(out))
    target = Path(out) if out is not None else default_target(sheet, form, through, section, span)
    _keep_sources(sheet, target)
    timeline = sheet.timeline

    def section_at(sample: int) -> str | None:
        found = timeline.section_at(sample)
        return None if found is None else found.name

    try:
        return render_plan(
            plan(sheet, through=through, section=section, span=span),
            target,
            form,
            threads=threads,
            force=force,
            seed=seed_of(sheet),
            keep_cache=keep_cache,
            section_at=section_at,
            progress=progress,
        )
    except NodeError as error:
        place = sheet.span_of(*error.path)
        raise ProblemError([dataclasses.replace(p, span=place) for p in error.problems]) from error


def default_target(
    sheet: Sheet, form: MixFormat, through: str, section: str | None, span: Span
) -> Path:
    """Return where a render goes that was not told: ``out/mix.wav``, ``out/mix-balance.wav`` ..."""
    words = ["mix"]
    if through != STEPS[-1]:
        words.append(through)
    if section is not None:
        words.append(section)
    elif span != (None, None):
        words += [str(span[0] or "start"), "to", str(span[1] or "end")]
    name = re.sub(r"[^\w.]+", "-", " ".join(words)).strip("-.")
    return sheet.folder / "out" / f"{name}{form.suffix}"


def _format(name: str | None, out: Path | None) -> MixFormat:
    """The format asked for, or the one that the file's name asks for; both must agree."""
    if name is not None and name not in FORMATS:
        raise ProblemError([_choice("format", name, tuple(FORMATS))])
    by_suffix = {".wav": "wav24", ".flac": "flac24"}
    if out is None:
        return FORMATS[name or "wav24"]
    refuse_folder(out)
    suffix = out.suffix.lower()
    if suffix not in by_suffix or (name is not None and FORMATS[name].suffix != suffix):
        expected = f"a name ending in {FORMATS[name].suffix}" if name else ".wav or .flac"
        message = f"{out.name} ends in '{out.suffix}', expected {expected}"
        raise ProblemError([Problem("usage/suffix", message, help="change --out or --format")])
    return FORMATS[name or by_suffix[suffix]]


def _keep_sources(sheet: Sheet, target: Path) -> None:
    """Refuse to write over the sheet or anything it reads, forced or not."""
    sources = {sheet.path: "the mix sheet"}
    sources |= {sheet.folder / track.file: "a stem of this mix" for track in sheet.tracks}
    sources |= {sheet.folder / part.file: "a reference of this mix" for part in sheet.references}
    for path, what in sources.items():
        with told_as_problem(target):
            same = target.exists() and path.exists() and target.samefile(path)
        if same:
            problem = Problem("output/is-source", f"{target} is {what}", help="give another --out")
            raise ProblemError([problem])


def section_span(sheet: Sheet, name: str) -> Span:
    """Return a section's first position and the one after its last; the last section ends open."""
    names = [section.name for section in sheet.song.sections]
    if name not in names:
        raise ProblemError([_choice("section", name, tuple(names))])
    index = names.index(name)
    after = Position(section=names[index + 1]) if index + 1 < len(names) else None
    return Position(section=name), after


def seed_of(sheet: Sheet) -> int:
    """Return the seed of the dither: from what the sheet says, so that a render repeats."""
    import hashlib

    said = dataclasses.replace(sheet, path=Path("."), spans={})
    return int.from_bytes(hashlib.sha256(repr(said).encode()).digest()[:8], "big")


def _choice(kind: str, given: str, valid: tuple[str, ...]) -> Problem:
    import difflib

    folded = {name.casefold(): name for name in valid}
    near = difflib.get_close_matches(given.casefold(), folded, 1)
    hint = f"a {kind} with a similar name exists: {folded[near[0]]}" if near else None
    message = f"unknown {kind} '{given}', expected one of: {', '.join(valid)}"
    if not valid:
        message = f"unknown {kind} '{given}': the sheet has none"
    return Problem(f"usage/unknown-{kind}", message, help=hint)
