"""A command run in this process as a shell would run it, and what it printed, wrote and used."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import resource
import sys
import tempfile
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from fuzzing.memory import peak_bytes
from mixwright import cli

MORE_BYTES = 2 << 30  # of address space that one command may take
HASHED_BYTES = 1 << 20  # of a file with holes, at both its ends


@dataclass(frozen=True)
class Ran:
    """What came of a command; `stray` is what came to the descriptors past Python's own streams."""

    words: tuple[str, ...]
    status: int
    out: str
    err: str
    stray: str
    cpu_s: float
    grown_bytes: int


def ran(words: tuple[str, ...], scratch: Path) -> Ran:
    """Run a command line; warnings are errors, memory has a limit, temporary files a folder."""
    out, err = io.StringIO(), io.StringIO()
    scratch.mkdir(exist_ok=True)
    kept, tempfile.tempdir = tempfile.tempdir, str(scratch)
    before, begun = peak_bytes(reset=True), time.process_time()
    try:
        with (
            _descriptors(scratch.with_suffix(".txt")) as stray,
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            warnings.catch_warnings(),
            _limited(),
        ):
            warnings.simplefilter("error")
            status = cli.run(words)
    finally:
        tempfile.tempdir = kept
    used = time.process_time() - begun
    grown = peak_bytes() - before
    return Ran(words, status, out.getvalue(), err.getvalue(), "".join(stray), used, grown)


@contextlib.contextmanager
def _descriptors(path: Path) -> Iterator[list[str]]:
    """Take what is written to the descriptors 1 and 2 meanwhile: code of C knows only these."""
    told: list[str] = []
    sys.stdout.flush()
    sys.stderr.flush()
    kept = [os.dup(1), os.dup(2)]
    with open(path, "w+b") as file:
        try:
            os.dup2(file.fileno(), 1)
            os.dup2(file.fileno(), 2)
            yield told
        finally:
            for own, descriptor in zip(kept, (1, 2), strict=True):
                os.dup2(own, descriptor)
                os.close(own)
            file.seek(0)
            told.append(file.read().decode("utf-8", "replace"))
    path.unlink()


@contextlib.contextmanager
def _limited() -> Iterator[None]:
    """Let the process have so much more memory and not more."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[0])
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + MORE_BYTES, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def snapshot(folder: Path) -> dict[str, str]:
    """Return every file and folder below, with a hash of what is in it."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        if path.is_dir():
            found[name] = "folder"
        else:
            size = path.stat().st_size
            with open(path, "rb") as file:
                digest = hashlib.sha256(file.read(HASHED_BYTES))
                file.seek(max(0, size - HASHED_BYTES))
                digest.update(file.read(HASHED_BYTES))
            found[name] = f"{size} {digest.hexdigest()}"
    return found
