"""How one call works: on how many threads, what it keeps and recalls, whom it tells, what it lets.

Built once where a verb begins, and handed on whole, so that no room passes on half of it.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from mixwright.places import cache_folder
from mixwright.problem import Problem, ProblemError

# (stage, share done from 0 to 1)
StageProgress = Callable[[str, float], None]


@dataclass(frozen=True)
class Session:
    """The threads to work on (None: all cores), whom to tell of progress, and the permissions.

    Without `keep_cache` nothing is recalled that was found by an earlier run, nor kept for later.
    `allow_outside` lets a sheet name files outside its folder; `allow_plugins` lets third-party
    plug-ins in this machine's list run. ProblemError for a count of threads that is none.
    """

    threads: int | None = None
    keep_cache: bool = True
    allow_outside: bool = False
    allow_plugins: bool = False
    progress: StageProgress | None = None

    def __post_init__(self) -> None:
        if self.threads is not None and self.threads < 1:
            message = f"threads is {self.threads}, expected 1 or more"
            raise ProblemError([Problem("usage/threads", message)])

    @property
    def cores(self) -> int:
        """On how many threads to work."""
        return self.threads or usable_cores()

    @property
    def cache_folder(self) -> Path | None:
        """Where caches lie; None where nothing is kept."""
        return cache_folder() if self.keep_cache else None

    def tell(self, stage: str, share: float) -> None:
        """Say how far a stage is."""
        if self.progress is not None:
            self.progress(stage, share)

    def on(self, what: str) -> Session:
        """Return the same session, whose stages are told as those of `what`."""
        return self.told(lambda stage, share: self.tell(f"{what}: {stage}", share))

    def told(self, progress: StageProgress) -> Session:
        """Return the same session, telling another; nobody where nobody was told before."""
        return self if self.progress is None else replace(self, progress=progress)


USUAL = Session()


def usable_cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
