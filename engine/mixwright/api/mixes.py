"""Rendering: the mix, the mix after each step, the mix with and without a part of a track."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, Unpack

from mixwright.api.loading import (
    WHOLE,
    Options,
    PositionSpan,
    loaded_sheet,
    planner,
    said_in,
    unknown_choice,
)
from mixwright.audio import MixFormat
from mixwright.audio.encode import Encoding
from mixwright.by_ear.bypass import Bypassed, write_bypass
from mixwright.by_ear.each_step import SteppedFile, write_each_step
from mixwright.by_ear.takes import TakeOptions, span_words
from mixwright.problem import Problem, ProblemError
from mixwright.rendering import Rendered, render_plan
from mixwright.rendering.session import Session
from mixwright.rendering.target import chosen_format, default_target, keep_sources, seed_of
from mixwright.sheet import STEPS, Sheet, StepName


def render(
    sheet: Sheet | str | Path,
    out: str | Path | None = None,
    *,
    format: str | None = None,
    through: StepName = "automation",
    section: str | None = None,
    span: PositionSpan = WHOLE,
    force: bool = False,
    mono: bool = False,
    dither: Literal["tpdf", "shaped"] = "tpdf",
    **options: Unpack[Options],
) -> Rendered:
    """Render a sheet to a stereo file and return its path and readings.

    `out` defaults to ``out/mix.wav`` beside the sheet; a step or a part of the song gets a name of
    its own, so that it never replaces the mix. `format` is one of wav16, wav24, wav32f,
    flac16, flac24; left out, it is 24 bits of what the name of `out` ends with. `dither` "shaped"
    is for 16 bits; `mono` folds the mix down; `allow_plugins` lets third-party plug-ins run.
    Raises ProblemError and leaves nothing half-written.
    """
    session = Session(**options)
    sheet = loaded_sheet(sheet, session)
    form = chosen_format(format, out)
    encoding = _encoding(sheet, form, dither)
    name = default_target(sheet, form, through, section, span, mono) if out is None else Path(out)
    keep_sources(sheet, name)
    with said_in(sheet):
        whole = planner(session, section, span, mono)(sheet, through)
        return render_plan(whole, name, encoding, session, force=force)


def render_each_step(
    sheet: Sheet | str | Path,
    folder: str | Path | None = None,
    *,
    format: str | None = None,
    through: StepName = "automation",
    section: str | None = None,
    span: PositionSpan = WHOLE,
    force: bool = False,
    mono: bool = False,
    dither: Literal["tpdf", "shaped"] = "tpdf",
    **options: Unpack[Options],
) -> tuple[SteppedFile, ...]:
    """Render the mix after each step up to `through`, to compare by ear: one file a step.

    All are brought down to the loudness of the quietest (BS.1770-5), and, where one would be over
    full scale, lowered together. `folder` defaults to ``out`` beside the sheet; the other
    arguments are those of :func:`render`. Raises ProblemError; writes all files or none.
    """
    session = Session(**options)
    sheet = loaded_sheet(sheet, session)
    if through not in STEPS:
        raise ProblemError([unknown_choice("step", through, STEPS)])
    form = chosen_format(format, None)
    takes = TakeOptions(_folder(sheet, folder), _encoding(sheet, form, dither), force)
    words = span_words(sheet, form, section, span, mono)
    plan_of, steps = planner(session, section, span, mono), STEPS[: STEPS.index(through) + 1]
    with said_in(sheet):
        plans = [plan_of(sheet, step) for step in steps]
        return write_each_step(sheet, plans, words, takes, session)


def bypass(
    sheet: Sheet | str | Path,
    track: str,
    part: str,
    folder: str | Path | None = None,
    *,
    format: str | None = None,
    section: str | None = None,
    span: PositionSpan = WHOLE,
    force: bool = False,
    **options: Unpack[Options],
) -> Bypassed:
    """Write a mix with and without a part of a track or group, and the track alone likewise.

    `part` is its key in the sheet. The track is as loud without it as with it: its fader takes the
    difference, and of the two that are alone the louder one is brought down.
    `folder` defaults to ``out`` beside the sheet. Raises ProblemError; writes all files or none.
    """
    session = Session(**options)
    sheet = loaded_sheet(sheet, session)
    form = chosen_format(format, None)
    takes = TakeOptions(_folder(sheet, folder), _encoding(sheet, form), force)
    words, plan_of = span_words(sheet, form, section, span), planner(session, section, span)
    with said_in(sheet):
        return write_bypass(sheet, (track, part), plan_of, words, takes, session)


def _folder(sheet: Sheet, folder: str | Path | None) -> Path:
    return sheet.folder / "out" if folder is None else Path(folder)


def _encoding(sheet: Sheet, form: MixFormat, dither: str = "tpdf") -> Encoding:
    if dither == "shaped" and form.bits != 16:
        message = f"shaped dither is for 16 bits, {form.name} has none or needs none"
        raise ProblemError([Problem("usage/dither", message, help="leave dither out")])
    return Encoding(form, seed_of(sheet), dither == "shaped")
