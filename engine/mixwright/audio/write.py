"""Streaming write: a spool of the finished sum, then one pass into the file asked for.

The spool lets the level be known before the first sample is quantised, so that a mix that would
clip is refused instead of written.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile

from mixwright.audio.encode import OWN_MARK
from mixwright.audio.opened import opened_file
from mixwright.audio.plain import is_plain
from mixwright.audio.staged import LONGEST_SOUND_PATH, check_name, told_as_problem
from mixwright.claims import nameless
from mixwright.problem import ProblemError
from mixwright.units import Block

WRITE_FRAMES = 65536
FRAME_BYTES = 16  # of the spool: two float64
# How the name of the writing software stands in the comments of FLAC, Vorbis and Opus (Xiph.Org
# "Vorbis comment specification": the length in four bytes first) and in ID3 of MP3 (ID3 version
# 2.4.0, "Text information frames").
OWN_TAG = re.compile(
    rb"(?:[\x12-\xff]\0\0\0(?:(?i:software|encoder)=)|TSSE.{6}\x03)" + OWN_MARK.encode() + rb" ",
    re.DOTALL,
)
TAG_BYTES = 1 << 18  # tags come first; ours hold words alone


def refuse_folder(path: Path) -> None:
    """Refuse a target that is a folder."""
    with told_as_problem(path):
        is_folder = path.is_dir()
    if is_folder:
        message = f"{path} is a folder, expected a file name for the mix"
        raise ProblemError.of("output/is-folder", message)


def check_target(path: Path, force: bool) -> None:
    """Refuse a target that is a folder, or a file this tool did not write unless forced."""
    check_name(path, longest=LONGEST_SOUND_PATH)
    refuse_folder(path)
    with told_as_problem(path):
        exists = path.exists()
    if exists and not force and not _is_ours(path):
        message = f"{path} exists and was not written by mixwright"
        hint = "give another --out, or --force to overwrite it"
        raise ProblemError.of("output/not-ours", message, hint)


def _is_ours(path: Path) -> bool:
    """Whether a file bears our mark. Whoever wrote it: it is not decoded here."""
    try:
        with open(path, "rb") as file:
            if not is_plain(file):
                file.seek(0)
                return OWN_TAG.search(file.read(TAG_BYTES)) is not None
        with opened_file(path) as number, soundfile.SoundFile(number, closefd=False) as sound:
            return str(sound.copy_metadata().get("software", "")).startswith(OWN_MARK)
    except (soundfile.LibsndfileError, OSError):
        return False  # not a sound file we can read, so not one of ours


class Spool:
    """The finished sum, float64 stereo, in a nameless temporary file beside the target."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._reading = threading.Lock()
        self.frames = 0
        with told_as_problem(folder):
            folder.mkdir(parents=True, exist_ok=True)
            # Unbuffered: nothing is left to be written, and to fail, when it is closed.
            self._file = nameless(folder)

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

    def cut(self, frames: int) -> None:
        """Leave out what comes after so many frames."""
        self.frames = min(self.frames, frames)

    def blocks(self, first: int = 0) -> Iterator[Block]:
        """Yield the sum again from frame `first` on, in blocks of (frames, 2)."""
        whole = np.empty((WRITE_FRAMES, 2))
        for at in range(first, self.frames, WRITE_FRAMES):
            block = whole[: min(WRITE_FRAMES, self.frames - at)]
            room, filled = block.data.cast("B"), 0
            with self._reading:  # several may read at once, each at a place of its own
                self._file.seek(at * FRAME_BYTES)
                while count := self._file.readinto(room[filled:]):
                    filled += count
            yield block

    def close(self) -> None:
        """Give the space back."""
        self._file.close()
