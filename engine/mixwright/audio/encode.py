"""Blocks of sound into a finished file: one way to write every format.

The same input gives the same bytes, whatever the hour and however it is cut into blocks: the seed
decides the dither, time stamps are cleared, serial numbers follow from the content. Memory does not
depend on the length.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TypedDict

import numpy as np
import soundfile
from numpy.typing import NDArray

from mixwright.audio.bext import Bext, coding_history, write_bext
from mixwright.audio.formats import MixFormat, check_available
from mixwright.audio.ogg import fix_serial
from mixwright.audio.riff import chunks
from mixwright.audio.staged import told_as_problem
from mixwright.audio.tags import Tags, write_tags
from mixwright.dsp.dither import Quantiser
from mixwright.problem import ProblemError
from mixwright.units import Block
from mixwright.version import __version__

OWN_MARK = "mixwright"
CHANNELS = 2
# Sizes in RIFF and AIFF have 32 bits; a megabyte is left for what is not sound.
RIFF_LIMIT_BYTES = 2**32 - 2**20
# Encoders always get as much at a time: what Vorbis writes depends on it.
PIECE_FRAMES = 65536
# The sound library's number for a refusal of the machine, which it gives no reason for.
SYSTEM_FAILED = 2
# What is written to a lost file to be told the reason: more than what may fit after all.
PROBES, PROBE_BYTES = 4, 65536


class Effort(TypedDict, total=False):
    """Settings of a lossy encoder as the sound library has them: 0 compresses least."""

    compression_level: float
    bitrate_mode: str


# One fixed setting each, for files that are listened to and kept. Measured on stereo noise at
# 48 kHz; lower rates take fewer bits.
EFFORTS: dict[str, Effort] = {
    "ogg": {"compression_level": 0.2},  # quality 8, about 256 kb/s
    "opus": {"compression_level": 0.64},  # 96 kb/s a channel, 192 kb/s
    "mp3": {"compression_level": 0.0, "bitrate_mode": "CONSTANT"},  # 320 kb/s, the most there is
}


@dataclass(frozen=True)
class Encoding:
    """All but the sound that a file depends on: its format, its dither, what it says of itself.

    Integer formats are dithered from `seed`, noise-shaped if `shaped`. `bext` is for WAV, other
    formats have no place for it; `version` goes into the mark of the software.
    """

    form: MixFormat
    seed: int = 0
    shaped: bool = False
    tags: Tags | None = None
    bext: Bext | None = None
    version: str = __version__


def encode(
    blocks: Iterable[Block],
    frames: int,
    rate_hz: int,
    path: Path,
    encoding: Encoding,
    named: Path | None = None,
) -> None:
    """Write stereo blocks (frames, 2), `frames` in all, to exactly `path`: who calls stages it.

    What is over full scale clips in integer formats, and in the decoder of a lossy one. WAV becomes
    RF64 when RIFF would not hold it. The blocks may share one buffer. Problems name the file
    `named`, if given.

    Raises ProblemError if the machine refuses, its sound library lacks the format, or AIFF would be
    longer than it can; RuntimeError if `frames` or the rate is not what it should be.
    """
    form, tags, bext = encoding.form, encoding.tags, encoding.bext
    check_available(form)
    if form.rates_hz and rate_hz not in form.rates_hz:
        raise RuntimeError(f"{form.name} has no rate of {rate_hz} Hz")
    container = _container(form, frames, named or path)
    software, quantiser = f"{OWN_MARK} {encoding.version}", None
    if form.bits is not None:
        quantiser = Quantiser(form.bits, encoding.seed, encoding.shaped, rate_hz)
    with told_as_problem(named or path):
        with (
            _reason_found(path),
            soundfile.SoundFile(
                _library_name(path),
                "w",
                rate_hz,
                CHANNELS,
                subtype=form.subtype,
                format=container,
                **EFFORTS.get(form.name, {}),
            ) as file,
        ):
            if form.container != "MP3":  # where it goes into the tag
                file.software = software
            _write_blocks(file, _in_pieces(blocks, frames), quantiser)
        _settle(path, form)
        if tags is not None or form.container == "MP3":
            write_tags(path, form, tags or Tags(), software)
        if bext is not None and form.container == "WAV":
            write_bext(path, bext, coding_history(form.bits, rate_hz, software))
        _sync(path)


@contextmanager
def _reason_found(path: Path) -> Iterator[None]:
    """Raise the machine's reason where the sound library says only that the system failed.

    The file is lost then: to write some more to it meets the same refusal, and is told why.
    """
    try:
        yield
    except soundfile.LibsndfileError as error:
        if error.code == SYSTEM_FAILED:
            with open(path, "ab", buffering=0) as file:
                for _ in range(PROBES):
                    file.write(bytes(PROBE_BYTES))
                os.fsync(file.fileno())
        raise


def _library_name(path: Path) -> bytes | Path:
    """What the sound library opens a path by: its bytes, which need not be UTF-8.

    Given text it refuses a name with bytes that are none; where names are text, it gets that.
    """
    return os.fsencode(path) if os.name == "posix" else path


def _container(form: MixFormat, frames: int, named: Path) -> str:
    """The container as the sound library has it, by how long the sound is."""
    size = frames * CHANNELS * (4 if form.bits is None else form.bits // 8)
    if size <= RIFF_LIMIT_BYTES:
        return form.container
    if form.container == "AIFF":
        message = f"{named.name} would have {size} bytes of sound, expected less than 4 GB in AIFF"
        raise ProblemError.of("output/too-long", message, "choose a WAV format")
    return "RF64" if form.container == "WAV" else form.container


def _in_pieces(blocks: Iterable[Block], frames: int) -> Iterator[Block]:
    """Yield the same sound in equal pieces, in one buffer; a count not as told is our bug."""
    piece, filled, done = np.empty((PIECE_FRAMES, CHANNELS)), 0, 0
    for block in blocks:
        done += len(block)
        if done > frames:
            break
        while len(block):
            part = block[: PIECE_FRAMES - filled]
            piece[filled : filled + len(part)] = part
            filled += len(part)
            block = block[len(part) :]
            if filled == PIECE_FRAMES:
                yield piece
                filled = 0
    if done != frames:
        raise RuntimeError(f"{done} frames came, {frames} were announced")
    if filled:
        yield piece[:filled]


def _write_blocks(
    file: soundfile.SoundFile, blocks: Iterable[Block], quantiser: Quantiser | None
) -> None:
    """Write one block while the next is made."""
    written: Future[None] | None = None
    with ThreadPoolExecutor(1) as writer:
        for block in blocks:
            made = _as_file_samples(block, quantiser)
            if written is not None:
                written.result()
            written = writer.submit(file.write, made)
    if written is not None:
        written.result()


def _as_file_samples(
    block: Block, quantiser: Quantiser | None
) -> NDArray[np.float32] | NDArray[np.int32]:
    """Return a block as the file holds it: float32, or dithered whole numbers."""
    return block.astype(np.float32) if quantiser is None else quantiser.quantise(block)


def _settle(path: Path, form: MixFormat) -> None:
    """Take out what the sound library draws from the clock or at random."""
    if form.container == "WAV":
        _clear_time_stamp(path)
    if form.container == "OGG":
        fix_serial(path)


def _clear_time_stamp(path: Path) -> None:
    """Float files carry the time of writing in their PEAK chunk, after its version: zero it."""
    with open(path, "r+b") as file:
        for chunk in chunks(file):
            if chunk.name == b"PEAK":
                file.seek(chunk.body_at + 4)
                file.write(bytes(4))


def _sync(path: Path) -> None:
    with open(path, "rb+") as file:
        os.fsync(file.fileno())
