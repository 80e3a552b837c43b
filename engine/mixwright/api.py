"""The commands as functions, for notebooks and scripts.

>>> import mixwright
>>> sheet = mixwright.load("mix.yaml")  # doctest: +SKIP
>>> done = mixwright.render(sheet, "out/mix.wav", through="balance")  # doctest: +SKIP
>>> print(done.readings.mix.true_peak_dbtp)  # doctest: +SKIP
-6.1
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

from mixwright.audio import MixFormat
from mixwright.audio.plugins import plugin_list_path, read_plugin_list
from mixwright.checks import STAGES, Checked, Stage, run_checks
from mixwright.measuring import (
    Comparison,
    Inspected,
    Measured,
    compare_with_references,
    inspect_stems,
    loudest_section,
    measure_file,
    measure_plan,
    stems_of_folder,
    stems_of_sheet,
)
from mixwright.measuring.evidence import Evidence
from mixwright.measuring.hearing import gather
from mixwright.problem import Problem, ProblemError
from mixwright.rendering import Plan, Rendered, make_plan, render_plan
from mixwright.rendering.bypass import Bypassed, write_bypass
from mixwright.rendering.each_step import SteppedFile, write_each_step
from mixwright.rendering.nodes import NodeError
from mixwright.rendering.perform import StageProgress
from mixwright.rendering.plan import unchecked_plugins
from mixwright.rendering.takes import TakeOptions, span_words
from mixwright.rendering.target import chosen_format, default_target, keep_sources, seed_of
from mixwright.report.recall import recall_of
from mixwright.report.recall_markdown import Recall
from mixwright.sheet import STEPS, Sheet, StepName, load_sheet
from mixwright.timeline import Position

Span = tuple[Position | None, Position | None]
SHEET_SUFFIXES = (".yaml", ".yml")


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
    mono: bool = False,
    allow_plugins: bool = False,
) -> Plan:
    """Work out a render without doing it; ProblemError for stems that can't be read.

    `section` is a section's name; `span` two positions, None for the start or the end. `mono` folds
    the mix down. `allow_plugins` lets third-party plug-ins in this machine's list run.
    """
    if through not in STEPS:
        raise ProblemError([_choice("step", through, STEPS)])
    if section is not None:
        if span != (None, None):
            raise ProblemError([Problem("usage/span", "section and span are both given")])
        span = section_span(sheet, section)
    plugins: dict[str, Path] | None = None
    if allow_plugins:  # a machine without a list is fine as long as nothing in it is asked for
        named = unchecked_plugins(sheet)
        plugins = read_plugin_list(plugin_list_path()) if named else {}
    return make_plan(sheet, through, span, plugins=plugins, mono=mono)


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
    allow_plugins: bool = False,
    mono: bool = False,
    dither: Literal["tpdf", "shaped"] = "tpdf",
    progress: StageProgress | None = None,
) -> Rendered:
    """Render a sheet to a stereo file and return its path and readings.

    `out` defaults to ``out/mix.wav`` beside the sheet; a step or a part of the song gets a name of
    its own, so that it never replaces the mix. `format` is one of wav16, wav24, wav32f,
    flac16, flac24; left out, it is 24 bits of what the name of `out` ends with. `dither` "shaped"
    is for 16 bits; `mono` folds the mix down; `allow_plugins` lets third-party plug-ins run.
    Raises ProblemError and leaves nothing half-written.
    """
    sheet = _loaded(sheet, allow_outside)
    _check_threads(threads)
    form = chosen_format(format, out)
    _check_dither(dither, form)
    name = default_target(sheet, form, through, section, span, mono) if out is None else Path(out)
    keep_sources(sheet, name)
    options = {"mono": mono, "allow_plugins": allow_plugins}
    with _said_in(sheet):
        return render_plan(
            plan(sheet, through=through, section=section, span=span, **options),
            name,
            form,
            threads=threads,
            force=force,
            seed=seed_of(sheet),
            shaped=dither == "shaped",
            keep_cache=keep_cache,
            progress=progress,
        )


def render_each_step(
    sheet: Sheet | str | Path,
    folder: str | Path | None = None,
    *,
    format: str | None = None,
    through: StepName = "automation",
    section: str | None = None,
    span: Span = (None, None),
    threads: int | None = None,
    force: bool = False,
    keep_cache: bool = True,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    mono: bool = False,
    dither: Literal["tpdf", "shaped"] = "tpdf",
    progress: StageProgress | None = None,
) -> tuple[SteppedFile, ...]:
    """Render the mix after each step up to `through`, to compare by ear: one file a step.

    All are brought down to the loudness of the quietest (BS.1770-5), and, where one would be over
    full scale, lowered together. `folder` defaults to ``out`` beside the sheet; the other
    arguments are those of :func:`render`. Raises ProblemError; writes all files or none.
    """
    sheet = _loaded(sheet, allow_outside)
    if through not in STEPS:
        raise ProblemError([_choice("step", through, STEPS)])
    options = _take_options(sheet, folder, format, threads, dither)
    options = dataclasses.replace(options, force=force, keep_cache=keep_cache, progress=progress)
    words = span_words(sheet, options.form, section, span, mono)
    part = {"section": section, "span": span, "mono": mono, "allow_plugins": allow_plugins}
    steps = STEPS[: STEPS.index(through) + 1]
    with _said_in(sheet):
        plans = [plan(sheet, through=step, **part) for step in steps]  # type: ignore[arg-type]
        return write_each_step(sheet, plans, words, options)


def bypass(
    sheet: Sheet | str | Path,
    track: str,
    part: str,
    folder: str | Path | None = None,
    *,
    format: str | None = None,
    section: str | None = None,
    span: Span = (None, None),
    threads: int | None = None,
    force: bool = False,
    keep_cache: bool = True,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> Bypassed:
    """Write a mix with and without a part of a track or group, and the track alone likewise.

    `part` is eq, gate, compressor, de_esser or inserts. The track is as loud without it as with it:
    its fader takes the difference, and of the two that are alone the louder one is brought down.
    `folder` defaults to ``out`` beside the sheet. Raises ProblemError; writes all files or none.
    """
    sheet = _loaded(sheet, allow_outside)
    options = _take_options(sheet, folder, format, threads)
    options = dataclasses.replace(options, force=force, keep_cache=keep_cache, progress=progress)
    words = span_words(sheet, options.form, section, span)

    def plan_of(changed: Sheet) -> Plan:
        return plan(changed, section=section, span=span, allow_plugins=allow_plugins)

    with _said_in(sheet):
        return write_bypass(sheet, track, part, plan_of, words, options)


def _take_options(
    sheet: Sheet,
    folder: str | Path | None,
    format: str | None,
    threads: int | None,
    dither: str = "tpdf",
) -> TakeOptions:
    _check_threads(threads)
    form = chosen_format(format, None)
    _check_dither(dither, form)
    folder = sheet.folder / "out" if folder is None else Path(folder)
    return TakeOptions(folder, form, threads, shaped=dither == "shaped")


def _check_threads(threads: int | None) -> None:
    if threads is not None and threads < 1:
        raise ProblemError([Problem("usage/threads", f"threads is {threads}, expected 1 or more")])


def _check_dither(dither: str, form: MixFormat) -> None:
    if dither == "shaped" and form.bits != 16:
        message = f"shaped dither is for 16 bits, {form.name} has none or needs none"
        raise ProblemError([Problem("usage/dither", message, help="leave dither out")])


def _loaded(sheet: Sheet | str | Path, allow_outside: bool) -> Sheet:
    return sheet if isinstance(sheet, Sheet) else load(sheet, allow_outside=allow_outside)


@contextmanager
def _said_in(sheet: Sheet) -> Iterator[None]:
    """Say problems of a node at its place in the sheet."""
    try:
        yield
    except NodeError as error:
        place = sheet.span_of(*error.path)
        raise ProblemError([dataclasses.replace(p, span=place) for p in error.problems]) from error


def measure(
    source: Sheet | str | Path,
    *,
    through: StepName = "automation",
    by_section: bool = False,
    threads: int | None = None,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> Measured:
    """Measure a sound file, or a sheet: its mix and the outputs of its tracks, groups, returns.

    A path that ends in .yaml or .yml is a sheet. For a sheet `through` is the step to measure
    after, and its loudest section is found from the balance alone. Raises ProblemError.
    """
    if not isinstance(source, Sheet):
        if Path(source).suffix.lower() not in SHEET_SUFFIXES:
            return measure_file(Path(source))
        source = load(source, allow_outside=allow_outside)
    whole = plan(source, through=through, allow_plugins=allow_plugins)
    with _said_in(source):
        measured = measure_plan(
            whole, source.path, by_section=by_section, threads=threads, progress=progress
        )
        balance = plan(source, through="balance")
        loudest = loudest_section(balance, source.song.loudest_section, threads)
    return dataclasses.replace(measured, loudest=loudest)


def compare_references(
    sheet: Sheet | str | Path,
    *,
    through: StepName = "automation",
    threads: int | None = None,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> tuple[Comparison, ...]:
    """Compare a mix with each of the sheet's references, at equal loudness; ProblemError."""
    sheet = _loaded(sheet, allow_outside)
    whole = plan(sheet, through=through, allow_plugins=allow_plugins)
    with _said_in(sheet):
        return compare_with_references(sheet, whole, threads, progress)


