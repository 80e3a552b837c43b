"""Recordings that a sheet or a person names, probed with what the cache remembers of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from mixwright.audio import StemInfo, probe_all
from mixwright.places import cache_folder
from mixwright.problem import ProblemError
from mixwright.rendering.cache import DataCache
from mixwright.rendering.cores import usable_cores


@dataclass(frozen=True)
class Probing:
    """How recordings are looked at.

    Without `decode` compressed ones are opened only, and what they say of themselves is believed.
    Without `keep_cache` nothing is recalled that was found by an earlier run, nor kept for later.
    """

    decode: bool = True
    keep_cache: bool = True


WHOLLY = Probing()


def probed_all(paths: Iterable[Path], probing: Probing = WHOLLY) -> list[StemInfo | ProblemError]:
    """Return what each file is, or what is wrong with it: compressed ones are decoded in one go.

    Raises ProblemError (fault MACHINE) where no process can be started to decode them.
    """
    folder = cache_folder() if probing.keep_cache else None
    memory, hashes = DataCache(folder, "decoded"), DataCache(folder, "hashes")
    return probe_all(paths, memory, usable_cores(), probing.decode, hashes)


def probed(path: Path, probing: Probing = WHOLLY) -> StemInfo:
    """Return what a file is; ProblemError when it can't be read as one or two channels."""
    (found,) = probed_all([path], probing)
    if isinstance(found, ProblemError):
        raise found
    return found
