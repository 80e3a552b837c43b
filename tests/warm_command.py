"""A command line in a process that is forked from a warm one, so that it is at work at once.

What it prints, how it ends and what its limits do to it is as in one that Python was started for;
only what starting takes is left out. Tests of that start a process themselves.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from fuzzing.forked import Command, Done, run
from fuzzing.nursery import in_nursery

needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


def run_warm(*arguments: str | Path, before: Callable[[], None] | None = None) -> Done:
    """Run a command in the current folder; `before`, of a module, is called in it first."""
    command = Command(list(map(str, arguments)), Path.cwd(), before=before)
    done: Done = in_nursery(run, command)
    return done
