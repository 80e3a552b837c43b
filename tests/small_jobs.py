"""Work for processes of their own, in a module that they can import quickly."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

Told = Callable[[str, float], None]
# A process that is started imports this before it does anything else.
BORN_DEAF = signal.getsignal(signal.SIGINT) is signal.SIG_IGN


def add(one: int, other: int, progress: Told) -> int:
    progress("adding", 0.5)
    return one + other


def was_born_deaf(progress: Told) -> bool:
    return BORN_DEAF


def be_killed(progress: Told) -> None:
    progress("running out of memory", 0.5)
    os.kill(os.getpid(), signal.SIGKILL)


def end_early(progress: Told) -> None:
    sys.exit(7)


class OddError(Exception):
    """Can't be made again from what it says, so can't be sent from process to process."""

    def __init__(self, one: int, other: int) -> None:
        super().__init__(f"{one} and {other}")


def be_at_fault(progress: Told) -> None:
    raise OddError(1, 2)


def write_until_told(path: Path, progress: Told) -> None:
    """Write a file that is half done until the end, which doesn't come."""
    path.write_text("half")
    try:
        progress("writing", 0.5)
        time.sleep(60.0)
    finally:
        path.unlink()
