"""Whether two plans read the same sound: files in other places may hold the same bytes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from mixwright.audio import StemInfo
from mixwright.audio.fingerprint import sha256_of
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering import Plan
from mixwright.rendering.parts import BusPlan, ChainPlan
from mixwright.rendering.stages import EffectStage


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
    tracks = tuple(
        replace(track, stem=_shared(track.name, track.stem, stems, others)) for track in old.tracks
    )
    returns = tuple(_with_room(part, rooms, others) for part in old.returns)
    return replace(old, tracks=tracks, returns=returns), tuple(others)


def _with_room(part: BusPlan, rooms: Mapping[str, StemInfo], others: list[OtherFile]) -> BusPlan:
    """A return whose effect, where that is a recorded room, reads the new one's file."""
    effect, *rest = part.chain.stages
    if part.impulse is None or not isinstance(effect, EffectStage):
        return part
    effect = replace(effect, impulse=_shared(part.name, part.impulse, rooms, others))
    return replace(part, chain=ChainPlan((effect, *rest)))


def _shared(
    name: str, old: StemInfo, files: Mapping[str, StemInfo], others: list[OtherFile]
) -> StemInfo:
    new = files.get(name, old)
    if old == new or _holds_the_same(old, new):
        return new
    others.append(OtherFile(name, old.path, new.path))
    return old


def _holds_the_same(old: StemInfo, new: StemInfo) -> bool:
    return old.size == new.size and _hash_of(old.path) == _hash_of(new.path)


def _hash_of(path: Path) -> str:
    try:
        return sha256_of(path)
    except OSError as error:
        message = f"{path} can't be read: {error.strerror}"
        raise ProblemError([Problem("compare/machine", message, fault=Fault.MACHINE)]) from error
