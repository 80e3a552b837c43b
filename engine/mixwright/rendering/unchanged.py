"""Recordings that change while they are played: a mix of two states of one is refused."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator

from mixwright.audio import StemInfo
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering.plan import Plan


def check_unchanged(plans: Iterable[Plan]) -> None:
    """Refuse to go on with recordings that were written to since their plans were made.

    One that was removed is let be: what was opened before could be read to its end. Raises
    ProblemError (fault MACHINE) that names each one, once.
    """
    infos = {info.path: info for plan in plans for info in _recordings(plan)}
    names = dict.fromkeys(info.path.name for info in infos.values() if _is_changed(info))
    if names:
        raise ProblemError(_problem(name) for name in names)


def _recordings(plan: Plan) -> Iterator[StemInfo]:
    yield from (track.stem for track in plan.tracks)
    yield from (part.impulse for part in plan.returns if part.impulse is not None)


def _is_changed(info: StemInfo) -> bool:
    try:
        now = os.stat(info.path)
    except OSError:
        return False
    return (now.st_size, now.st_mtime_ns, now.st_ino) != (info.size, info.modified_ns, info.inode)


def _problem(name: str) -> Problem:
    message = f"{name} was changed while it was being read, expected it to stay as it was"
    hint = "let it be written to its end, then try again; nothing was changed"
    return Problem("audio/changed", message, help=hint, fault=Fault.MACHINE)