def check(
    sheet: Sheet | str | Path,
    *,
    step: Stage | None = None,
    threads: int | None = None,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> Checked:
    """Walk the six steps of a mix and say of every rule whether it holds.

    `step` is one of them, or ``intake`` or ``delivery``, to hear of its rules alone. `passes()` of
    the result is whether no rule fails. Raises ProblemError.
    """
    if step is not None and step not in STAGES:
        raise ProblemError([_choice("step", step, STAGES)])
    options = {"allow_outside": allow_outside, "allow_plugins": allow_plugins}
    return run_checks(_heard(sheet, threads, progress, **options), step)


def log(
    sheet: Sheet | str | Path,
    *,
    threads: int | None = None,
    allow_outside: bool = False,
    allow_plugins: bool = False,
    progress: StageProgress | None = None,
) -> Recall:
    """Return the recall sheet of a mix: every track, every move, its reason and its effect.

    All of it is measured anew. `as_markdown()` and `as_data()` of the result write it out.
    Raises ProblemError.
    """
    options = {"allow_outside": allow_outside, "allow_plugins": allow_plugins}
    return recall_of(_heard(sheet, threads, progress, **options))


def _heard(
    sheet: Sheet | str | Path,
    threads: int | None,
    progress: StageProgress | None,
    *,
    allow_outside: bool,
    allow_plugins: bool,
) -> Evidence:
    sheet = _loaded(sheet, allow_outside)
    still = plan(sheet, through="mixbus", allow_plugins=allow_plugins)
    finished = plan(sheet, allow_plugins=allow_plugins)
    with _said_in(sheet):
        return gather(sheet, still, finished, threads=threads, progress=progress)


def inspect(source: Sheet | str | Path, *, allow_outside: bool = False) -> Inspected:
    """Look at tracks as they arrive: those of a sheet, or every sound file in a folder.

    What a sheet takes care of already is said as a note. Raises ProblemError.
    """
    if isinstance(source, Sheet) or Path(source).suffix.lower() in SHEET_SUFFIXES:
        sheet = source if isinstance(source, Sheet) else load(source, allow_outside=allow_outside)
        return inspect_stems(sheet.path, stems_of_sheet(sheet), sheet.song.sample_rate_hz)
    folder = Path(source)
    if not folder.is_dir():
        hint = "give a folder of tracks or a sheet (.yaml); for one file there is measure"
        problem = Problem("inspect/no-folder", f"there is no folder {folder}", help=hint)
        raise ProblemError([problem])
    stems, unreadable = stems_of_folder(folder)
    rates = [stem.info.rate_hz for stem in stems]
    return inspect_stems(folder, stems, max(set(rates), key=rates.count), unreadable)


def section_span(sheet: Sheet, name: str) -> Span:
    """Return a section's first position and the one after its last; the last section ends open."""
    names = [section.name for section in sheet.song.sections]
    if name not in names:
        raise ProblemError([_choice("section", name, tuple(names))])
    index = names.index(name)
    after = Position(section=names[index + 1]) if index + 1 < len(names) else None
    return Position(section=name), after


def _choice(kind: str, given: str, valid: tuple[str, ...]) -> Problem:
    import difflib

    folded = {name.casefold(): name for name in valid}
    near = difflib.get_close_matches(given.casefold(), folded, 1)
    hint = f"a {kind} with a similar name exists: {folded[near[0]]}" if near else None
    message = f"unknown {kind} '{given}', expected one of: {', '.join(valid)}"
    if not valid:
        message = f"unknown {kind} '{given}': the sheet has none"
    return Problem(f"usage/unknown-{kind}", message, help=hint)
