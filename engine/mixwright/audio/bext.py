"""The broadcast extension of a WAV file: who, when, and at which sample of the day it begins.

Layout of the ``bext`` chunk by EBU Tech 3285, version 2 (May 2011): 602 bytes, little-endian, then
the coding history. Chunks are walked by their headers alone, in RIFF, RF64 and BW64 files (EBU Tech
3306, ITU-R BS.2088), in any order; nothing else is read.

A file without the chunk, of another kind or cut off before it says nothing: None. So does a chunk
that is too short to hold its fixed part: what it claims can't be trusted, and nothing in a mix
depends on it. Fields that make no sense on their own are None, or read as far as they do. Only a
file that can't be opened or read is a problem.

Whether the times of several files agree is told by :mod:`mixwright.meters.time_stamps`.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from mixwright.problem import Fault, Problem, ProblemError

FORMS = (b"RIFF", b"RF64", b"BW64")
FIXED_BYTES = 602
LARGE = 0xFFFFFFFF
LOUDNESS_AT, NOT_USED, LARGEST = 412, 0x7FFF, 9999
# More chunks than any file has: a damaged one may seem to hold nothing but empty ones.
MOST_CHUNKS = 10_000


@dataclass(frozen=True)
class Bext:
    """What the chunk says; texts are without their padding and may be empty.

    `time_reference_samples` counts from midnight to the first sample, at the file's rate. Loudness
    fields exist from version 2 on and are None where they are not used or out of range.
    """

    description: str
    originator: str
    originator_reference: str
    date: str
    time: str
    time_reference_samples: int
    version: int
    loudness_lufs: float | None
    loudness_range_lu: float | None
    max_true_peak_dbtp: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None


def read_bext(path: Path) -> Bext | None:
    """Return the broadcast extension of a file, None if there is none that can be understood.

    Raises ProblemError if the file can't be opened or read.

    >>> read_bext(Path("stems/lead.wav")).time_reference_samples  # doctest: +SKIP
    1728000000
    """
    try:
        with open(path, "rb") as file:
            chunk = _find(file)
    except OSError as error:
        message = f"{path.name} can't be read: {error.strerror}"
        fault = Fault.INPUT if isinstance(error, FileNotFoundError) else Fault.MACHINE
        raise ProblemError([Problem("audio/unreadable", message, fault=fault)]) from error
    return None if chunk is None else parse_bext(chunk)


def parse_bext(chunk: bytes) -> Bext | None:
    """Return what the first 602 bytes of a chunk say, None if there are fewer.

    >>> empty = parse_bext(bytes(602))
    >>> empty.description, empty.time_reference_samples, empty.loudness_lufs
    ('', 0, None)
    """
    if len(chunk) < FIXED_BYTES:
        return None
    low, high, version = struct.unpack_from("<IIH", chunk, 338)
    loudness = struct.unpack_from("<5h", chunk, LOUDNESS_AT) if version >= 2 else (NOT_USED,) * 5
    integrated, spread, peak, momentary, short_term = map(_hundredths, loudness)
    return Bext(
        description=_text(chunk[0:256]),
        originator=_text(chunk[256:288]),
        originator_reference=_text(chunk[288:320]),
        date=_text(chunk[320:330]),
        time=_text(chunk[330:338]),
        time_reference_samples=low + (high << 32),
        version=version,
        loudness_lufs=integrated,
        loudness_range_lu=spread if spread is None or spread >= 0.0 else None,
        max_true_peak_dbtp=peak,
        max_momentary_lufs=momentary,
        max_short_term_lufs=short_term,
    )


def _find(file: BinaryIO) -> bytes | None:
    """The fixed part of the chunk, as much of it as there is."""
    form = file.read(12)
    if form[:4] not in FORMS or form[8:12] != b"WAVE":
        return None
    end = os.fstat(file.fileno()).st_size
    long_sizes: dict[bytes, int] = {}
    for _ in range(MOST_CHUNKS):
        header = file.read(8)
        if len(header) < 8:
            return None
        name, size = header[:4], int.from_bytes(header[4:], "little")
        start = file.tell()
        if name == b"bext":
            return file.read(min(size, FIXED_BYTES))
        if name == b"ds64":
            long_sizes = _long_sizes(file.read(min(size, 28 + 12 * 64)))
        elif size == LARGE:
            size = long_sizes.get(name, size)
        start += size + size % 2
        if start >= end:
            return None
        file.seek(start)
    return None


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


def _text(field: bytes) -> str:
    """ASCII up to the first NUL; writers put other alphabets there, and none is agreed upon."""
    return field.split(b"\0", 1)[0].decode("utf-8", "replace").strip()


def _hundredths(value: int) -> float | None:
    return value / 100.0 if abs(value) <= LARGEST else None
