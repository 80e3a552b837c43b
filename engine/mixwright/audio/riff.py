"""The chunks of a WAV (or AIFF) file: walked by their headers alone, and put into a finished file.

RIFF, RF64 (EBU Tech 3306) and BW64 (ITU-R BS.2088): a name of four bytes, a size of four, the body,
and a zero byte if the size is odd. Past 4 GB the sizes read 0xFFFFFFFF and the true ones are in
``ds64``, the first chunk.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

from mixwright.problem import ProblemError

FORMS = (b"RIFF", b"RF64", b"BW64")
LARGE = 0xFFFFFFFF
FORM_BYTES = 12
# Where ds64 holds the size of the whole: after the form, its own header, at its very beginning.
LONG_SIZE_AT = FORM_BYTES + 8
# More chunks than any file has: a damaged one may seem to hold nothing but empty ones.
MOST_CHUNKS = 10_000
COPY_BYTES = 1 << 20


@dataclass(frozen=True)
class Chunk:
    """Where a chunk lies: `at` is the first byte of its header, `size` that of its body."""

    name: bytes
    at: int
    size: int

    @property
    def body_at(self) -> int:
        """The first byte of the body."""
        return self.at + 8

    @property
    def end(self) -> int:
        """The first byte after the body and its padding."""
        return self.body_at + self.size + self.size % 2


def chunks(file: BinaryIO) -> Iterator[Chunk]:
    """Yield every chunk in file order, as far as headers make sense; none if it is no WAV file.

    The last one may claim more than there is. The file may be read and moved in between.

    >>> import io
    >>> wave = io.BytesIO(b"RIFF\\x0e\\0\\0\\0WAVE" + b"LIST\\x01\\0\\0\\0x\\0")
    >>> [(chunk.name, chunk.size, chunk.end) for chunk in chunks(wave)]
    [(b'LIST', 1, 22)]
    """
    file.seek(0)
    form = file.read(FORM_BYTES)
    if form[:4] in FORMS and form[8:] == b"WAVE":
        yield from _walked(file, "little")


def aiff_chunks(file: BinaryIO) -> Iterator[Chunk]:
    """Yield every chunk of an AIFF or AIFF-C file in the same way; none if it is neither."""
    file.seek(0)
    form = file.read(FORM_BYTES)
    if form[:4] == b"FORM" and form[8:] in (b"AIFF", b"AIFC"):
        yield from _walked(file, "big")


def _walked(file: BinaryIO, order: Literal["little", "big"]) -> Iterator[Chunk]:
    end = file.seek(0, os.SEEK_END)
    at = FORM_BYTES
    long_sizes: dict[bytes, int] = {}
    for _ in range(MOST_CHUNKS):
        file.seek(at)
        header = file.read(8)
        if len(header) < 8:
            return
        name, size = header[:4], int.from_bytes(header[4:], order)
        if name == b"ds64":
            long_sizes = _long_sizes(file.read(min(size, 28 + 12 * 64)))
        elif size == LARGE:
            size = long_sizes.get(name, size)
        chunk = Chunk(name, at, size)
        yield chunk
        if (at := chunk.end) >= end:
            return


def chunk_body(file: BinaryIO, chunk: Chunk, most: int = LARGE) -> bytes:
    """Return the first `most` bytes of a chunk, fewer where it or the file has no more."""
    file.seek(chunk.body_at)
    return file.read(min(chunk.size, most))


def put_chunk(path: Path, name: bytes, body: bytes, *, first: bool) -> None:
    """Put a chunk into a finished file: in place of the one of that name, else `first` or last.

    First is after ``ds64``. What lies behind moves within the file, a piece at a time, so no second
    file is needed; the size of the whole follows, in RF64 that in ``ds64``. The same twice changes
    nothing.

    Raises ProblemError if `path` is not a whole WAV file, OSError if the machine refuses, and
    ValueError if a RIFF file would pass 4 GB.
    """
    if len(name) != 4:
        raise ValueError(f"the name of a chunk has four bytes, not {len(name)}")
    whole = name + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)
    with open(path, "r+b") as file:
        found = list(chunks(file))
        length = file.seek(0, os.SEEK_END)
        # Some writers leave out the padding of the very last chunk.
        if not found or found[-1].end > length + found[-1].size % 2:
            message = f"{path.name} is cut off or of another kind, expected a whole WAV file"
            raise ProblemError.of("audio/not-whole", message)
        at, removed = _place(found, name, first)
        file.seek(0)
        long = file.read(4) != b"RIFF"
        size = max(length, at + removed) + len(whole) - removed
        if not long and size - 8 >= LARGE:
            raise ValueError(f"{path.name} would be too long for RIFF")
        _splice(file, at, removed, whole)
        file.seek(LONG_SIZE_AT if long else 4)
        file.write(struct.pack("<Q" if long else "<I", size - 8))


def _place(found: list[Chunk], name: bytes, first: bool) -> tuple[int, int]:
    """Where the chunk goes, and how many bytes of an old one it takes the place of."""
    for chunk in found:
        if chunk.name == name:
            return chunk.at, chunk.end - chunk.at
    if not first:
        return found[-1].end, 0
    return (found[0].end if found[0].name == b"ds64" else FORM_BYTES), 0


def _splice(file: BinaryIO, at: int, removed: int, put: bytes) -> None:
    """Replace `removed` bytes from `at` on by `put`; what follows moves."""
    source, shift = at + removed, len(put) - removed
    end = file.seek(0, os.SEEK_END)
    starts = range(source, end, COPY_BYTES)
    # What moves back in the file is taken from its end: nothing is written over before it is read.
    for start in reversed(starts) if shift > 0 else starts if shift < 0 else ():
        file.seek(start)
        piece = file.read(COPY_BYTES)
        file.seek(start + shift)
        file.write(piece)
    if shift < 0:
        file.truncate(max(end, source) + shift)
    file.seek(at)
    file.write(put)


def _long_sizes(chunk: bytes) -> dict[bytes, int]:
    """True sizes of the chunks that are too large for 32 bits, from a ``ds64`` chunk."""
    if len(chunk) < 28:
        return {}
    data_size, _, entries = struct.unpack_from("<QQI", chunk, 8)
    sizes = {b"data": data_size}
    for entry in range(min(entries, (len(chunk) - 28) // 12)):
        name, size = struct.unpack_from("<4sQ", chunk, 28 + 12 * entry)
        sizes[name] = size
    return sizes
