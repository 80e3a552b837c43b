"""What our own process may open: files whose first bytes say that their samples are plain numbers.

Whole numbers and floating point, nothing to decode. The sound library's parsers of compressed
formats have been seen to break on damaged files, at times by just opening one, so the name of a
file says nothing here: an MP3 may call itself WAV, and a WAV may hold one. What is not on this list
is decoded by a process of its own first (:mod:`mixwright.audio.decoder_processes`).
"""

from __future__ import annotations

from typing import BinaryIO

from mixwright.audio.riff import FORMS, aiff_chunks, chunk_body, chunks

# Format tags of WAV: whole numbers, floating point, and "see the GUID behind" (extensible).
PCM, FLOAT, EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
# What follows the tag in the GUID of an extensible format.
GUID_TAIL = bytes.fromhex("0000 0000 1000 8000 00aa 0038 9b71")
# AIFF-C compression types that compress nothing: byte orders, floating point, widths.
AIFC_PLAIN = b"NONE raw  twos sowt in24 in32 42ni 23ni fl32 FL32 fl64 FL64"
# Sun/NeXT encodings: 8, 16, 24, 32 bits linear, 32 and 64 bits floating point.
AU_PLAIN, AU_HEADER_BYTES = range(2, 8), 24
# Wave64 names its chunks by GUIDs, whose first four bytes are those of RIFF in small letters.
W64_RIFF = b"riff" + bytes.fromhex("2e91 cf11 a5d6 28db 04c1 0000")
W64_FORMAT = b"fmt " + bytes.fromhex("f3ac d311 8cd1 00c0 4f8e db8a")


def is_plain(file: BinaryIO) -> bool:
    """Return whether an open file is of a kind that needs no decoding; moves about in it.

    >>> import io
    >>> is_plain(io.BytesIO(b"fLaC"))
    False
    >>> head = b"RIFF\\x24\\0\\0\\0WAVEfmt \\x10\\0\\0\\0" + b"\\x01\\0\\x02\\0\\x80\\xbb\\0\\0"
    >>> is_plain(io.BytesIO(head + b"\\0\\xee\\x02\\0\\x04\\0\\x10\\0data\\0\\0\\0\\0"))
    True
    """
    file.seek(0)
    head = file.read(72)
    if head[:4] in FORMS and head[8:12] == b"WAVE":
        return _is_plain_wave(file)
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return _is_plain_aiff(file, head[8:12] == b"AIFC")
    if head[:4] == b".snd":
        # Samples that begin inside the header are another sound once the library has jumped.
        begins = int.from_bytes(head[4:8], "big") >= AU_HEADER_BYTES
        return begins and int.from_bytes(head[12:16], "big") in AU_PLAIN
    if head[:4] == b"caff":
        return head[8:12] == b"desc" and head[28:32] == b"lpcm"
    if head[:16] == W64_RIFF:
        return head[40:56] == W64_FORMAT and _is_plain_tag(head[64:])
    return False


def _is_plain_tag(body: bytes) -> bool:
    """Whether the body of a format chunk of WAV is of plain samples."""
    tag = int.from_bytes(body[:2], "little")
    if tag == EXTENSIBLE:
        tag = int.from_bytes(body[24:26], "little")
        return tag in (PCM, FLOAT) and body[26:40] == GUID_TAIL
    return tag in (PCM, FLOAT)


def _is_plain_wave(file: BinaryIO) -> bool:
    """Whether the one format chunk before the samples is of plain ones."""
    bodies: list[bytes] = []
    for chunk in chunks(file):
        if chunk.name == b"data":
            return len(bodies) == 1 and _is_plain_tag(bodies[0])
        if chunk.name == b"fmt ":
            bodies.append(chunk_body(file, chunk, 40))
    return False


def _is_plain_type(name: bytes) -> bool:
    return len(name) == 4 and name in (AIFC_PLAIN[at : at + 4] for at in range(0, 64, 5))


def _is_plain_aiff(file: BinaryIO, may_compress: bool) -> bool:
    """Whether the one common chunk, which may come after the samples, is of plain ones."""
    found = [chunk_body(file, c, 22) for c in aiff_chunks(file) if c.name == b"COMM"]
    return len(found) == 1 and (not may_compress or _is_plain_type(found[0][18:22]))
