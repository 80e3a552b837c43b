"""What every command begins with: a sheet, its plan, the part of the song that is asked for."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mixwright.audio.plugins import plugin_list_path, read_plugin_list
from mixwright.problem import Problem, ProblemError
from mixwright.rendering import Plan, make_plan
from mixwright.rendering.placed_faults import NodeError
from mixwright.rendering.plan import unchecked_plugins
from mixwright.rendering.recordings import Probing
from mixwright.sheet import STEPS, Sheet, StepName, load_sheet
from mixwright.sheet.nearest import nearest
from mixwright.sheet.slips import meant_word
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
    keep_cache: bool = True,
) -> Plan:
    """Work out a render without doing it; ProblemError for stems that can't be read.

    `section` is a section's name; `span` two positions, None for the start or the end. `mono` folds
    the mix down. `allow_plugins` lets third-party plug-ins in this machine's list run. Without
    `keep_cache` compressed stems are decoded anew.
    """
    if through not in STEPS:
        raise ProblemError([unknown_choice("step", through, STEPS)])
    if section is not None:
        if span != (None, None):
            raise ProblemError([Problem("usage/span", "section and span are both given")])
        span = section_span(sheet, section)
    plugins: dict[str, Path] | None = None
    if allow_plugins:  # a machine without a list is fine as long as nothing in it is asked for
        named = unchecked_plugins(sheet)
        plugins = read_plugin_list(plugin_list_path()) if named else {}
    probing = Probing(keep_cache=keep_cache)
    return make_plan(sheet, through, span, plugins=plugins, mono=mono, probing=probing)


def section_span(sheet: Sheet, name: str) -> Span:
    """Return a section's first position and the one after its last; the last section ends open."""
    names = [section.name for section in sheet.song.sections]
    if name not in names:
        raise ProblemError([unknown_choice("section", name, tuple(names))])
    index = names.index(name)
    after = Position(section=names[index + 1]) if index + 1 < len(names) else None
    return Position(section=name), after


def loaded_sheet(sheet: Sheet | str | Path, allow_outside: bool) -> Sheet:
    """Return a sheet, given it or its path."""
    return sheet if isinstance(sheet, Sheet) else load(sheet, allow_outside=allow_outside)


@contextmanager
def said_in(sheet: Sheet) -> Iterator[None]:
    """Say problems of a node at its place in the sheet."""
    try:
        yield
    except NodeError as error:
        place = sheet.span_of(*error.path)
        raise ProblemError([dataclasses.replace(p, span=place) for p in error.problems]) from error


def unknown_choice(kind: str, given: str, valid: tuple[str, ...]) -> Problem:
    """Return the problem of a name that is none of those there are."""
    near = meant_word(given, list(valid)) or nearest(given, valid)
    hint = f"a {kind} with a similar name exists: {near}" if near else None
    message = f"unknown {kind} '{given}', expected one of: {', '.join(valid)}"
    if not valid:
        message = f"unknown {kind} '{given}': the sheet has none"
    return Problem(f"usage/unknown-{kind}", message, help=hint)


def check_threads(threads: int | None) -> None:
    """Refuse a count of threads that is none."""
    if threads is not None and threads < 1:
        raise ProblemError([Problem("usage/threads", f"threads is {threads}, expected 1 or more")])
