"""Several mixes of two versions of a song, performed for the sake of what differs between them.

Where they keep one time, one pass over the stems makes all of them, and everything that is equal in
both is worked out once; each is the mix that it would be by itself, to the last bit. Otherwise
those of the old version come first, then those of the new one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from itertools import zip_longest
from pathlib import Path

import numpy as np

from mixwright.measuring.measure import working_folder
from mixwright.rendering import Plan
from mixwright.rendering.perform import Part, Performed, performed_together
from mixwright.rendering.session import Session
from mixwright.units import Block

NOTHING = np.zeros((0, 2))
# An old and a new mix of the same thing; None where a version does not have it.
Pair = tuple[Plan | None, Plan | None]
PerformedPair = tuple[Performed | None, Performed | None]


@contextmanager
def pairs_performed(
    pairs: Sequence[Pair], session: Session, what: str
) -> Iterator[tuple[PerformedPair, ...]]:
    """Perform all plans; the spools, among the temporary files, are gone with the context.

    `what` is what progress is told to be of. Raises ProblemError as a render does.
    """
    sides = list(zip(*pairs, strict=True))
    plans = [[plan for plan in side if plan is not None] for side in sides]
    folder = working_folder("compare")
    with ExitStack() as kept:
        if share_a_pass([*plans[0], *plans[1]]):
            done = kept.enter_context(_performed([*plans[0], *plans[1]], folder, session.on(what)))
        else:
            done = []
            for version, some in zip(("old", "new"), plans, strict=True):
                stage = f"{what}, {version}"
                done += (
                    kept.enter_context(_performed(some, folder, session.on(stage))) if some else []
                )
        left = iter(done)
        found = [[next(left) if plan is not None else None for plan in side] for side in sides]
        yield tuple(zip(*found, strict=True))


def share_a_pass(plans: Sequence[Plan]) -> bool:
    """Return whether the engine can perform these side by side: they start and end together."""
    return len({(plan.rate_hz, plan.start, plan.end) for plan in plans}) <= 1


@contextmanager
def _performed(plans: Sequence[Plan], folder: Path, session: Session) -> Iterator[list[Performed]]:
    """Perform plans in one pass."""
    with performed_together([Part(plan) for plan in plans], folder, session) as all_done:
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
