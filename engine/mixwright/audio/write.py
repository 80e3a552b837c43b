"""Streaming write: a spool of the finished sum, then one pass into the file asked for.

A file appears under its own name only when it is complete: it is written beside and renamed. The
spool lets the level be known before the first sample is quantised, so that a mix that would clip is
refused instead of written.
"""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from mixwright.dsp.dither import Quantiser
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.units import Block

OWN_MARK = "mixwright"
# What the user can mend by giving another name.
BAD_NAMES = (errno.ENAMETOOLONG, errno.ENOTDIR, errno.EEXIST, errno.EINVAL, errno.EISDIR)
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
WRITE_FRAMES = 65536
FRAME_BYTES = 16  # of the spool: two float64
RIFF_LIMIT_BYTES = 2**32 - 2**20


@dataclass(frozen=True)
class MixFormat:
    """A deliverable format; `bits` is None for float."""

    name: str
    container: str
    subtype: str
    bits: int | None
    suffix: str


FORMATS = {
    f.name: f
    for f in (
        MixFormat("wav16", "WAV", "PCM_16", 16, ".wav"),
        MixFormat("wav24", "WAV", "PCM_24", 24, ".wav"),
        MixFormat("wav32f", "WAV", "FLOAT", None, ".wav"),
        MixFormat("flac16", "FLAC", "PCM_16", 16, ".flac"),
        MixFormat("flac24", "FLAC", "PCM_24", 24, ".flac"),
    )
}


def refuse_folder(path: Path) -> None:
    """Refuse a target that is a folder."""
    with told_as_problem(path):
        is_folder = path.is_dir()
    if is_folder:
        message = f"{path} is a folder, expected a file name for the mix"
        raise ProblemError([Problem("output/is-folder", message)])


def check_target(path: Path, force: bool) -> None:
    """Refuse a target that is a folder, or a file this tool did not write unless forced."""
    refuse_folder(path)
    with told_as_problem(path):
        exists = path.exists()
    if exists and not force and not _is_ours(path):
        raise ProblemError(
            [
                Problem(
                    "output/not-ours",
                    f"{path} exists and was not written by mixwright",
                    help="give another --out, or --force to overwrite it",
                )
            ]
        )


def _is_ours(path: Path) -> bool:
    try:
        with soundfile.SoundFile(path) as file:
            return str(file.copy_metadata().get("software", "")).startswith(OWN_MARK)
    except (soundfile.LibsndfileError, OSError, TypeError):
        return False  # not a sound file we can read, so not one of ours


@contextmanager
def told_as_problem(path: Path) -> Iterator[None]:
    """Turn the machine's refusals (full disk, permission) into a ProblemError with the file."""
    try:
        yield
    except (OSError, soundfile.LibsndfileError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        message = f"{path} can't be written: {reason}"
        if getattr(error, "errno", None) in BAD_NAMES:
            problem = Problem("output/bad-name", message, help="give another --out")
        else:
            full = getattr(error, "errno", None) in FULL
            hint = "free some space or " if full else ""
            hint += "choose another --out; nothing was changed"
            problem = Problem("output/machine", message, help=hint, fault=Fault.MACHINE)
        raise ProblemError([problem]) from error


class Spool:
    """The finished sum, float64 stereo, in a nameless temporary file beside the target."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.frames = 0
        with told_as_problem(folder):
            folder.mkdir(parents=True, exist_ok=True)
            # Unbuffered: nothing is left to be written, and to fail, when it is closed.
            self._file = tempfile.TemporaryFile(dir=folder, prefix=".mixwright-spool-", buffering=0)  # noqa: SIM115 - closed by close()

    def write(self, block: Block) -> None:
        """Append a block (frames, 2)."""
        if not len(block):
            return
        with told_as_problem(self._folder):
            left = np.ascontiguousarray(block).data.cast("B")
            while left:
                left = left[self._file.write(left) :]
        self.frames += len(block)

    def trim(self, least: int, audible: float) -> None:
        """Leave out what comes after the last sample above `audible`, but keep `least` frames."""
        last, at = 0, least
        for block in self.blocks(least):
            heard = np.flatnonzero(np.abs(block).max(axis=1) > audible)
            last = at + int(heard[-1]) + 1 if len(heard) else last
            at += len(block)
        self.frames = min(self.frames, max(least, last))

    def blocks(self, first: int = 0) -> Iterator[Block]:
        """Yield the sum again from frame `first` on, in blocks of (frames, 2)."""
        self._file.seek(first * FRAME_BYTES)
        whole = np.empty((WRITE_FRAMES, 2))
        for at in range(first, self.frames, WRITE_FRAMES):
            block = whole[: min(WRITE_FRAMES, self.frames - at)]
            room, filled = block.data.cast("B"), 0
            while count := self._file.readinto(room[filled:]):
                filled += count
            yield block

    def close(self) -> None:
        """Give the space back."""
        self._file.close()


def write_mix(
    spool: Spool,
    gain: float,
    target: Path,
    form: MixFormat,
    rate_hz: int,
    seed: int,
    version: str,
    shaped: bool = False,
) -> None:
    """Write `gain` times the spool to `target`, complete or not at all.

    `shaped` is for integer formats: noise-shaped dither in place of a plain one.
    Raises ProblemError (fault MACHINE) when the disk refuses; leaves no debris.
    """
    quantiser = None if form.bits is None else Quantiser(form.bits, seed, shaped, rate_hz)
    sample_bytes = 4 if form.bits is None else form.bits // 8
    container = form.container
    if container == "WAV" and spool.frames * 2 * sample_bytes > RIFF_LIMIT_BYTES:
        container = "RF64"
    written: Future[None] | None = None
    with written_beside(target) as beside:
        with soundfile.SoundFile(
            beside, "w", rate_hz, 2, subtype=form.subtype, format=container
        ) as file:
            file.software = f"{OWN_MARK} {version}"
            with ThreadPoolExecutor(1) as writer:  # writes one block while the next is made
                for block in spool.blocks():
                    scaled = block if gain == 1.0 else block * gain
                    made = as_file_samples(scaled, quantiser)
                    if written is not None:
                        written.result()
                    written = writer.submit(file.write, made)
            if written is not None:
                written.result()
        _clear_time_stamp(beside)
        _sync(beside)


@contextmanager
def written_beside(target: Path) -> Iterator[Path]:
    """Give a path to write to that takes the place of `target` when all went well.

    Raises ProblemError when the disk refuses; leaves no debris.
    """
    beside = target.with_name(f".{target.name}.part-{os.getpid()}")
    try:
        with told_as_problem(target):
            yield beside
            os.replace(beside, target)
    finally:
        beside.unlink(missing_ok=True)


def as_file_samples(
    block: Block, quantiser: Quantiser | None
) -> NDArray[np.float32] | NDArray[np.int32]:
    """Return a block as the file holds it: float32, or dithered whole numbers."""
    return block.astype(np.float32) if quantiser is None else quantiser.quantise(block)


def _clear_time_stamp(path: Path) -> None:
    """Float files carry the time of writing in their PEAK chunk: zero it, so renders repeat."""
    with open(path, "r+b") as file:
        head = file.read(4096)
        at = head.find(b"PEAK")
        if at >= 0 and head[:4] in (b"RIFF", b"RF64") and at < head.find(b"data"):
            file.seek(at + 12)
            file.write(bytes(4))


def _sync(path: Path) -> None:
    with open(path, "rb+") as file:
        os.fsync(file.fileno())
