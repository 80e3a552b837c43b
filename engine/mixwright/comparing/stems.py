"""Whether two plans read the same sound: files in other places may hold the same bytes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from mixwright.audio import StemInfo
from mixwright.audio.fingerprint import sha256_of
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering import Plan


@dataclass(frozen=True)
class OtherFile:
    """A track or return whose file holds other bytes in the new mix, and where both lie."""

    name: str
    old: Path
    new: Path


def with_shared_files(old: Plan, new: Plan) -> tuple[Plan, tuple[OtherFile, ...]]:
    """Return the old plan reading the new one's files wherever they hold the same bytes.

    Also returned is what they don't. Raises ProblemError (fault MACHINE) for a file that can't be
    read.
    """
    others: list[OtherFile] = []
    stems = {track.name: track.stem for track in new.tracks}
    rooms = {part.name: part.impulse for part in new.returns if part.impulse is not None}
    tracks = tuple(_with_shared(track, "stem", stems, others) for track in old.tracks)
    returns = tuple(_with_shared(part, "impulse", rooms, others) for part in old.returns)
    return replace(old, tracks=tracks, returns=returns), tuple(others)


def _with_shared(part: Any, key: str, files: Mapping[str, StemInfo], others: Any) -> Any:
    old, new = getattr(part, key), files.get(part.name)
    if old is None or new is None or old == new:
        return part
    if _holds_the_same(old, new):
        return replace(part, **{key: new})
    others.append(OtherFile(part.name, old.path, new.path))
    return part


def _holds_the_same(old: StemInfo, new: StemInfo) -> bool:
    return old.size == new.size and _hash_of(old.path) == _hash_of(new.path)


def _hash_of(path: Path) -> str:
    try:
        return sha256_of(path)
    except OSError as error:
        message = f"{path} can't be read: {error.strerror}"
        raise ProblemError([Problem("compare/machine", message, fault=Fault.MACHINE)]) from error
