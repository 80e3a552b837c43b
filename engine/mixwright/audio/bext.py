"""The broadcast extension of a WAV file: who, when, and at which sample of the day it begins.

Layout of the ``bext`` chunk by EBU Tech 3285, version 2 (May 2011): 602 bytes, little-endian, then
the coding history. Chunks are walked by their headers alone (:mod:`mixwright.audio.riff`), in any
order; nothing else is read.

A file without the chunk, of another kind or cut off before it says nothing: None. So does a chunk
that is too short to hold its fixed part: what it claims can't be trusted, and nothing in a mix
depends on it. Fields that make no sense on their own are None, or read as far as they do. Only a
file that can't be opened or read is a problem.

Whether the times of several files agree is told by :mod:`mixwright.faults.time_stamps`.
"""

from __future__ import annotations

import math
import struct
import unicodedata
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

from mixwright.audio.opened import unreadable
from mixwright.audio.riff import chunk_body, chunks, put_chunk

# Five texts, the time, the version, a UMID, five figures of loudness, and what is reserved.
LAYOUT = struct.Struct("<256s32s32s10s8sQH64s5h180x")
NOT_USED, LARGEST = 0x7FFF, 9999
LARGEST_TIME = 2**64 - 1


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
            found = (chunk for chunk in chunks(file) if chunk.name == b"bext")
            chunk = next(found, None)
            return None if chunk is None else parse_bext(chunk_body(file, chunk, LAYOUT.size))
    except OSError as error:
        raise unreadable(path.name, error) from error


def parse_bext(chunk: bytes) -> Bext | None:
    """Return what the first 602 bytes of a chunk say, None if there are fewer.

    >>> empty = parse_bext(bytes(602))
    >>> empty.description, empty.time_reference_samples, empty.loudness_lufs
    ('', 0, None)
    """
    if len(chunk) < LAYOUT.size:
        return None
    *texts, samples, version, _, loudness, spread, peak, momentary, short = LAYOUT.unpack_from(
        chunk
    )
    description, originator, reference, date, time = map(_text, texts)
    known = version >= 2
    return Bext(
        description=description,
        originator=originator,
        originator_reference=reference,
        date=date,
        time=time,
        time_reference_samples=samples,
        version=version,
        loudness_lufs=_hundredths(loudness, known),
        loudness_range_lu=_hundredths(spread, known and spread >= 0),
        max_true_peak_dbtp=_hundredths(peak, known),
        max_momentary_lufs=_hundredths(momentary, known),
        max_short_term_lufs=_hundredths(short, known),
    )


def write_bext(path: Path, bext: Bext, coding_history: str = "") -> None:
    """Put the chunk into a finished WAV or RF64 file, in place of the one it has.

    It goes before everything but ``ds64``, where the standard prints it; what follows moves within
    the file. Raises ProblemError if `path` is not a whole WAV file, OSError if the machine refuses.
    """
    put_chunk(path, b"bext", bext_chunk(bext, coding_history), first=True)


def bext_chunk(bext: Bext, coding_history: str = "") -> bytes:
    """Return the body of the chunk: 602 bytes, then the coding history.

    Texts are cut at the length of their field and padded with zeros. The standard has ASCII: a
    letter with an accent loses it, a control character becomes a space, anything else a question
    mark. In the history, lines stay and end in CR and LF. Loudness is in hundredths, rounded to the
    nearest, half away from zero; what is None, infinite or out of range is marked as not used, and
    before version 2 there is none.

    Raises ValueError if the time is negative or needs more than 64 bits.

    >>> bext = Bext("Lanterns at Low Tide", "", "", "", "", 48000, 2, -23.0, None, None, None, None)
    >>> bext_chunk(bext)[412:416].hex()
    '04f7ff7f'
    """
    if not 0 <= bext.time_reference_samples <= LARGEST_TIME:
        raise ValueError(f"a time of {bext.time_reference_samples} samples is out of range")
    texts = (bext.description, bext.originator, bext.originator_reference, bext.date, bext.time)
    loudness = map(_as_hundredths, _loudness(bext)) if bext.version >= 2 else (0,) * 5
    body = LAYOUT.pack(
        *map(_ascii, texts), bext.time_reference_samples, bext.version, b"", *loudness
    )
    body += b"".join(_ascii(line) + b"\r\n" for line in coding_history.splitlines())
    # Even in length: the sound library's RF64 reader forgets the padding of a chunk that is not.
    return body + bytes(len(body) % 2)


def coding_history(bits: int | None, rate_hz: int, software: str) -> str:
    """Return the line that says how a stereo file was made, 32-bit float if no `bits`.

    Keys by EBU R 98-1999, "Format for the <CodingHistory> field in Broadcast Wave Format files", as
    in published examples of it, not read in the recommendation itself. None of these says floating
    point: that goes into the text.

    >>> coding_history(24, 48000, "mixwright 1.0")
    'A=PCM,F=48000,W=24,M=stereo,T=mixwright 1.0'
    """
    text = software.replace(",", " ") + ("" if bits else "; floating point")
    return f"A=PCM,F={rate_hz},W={bits or 32},M=stereo,T={text}"


def _ascii(text: str) -> bytes:
    """ASCII as documented in `bext_chunk`."""
    apart = unicodedata.normalize("NFKD", text)
    kept = (letter for letter in apart if not unicodedata.combining(letter))
    clean = "".join(" " if unicodedata.category(letter) == "Cc" else letter for letter in kept)
    return clean.encode("ascii", "replace")


def _loudness(bext: Bext) -> tuple[float | None, ...]:
    """The five values in the order of the chunk; a range below zero is none."""
    spread = bext.loudness_range_lu
    return (
        bext.loudness_lufs,
        None if spread is not None and spread < 0.0 else spread,
        bext.max_true_peak_dbtp,
        bext.max_momentary_lufs,
        bext.max_short_term_lufs,
    )


def _as_hundredths(value: float | None) -> int:
    if value is None or not math.isfinite(value):
        return NOT_USED
    # From the shortest decimal of the number: its binary half may lie a hair below the half meant.
    rounded = int(Decimal(repr(float(value))).scaleb(2).to_integral_value(ROUND_HALF_UP))
    return rounded if abs(rounded) <= LARGEST else NOT_USED


def _text(field: bytes) -> str:
    """ASCII up to the first NUL; writers put other alphabets there, and none is agreed upon."""
    return field.split(b"\0", 1)[0].decode("utf-8", "replace").strip()


def _hundredths(value: int, known: bool) -> float | None:
    return value / 100.0 if known and abs(value) <= LARGEST else None
