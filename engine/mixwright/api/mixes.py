"""Rendering: the mix, the mix after each step, the mix with and without a part of a track."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Literal

from mixwright.api.loading import (
    Span,
    check_threads,
    loaded_sheet,
    plan,
    said_in,
    unknown_choice,
)
from mixwright.audio import MixFormat
from mixwright.problem import Problem, ProblemError
from mixwright.rendering import Plan, Rendered, render_plan
from mixwright.rendering.bypass import Bypassed, write_bypass
from mixwright.rendering.each_step import SteppedFile, write_each_step
from mixwright.rendering.perform import StageProgress
from mixwright.rendering.takes import TakeOptions, span_words
from mixwright.rendering.target import chosen_format, default_target, keep_sources, seed_of
from mixwright.sheet import STEPS, Sheet, StepName


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
    sheet = loaded_sheet(sheet, allow_outside)
    check_threads(threads)
    form = chosen_format(format, out)
    _check_dither(dither, form)
    name = default_target(sheet, form, through, section, span, mono) if out is None else Path(out)
    keep_sources(sheet, name)
    options = {"mono": mono, "allow_plugins": allow_plugins, "keep_cache": keep_cache}
    with said_in(sheet):
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
    sheet = loaded_sheet(sheet, allow_outside)
    if through not in STEPS:
        raise ProblemError([unknown_choice("step", through, STEPS)])
    options = _take_options(sheet, folder, format, threads, dither)
    options = dataclasses.replace(options, force=force, keep_cache=keep_cache, progress=progress)
    words = span_words(sheet, options.form, section, span, mono)
    part = {"section": section, "span": span, "mono": mono, "allow_plugins": allow_plugins}
    part["keep_cache"] = keep_cache
    steps = STEPS[: STEPS.index(through) + 1]
    with said_in(sheet):
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

    `part` is its key in the sheet. The track is as loud without it as with it: its fader takes the
    difference, and of the two that are alone the louder one is brought down.
    `folder` defaults to ``out`` beside the sheet. Raises ProblemError; writes all files or none.
    """
    sheet = loaded_sheet(sheet, allow_outside)
    options = _take_options(sheet, folder, format, threads)
    options = dataclasses.replace(options, force=force, keep_cache=keep_cache, progress=progress)
    words = span_words(sheet, options.form, section, span)

    def plan_of(changed: Sheet) -> Plan:
        part = {"section": section, "span": span}
        return plan(changed, allow_plugins=allow_plugins, keep_cache=keep_cache, **part)  # type: ignore[arg-type]

    with said_in(sheet):
        return write_bypass(sheet, track, part, plan_of, words, options)


def _take_options(
    sheet: Sheet,
    folder: str | Path | None,
    format: str | None,
    threads: int | None,
    dither: str = "tpdf",
) -> TakeOptions:
    check_threads(threads)
    form = chosen_format(format, None)
    _check_dither(dither, form)
    folder = sheet.folder / "out" if folder is None else Path(folder)
    return TakeOptions(folder, form, threads, shaped=dither == "shaped")


def _check_dither(dither: str, form: MixFormat) -> None:
    if dither == "shaped" and form.bits != 16:
        message = f"shaped dither is for 16 bits, {form.name} has none or needs none"
        raise ProblemError([Problem("usage/dither", message, help="leave dither out")])
