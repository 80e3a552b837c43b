"""Serial numbers of Ogg streams, so that the same sound gives the same file.

RFC 3533: a stream is a row of pages, each with the stream's serial number and a checksum. Encoders
draw the number at random; here it follows from the content, so it differs where the content does,
as streams that are put one after the other ask for.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from mixwright.problem import ProblemError

# RFC 3533, section 6: "OggS", version, type, position (8), serial (4), number (4), checksum (4),
# count of segments, then a byte each with their sizes.
HEADER_BYTES, SERIAL_AT, CHECKSUM_AT = 27, 14, 22
# Every byte with its bits the other way round.
REVERSED = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))


def page_checksum(page: bytes | bytearray) -> int:
    """Return the checksum of a page whose own checksum field is zero.

    RFC 3533: the CRC with polynomial 0x04C11DB7, highest bit first, beginning with zero and left as
    it comes out. The one in zlib has that polynomial and the bits the other way round, begins with
    ones and inverts the result: so bits are turned before and after, and ones undone.

    >>> hex(page_checksum(b"123456789"))
    '0x89a1897f'
    """
    turned = ~zlib.crc32(page.translate(REVERSED), 0xFFFFFFFF) & 0xFFFFFFFF
    return int(f"{turned:032b}"[::-1], 2)


def fix_serial(path: Path) -> int:
    """Give the one stream of a finished file a serial number from its content, and return it.

    Raises ProblemError if the file is not a row of whole pages, OSError if the machine refuses.
    """
    with open(path, "r+b") as file:
        serial = 0
        for _, page in _pages(file, path):
            serial = zlib.crc32(page[HEADER_BYTES:], serial)
        for at, page in _pages(file, path):
            page[SERIAL_AT : SERIAL_AT + 4] = struct.pack("<I", serial)
            page[CHECKSUM_AT : CHECKSUM_AT + 4] = bytes(4)
            checksum = struct.pack("<I", page_checksum(page))
            page[CHECKSUM_AT : CHECKSUM_AT + 4] = checksum
            file.seek(at)
            file.write(page)
    return serial


def _pages(file: BinaryIO, path: Path) -> Iterator[tuple[int, bytearray]]:
    """Yield where each page begins, and the page."""
    at = 0
    file.seek(at)
    while header := file.read(HEADER_BYTES):
        sizes = file.read(header[-1])
        page = bytearray(header + sizes + file.read(sum(sizes)))
        if header[:4] != b"OggS" or len(page) != HEADER_BYTES + len(sizes) + sum(sizes):
            message = f"{path.name} is damaged at byte {at}, expected a page of an Ogg stream"
            raise ProblemError.of("audio/not-whole", message)
        yield at, page
        at += len(page)
        file.seek(at)
