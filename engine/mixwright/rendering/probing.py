"""Recordings that a sheet or a person names, probed with what the cache remembers of them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from mixwright.audio import StemInfo, probe_all
from mixwright.problem import ProblemError
from mixwright.rendering.cache import DataCache
from mixwright.rendering.session import USUAL, Session


def probed_all(
    paths: Iterable[Path], session: Session = USUAL, decode: bool = True
) -> list[StemInfo | ProblemError]:
    """Return what each file is, or what is wrong with it: compressed ones are decoded in one go.

    Without `decode` these are opened only, and what they say of themselves is believed.
    Raises ProblemError (fault MACHINE) where no process can be started to decode them.
    """
    memory, hashes = (DataCache(session.cache_folder, kind) for kind in ("decoded", "hashes"))
    return probe_all(paths, memory, session.cores, decode, hashes)


def probed(path: Path, session: Session = USUAL, decode: bool = True) -> StemInfo:
    """Return what a file is; ProblemError when it can't be read as one or two channels."""
    (found,) = probed_all([path], session, decode)
    if isinstance(found, ProblemError):
        raise found
    return found
