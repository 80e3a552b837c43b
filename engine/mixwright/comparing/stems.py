"""Which recordings of two versions hold something else, wherever they lie."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from mixwright.audio import StemInfo
from mixwright.rendering import Plan
from mixwright.rendering.identity import Contents


@dataclass(frozen=True)
class OtherFile:
    """A track or return whose file holds other bytes in the new mix, and where both lie."""

    name: str
    old: Path
    new: Path


def other_files(old: Plan, new: Plan, contents: Contents) -> tuple[OtherFile, ...]:
    """Return what both versions have, and read from files that hold other bytes."""
    now = _files_of(new)
    return tuple(
        OtherFile(name, info.path, now[name].path)
        for name, info in _files_of(old).items()
        if name in now and contents[info] != contents[now[name]]
    )


def _files_of(plan: Plan) -> dict[str, StemInfo]:
    """The recordings of tracks and returns by name; the two never share one."""
    rooms = {part.name: part.impulse for part in plan.returns if part.impulse is not None}
    return {track.name: track.stem for track in plan.tracks} | rooms
