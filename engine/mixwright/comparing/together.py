"""Several mixes of two versions of a song, performed for the sake of what differs between them.

Where they keep one time, one pass over the stems makes all of them, and everything that is equal in
both is worked out once; each is the mix that it would be by itself, to the last bit. Otherwise
those of the old version come first, then those of the new one.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

import numpy as np

from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering import Plan
from mixwright.rendering.perform import Part, Performed, StageProgress, performed_together
from mixwright.units import Block

NOTHING = np.zeros((0, 2))
# An old and a new mix of the same thing; None where a version does not have it.
Pair = tuple[Plan | None, Plan | None]
PerformedPair = tuple[Performed | None, Performed | None]


@dataclass(frozen=True)
class Work:
    """How to work: on how many threads (None: all cores), and whom to tell of it."""

    threads: int | None = None
    progress: StageProgress | None = None

    def on(self, what: str) -> StageProgress | None:
        """Return whom to tell of the work on `what`."""
        tell = self.progress
        return None if tell is None else lambda stage, share: tell(f"{what}: {stage}", share)


@contextmanager
def pairs_performed(
    pairs: Sequence[Pair], work: Work, what: str
) -> Iterator[tuple[PerformedPair, ...]]:
    """Perform all plans; the spools, among the temporary files, are gone with the context.

    `what` is what progress is told to be of. Raises ProblemError as a render does.
    """
    sides = list(zip(*pairs, strict=True))
    plans = [[plan for plan in side if plan is not None] for side in sides]
    with _working_folder() as name, ExitStack() as kept:
        folder = Path(name)
        if share_a_pass([*plans[0], *plans[1]]):
            done = kept.enter_context(_performed([*plans[0], *plans[1]], folder, work, what))
        else:
            done = []
            for version, some in zip(("old", "new"), plans, strict=True):
                stage = f"{what}, {version}"
                done += kept.enter_context(_performed(some, folder, work, stage)) if some else []
        left = iter(done)
        found = [[next(left) if plan is not None else None for plan in side] for side in sides]
        yield tuple(zip(*found, strict=True))


def share_a_pass(plans: Sequence[Plan]) -> bool:
    """Return whether the engine can perform these side by side: they start and end together."""
    return len({(plan.rate_hz, plan.start, plan.end) for plan in plans}) <= 1


@contextmanager
def _performed(
    plans: Sequence[Plan], folder: Path, work: Work, what: str
) -> Iterator[list[Performed]]:
    """Perform plans in one pass."""
    options = {"threads": work.threads, "progress": work.on(what)}
    parts = [Part(plan) for plan in plans]
    with performed_together(parts, folder, **options) as all_done:  # type: ignore[arg-type]
        yield list(all_done)


def side_by_side(
    old: Performed | None, new: Performed | None
) -> Iterator[tuple[Block, Block, Block]]:
    """Yield blocks (frames, 2) of both mixes and of what is left when the old is subtracted.

    One that has ended is silence from there on; its own blocks are empty then. Blocks are valid
    until the next ones.
    """
    streams = [iter(()) if done is None else done.blocks() for done in (old, new)]
    for was, now in zip_longest(*streams, fillvalue=NOTHING):
        left = np.zeros((max(len(was), len(now)), 2))
        left[: len(now)] = now
        left[: len(was)] -= was
        yield was, now, left


def _working_folder() -> tempfile.TemporaryDirectory[str]:
    try:
        return tempfile.TemporaryDirectory(prefix="mixwright-compare-")
    except OSError as error:
        message = f"there is no folder for temporary files: {error.strerror}"
        hint = "set $TMPDIR to one that can be written to"
        problem = Problem("compare/machine", message, help=hint, fault=Fault.MACHINE)
        raise ProblemError([problem]) from error
