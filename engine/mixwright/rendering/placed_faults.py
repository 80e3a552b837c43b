"""Faults at a part of the sheet, said where it is written; and the check for finite samples."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from mixwright.problem import Problem, ProblemError
from mixwright.sheet.model import PathKey


class NodeError(ProblemError):
    """A ProblemError that knows the sheet path of the node, for who can turn it into a place."""

    def __init__(self, problems: Iterable[Problem], path: PathKey) -> None:
        super().__init__(problems)
        self.path = path


@contextmanager
def at_node(*path: str | int) -> Iterator[None]:
    """Say of every problem inside which part of the sheet it belongs to."""
    try:
        yield
    except ProblemError as error:
        raise NodeError(error.problems, path) from error


def check_finite(energy: float, what: str, path: PathKey) -> None:
    """Stop at the first NaN or infinity and name the node; `path` is its place in the sheet."""
    if not math.isfinite(energy):
        message = f"{what} became NaN or infinite, expected finite samples"
        raise NodeError([Problem("render/not-finite", message)], path)
