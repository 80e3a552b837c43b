"""What every command begins with: a session, a sheet, the plan of what is asked for."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypedDict, Unpack

from mixwright.problem import Problem, ProblemError
from mixwright.rendering import Plan, make_plan
from mixwright.rendering.placed_faults import NodeError
from mixwright.rendering.plan import PlanOf, unchecked_plugins
from mixwright.rendering.plugin_list import plugin_list_path, read_plugin_list
from mixwright.rendering.session import Session, StageProgress
from mixwright.sheet import STEPS, Sheet, StepName, load_sheet
from mixwright.sheet.nearest import nearest
from mixwright.sheet.slips import meant_word
from mixwright.timeline import Position

PositionSpan = tuple[Position | None, Position | None]
SHEET_SUFFIXES = (".yaml", ".yml")
WHOLE: PositionSpan = (None, None)


class Working(TypedDict, total=False):
    """How any verb works, see :class:`mixwright.rendering.session.Session`."""

    threads: int | None
    keep_cache: bool
    allow_outside: bool
    allow_plugins: bool


class Options(Working, total=False):
    """The same, and whom to tell how far it is: a stage and its share, from 0 to 1."""

    progress: StageProgress | None


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
    span: PositionSpan = WHOLE,
    mono: bool = False,
    **options: Unpack[Options],
) -> Plan:
    """Work out a render without doing it; ProblemError for stems that can't be read.

    `section` is a section's name; `span` two positions, None for the start or the end. `mono` folds
    the mix down. `allow_plugins` lets third-party plug-ins in this machine's list run. Without
    `keep_cache` compressed stems are decoded anew.
    """
    return planner(Session(**options), section, span, mono)(sheet, through)


def planner(
    session: Session, section: str | None = None, span: PositionSpan = WHOLE, mono: bool = False
) -> PlanOf:
    """Return what plans sheets over one part of the song; the arguments are those of `plan`."""
    if section is not None and span != WHOLE:
        raise ProblemError([Problem("usage/span", "section and span are both given")])

    def plan_of(sheet: Sheet, through: StepName = "automation") -> Plan:
        if through not in STEPS:
            raise ProblemError([unknown_choice("step", through, STEPS)])
        part = span if section is None else section_span(sheet, section)
        plugins: dict[str, Path] | None = None
        if session.allow_plugins:  # without a list all is fine as long as nothing in it is named
            named = unchecked_plugins(sheet)
            plugins = read_plugin_list(plugin_list_path()) if named else {}
        return make_plan(sheet, through, part, plugins=plugins, mono=mono, session=session)

    return plan_of


def section_span(sheet: Sheet, name: str) -> PositionSpan:
    """Return a section's first position and the one after its last; the last section ends open."""
    names = [section.name for section in sheet.song.sections]
    if name not in names:
        raise ProblemError([unknown_choice("section", name, tuple(names))])
    index = names.index(name)
    after = Position(section=names[index + 1]) if index + 1 < len(names) else None
    return Position(section=name), after


def loaded_sheet(sheet: Sheet | str | Path, session: Session) -> Sheet:
    """Return a sheet, given it or its path."""
    if isinstance(sheet, Sheet):
        return sheet
    return load_sheet(sheet, allow_outside=session.allow_outside)


@contextmanager
def said_in(sheet: Sheet, old: Sheet | None = None) -> Iterator[None]:
    """Say problems of a node at its place in the sheet; in the old one, if only that has it."""
    try:
        yield
    except NodeError as error:
        known = {tuple(error.path), tuple(error.path[:2])} & sheet.spans.keys()
        place = (sheet if known or old is None else old).span_of(*error.path)
        raise ProblemError([dataclasses.replace(p, span=place) for p in error.problems]) from error


def unknown_choice(kind: str, given: str, valid: tuple[str, ...]) -> Problem:
    """Return the problem of a name that is none of those there are."""
    near = meant_word(given, list(valid)) or nearest(given, valid)
    hint = f"a {kind} with a similar name exists: {near}" if near else None
    message = f"unknown {kind} '{given}', expected one of: {', '.join(valid)}"
    if not valid:
        message = f"unknown {kind} '{given}': the sheet has none"
    return Problem(f"usage/unknown-{kind}", message, help=hint)
