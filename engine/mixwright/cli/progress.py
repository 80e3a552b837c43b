"""What a person sees of work: a progress bar on a terminal, and at its end what it lacked."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from mixwright.places import code_notes

if TYPE_CHECKING:
    from rich.progress import TaskID


@contextmanager
def said_afterwards(quiet: bool = False) -> Iterator[None]:
    """Say at the end, where no JSON is asked for, if the code compiled meanwhile is not kept."""
    try:
        yield
    finally:
        for note in () if quiet else code_notes():
            click.echo(f"note: {note}", err=True)


@contextmanager
def shown_progress(quiet: bool = False) -> Iterator[Callable[[str, float], None] | None]:
    """Yield a callback ``(stage, share)``, or None where no one is watching."""
    with said_afterwards(quiet), _shown_bar(quiet) as show:
        yield show


@contextmanager
def _shown_bar(quiet: bool) -> Iterator[Callable[[str, float], None] | None]:
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def show(stage: str, share: float) -> None:
            if stage not in tasks:
                tasks[stage] = bar.add_task(stage, total=1.0)
            bar.update(tasks[stage], completed=share)

        yield show


@contextmanager
def shown_album_progress(quiet: bool = False) -> Iterator[Callable[[str, str, float], None] | None]:
    """Yield a callback ``(song, stage, share)`` that keeps a bar a song, or None as above."""
    with said_afterwards(quiet), _shown_bars(quiet) as show:
        yield show


@contextmanager
def _shown_bars(quiet: bool) -> Iterator[Callable[[str, str, float], None] | None]:
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    # A song's name is shown as it is: it may hold brackets.
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.fields[stage]}"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, TaskID] = {}

        def show(song: str, stage: str, share: float) -> None:
            if song not in tasks:
                tasks[song] = bars.add_task(song, total=1.0, stage=stage)
            bars.update(tasks[song], completed=share, stage=stage)

        yield show
