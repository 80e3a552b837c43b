"""Sound files taken apart into their pieces and put together again, sizes and checksums anew.

RIFF, RF64 and BW64 (EBU Tech 3306, ITU-R BS.2088), W64, AIFF and AIFC, CAF and FLAC (RFC 9639) are
rows of chunks with a name and a size; Ogg (RFC 3533) is a row of pages with a checksum; MP3 a tag
and frames. Anything else is one piece. A file that is put together unchanged is the same bytes,
but for the padding behind the last chunk.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from mixwright.audio.ogg import page_checksum

LARGE = 0xFFFFFFFF
MP3_KBPS = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 0)
MP3_KBPS_LOW = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160, 0)


@dataclass(frozen=True)
class Piece:
    """A chunk, page or frame. `size` is what its header says of it; None is the truth.

    For a page of Ogg, `size` is the checksum. `hole` is so many bytes of nothing after the body:
    they take no room on the disk. `padded` is whether an odd chunk has its zero byte.
    """

    name: bytes
    body: bytes
    size: int | None = None
    hole: int = 0
    padded: bool = True


@dataclass(frozen=True)
class Layout:
    """A file as pieces. `kind` says how they are written; `whole` is the size in its head."""

    kind: str
    head: bytes
    pieces: tuple[Piece, ...] = field(default=())
    whole: int | None = None

    def at(self, index: int, piece: Piece) -> Layout:
        """Return it with another piece in a place; places count on from the start at the end."""
        pieces = list(self.pieces)
        pieces[index % len(pieces)] = piece
        return replace(self, pieces=tuple(pieces))


def taken_apart(data: bytes) -> Layout:
    """Return the pieces of a whole file.

    >>> taken_apart(b"RIFF\\x0e\\0\\0\\0WAVE" + b"LIST\\x01\\0\\0\\0x\\0").pieces[0].name
    b'LIST'
    """
    first = data[:4]
    if first in (b"RIFF", b"RF64", b"BW64"):
        return Layout("riff", data[:12], _chunks(data, 12, "<4sI", 2))
    if first == b"FORM" and data[8:12] in (b"AIFF", b"AIFC"):
        return Layout("aiff", data[:12], _chunks(data, 12, ">4sI", 2))
    if first == b"caff":
        return Layout("caf", data[:8], _chunks(data, 8, ">4sq", 1))
    if first == b"riff":
        return Layout("w64", data[:40], _chunks(data, 40, "<16sq", 8, own=24))
    if first == b"fLaC":
        return Layout("flac", first, _flac_blocks(data))
    if first == b"OggS":
        return Layout("ogg", b"", _ogg_pages(data))
    if first[:3] == b"ID3" or (first[:1] == b"\xff" and first[1:2] >= b"\xe0"):
        return Layout("mp3", b"", _mp3_frames(data))
    return Layout("raw", b"", (Piece(b"", data),))


def put_together(layout: Layout) -> list[bytes | int]:
    """Return the bytes of a file, and lengths of holes between them."""
    writers: dict[str, Callable[[Layout], list[bytes | int]]] = {
        "riff": lambda it: _with_head(it, "<4sI", 2, 4, "<I"),
        "aiff": lambda it: _with_head(it, ">4sI", 2, 4, ">I"),
        "w64": lambda it: _with_head(it, "<16sq", 8, 16, "<q"),
        "caf": lambda it: [it.head, *_rows(it, ">4sq", 1)],
        "flac": _flac_file,
        "ogg": _ogg_file,
    }
    return writers.get(layout.kind, _plain_file)(layout)


def _chunks(data: bytes, at: int, header: str, align: int, own: int = 0) -> tuple[Piece, ...]:
    found, length = [], struct.calcsize(header)
    while at + length <= len(data):
        name, told = struct.unpack_from(header, data, at)
        left = len(data) - at - length
        elsewhere = told in (-1, LARGE)  # CAF: up to the end; RF64: its size is in ds64
        size = left if elsewhere else min(told - own, left)
        body = data[at + length : at + length + size]
        found.append(Piece(name, body, told if elsewhere else None))
        at += length + size + -size % align
    return tuple(found)


def _rows(layout: Layout, header: str, align: int) -> list[bytes | int]:
    own = struct.calcsize(header) if layout.kind == "w64" else 0
    wide = header[-1] == "q"
    rows: list[bytes | int] = []
    for piece in layout.pieces:
        size = len(piece.body) + piece.hole
        told = size + own if piece.size is None else piece.size
        rows += [_packed(header, piece.name, told, wide) + piece.body, piece.hole]
        rows.append(bytes(-size % align if piece.padded else 0))
    return rows


def _packed(header: str, name: bytes, size: int, wide: bool) -> bytes:
    size &= 0xFFFFFFFFFFFFFFFF if wide else 0xFFFFFFFF
    return struct.pack(header.replace("q", "Q"), name, size)


def _with_head(
    layout: Layout, header: str, align: int, size_at: int, size_form: str
) -> list[bytes | int]:
    rows = _rows(layout, header, align)
    total = sum(row if isinstance(row, int) else len(row) for row in rows) + len(layout.head)
    told = total - (0 if layout.kind == "w64" else 8) if layout.whole is None else layout.whole
    if layout.whole is None and layout.head[:4] in (b"RF64", b"BW64"):
        return [layout.head, *rows]
    width = struct.calcsize(size_form)
    size = (told & (256**width - 1)).to_bytes(width, "little" if size_form[0] == "<" else "big")
    return [layout.head[:size_at] + size + layout.head[size_at + width :], *rows]


def _flac_blocks(data: bytes) -> tuple[Piece, ...]:
    found, at, is_last = [], 4, False
    while not is_last:
        is_last, size = bool(data[at] & 0x80), int.from_bytes(data[at + 1 : at + 4], "big")
        found.append(Piece(bytes([data[at] & 0x7F]), data[at + 4 : at + 4 + size]))
        at += 4 + size
    return (*found, Piece(b"", data[at:]))


def _flac_file(layout: Layout) -> list[bytes | int]:
    blocks = [n for n, piece in enumerate(layout.pieces) if piece.name]
    rows: list[bytes | int] = [layout.head]
    for n, piece in enumerate(layout.pieces):
        if piece.name:
            size = len(piece.body) + piece.hole if piece.size is None else piece.size
            kind = piece.name[0] | (0x80 if n == blocks[-1] else 0)
            rows.append(bytes([kind]) + (size & 0xFFFFFF).to_bytes(3, "big"))
        rows += [piece.body, piece.hole]
    return rows


def _ogg_pages(data: bytes) -> tuple[Piece, ...]:
    found, at = [], 0
    while at + 27 <= len(data):
        sizes = data[at + 27 : at + 27 + data[at + 26]]
        end = at + 27 + len(sizes) + sum(sizes)
        found.append(Piece(data[at : at + 22], data[at + 26 : end]))
        at = end
    return tuple(found)


def _ogg_file(layout: Layout) -> list[bytes | int]:
    rows: list[bytes | int] = []
    for piece in layout.pieces:
        told = page_checksum(piece.name + bytes(4) + piece.body)
        checksum = told if piece.size is None else piece.size & 0xFFFFFFFF
        rows += [piece.name + struct.pack("<I", checksum) + piece.body, piece.hole]
    return rows


def _mp3_frames(data: bytes) -> tuple[Piece, ...]:
    """The tag, each frame, and what is left."""
    found, at = [], 0
    if data[:3] == b"ID3":
        size = 0
        for part in data[6:10]:
            size = size << 7 | part & 0x7F
        found, at = [Piece(b"", data[: 10 + size])], 10 + size
    while at + 4 <= len(data) and data[at] == 0xFF:
        size = _mp3_frame_bytes(data[at : at + 4])
        found.append(Piece(b"", data[at : at + size]))
        at += size
    return (*found, Piece(b"", data[at:]))


def _mp3_frame_bytes(header: bytes) -> int:
    """The length of a frame of layer III (ISO/IEC 11172-3, 2.4.3.1; half as much in 13818-3)."""
    first = header[1] >> 3 & 3 == 3
    rates = (44100, 48000, 32000, 44100)
    rate_hz = rates[header[2] >> 2 & 3] // {3: 1, 2: 2}.get(header[1] >> 3 & 3, 4)
    kbps = (MP3_KBPS if first else MP3_KBPS_LOW)[header[2] >> 4]
    size = (144 if first else 72) * kbps * 1000 // rate_hz + (header[2] >> 1 & 1)
    return max(4, size)


def _plain_file(layout: Layout) -> list[bytes | int]:
    rows: list[bytes | int] = [layout.head]
    for piece in layout.pieces:
        rows += [piece.body, piece.hole]
    return rows
