"""Recordings that a sheet or a person names, probed with what the cache remembers of them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from mixwright.audio import StemInfo, probe_all
from mixwright.places import cache_folder
from mixwright.problem import ProblemError
from mixwright.rendering.cache import DataCache
from mixwright.rendering.cores import usable_cores


def probed_all(paths: Iterable[Path], decode: bool = True) -> list[StemInfo | ProblemError]:
    """Return what each file is, or what is wrong with it: compressed ones are decoded in one go.

    Without `decode` they are opened only, and what they say of themselves is believed.
    Raises ProblemError (fault MACHINE) where no process can be started to decode them.
    """
    return probe_all(paths, DataCache(cache_folder(), "decoded"), usable_cores(), decode)


def probed(path: Path, decode: bool = True) -> StemInfo:
    """Return what a file is; ProblemError when it can't be read as one or two channels."""
    (found,) = probed_all([path], decode)
    if isinstance(found, ProblemError):
        raise found
    return found
