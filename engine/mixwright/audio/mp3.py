"""How long an MP3 is, by its frames: not every one says so, and then the sound library guesses.

It guesses from the size of the first frames. Where these are larger than the rest, it takes the
sound for shorter than it is and leaves the end out without a word.

A frame begins with eleven ones, then version, layer, a bit, the index of its bit rate, of its
sample rate, and padding: ISO/IEC 11172-3 and 13818-3 for versions 1 and 2. Version 2.5 is an
extension of no standard. Fields and tables as in "MPEG Audio Layer I/II/III frame header"
(mp3-tech.org) and others after it, not read in the standards.
"""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO

# kb/s by index, layer III: of version 1, and of versions 2 and 2.5.
RATES_KBPS = (
    (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
)
# By the two bits of the version: 2.5, none, 2, 1.
SAMPLE_RATES_HZ = ((11025, 12000, 8000), None, (22050, 24000, 16000), (44100, 48000, 32000))
LAYER_III = 1
# What is to be said of one as a track. An encoder and its decoder delay the sound by 1,105 samples
# or more; the sound library takes that back only where the encoder has written how much it was.
MP3_WORDS = "is an MP3: it has lost some of its sound, and may begin some 25 to 50 ms late"
MP3_HELP = "use the recording that it was made from; else look at its offset_ms"
HEADER_BYTES, TAG_HEADER_BYTES = 4, 10
WINDOW_BYTES = 1 << 20
# Of what is no frame: pictures in tags at the front are passed over whole and do not count.
MOST_JUNK_BYTES = 1 << 18


def frame_at(data: bytes, at: int) -> tuple[int, int] | None:
    """Return the size in bytes and the samples of the layer III frame there, None if there is none.

    >>> frame_at(bytes.fromhex("fffb9464"), 0)  # 128 kb/s at 48 kHz
    (384, 1152)
    """
    header = int.from_bytes(data[at : at + HEADER_BYTES], "big")
    version, layer = header >> 19 & 3, header >> 17 & 3
    bits, rate, padding = header >> 12 & 15, header >> 10 & 3, header >> 9 & 1
    rates_hz = SAMPLE_RATES_HZ[version]
    if header >> 21 != 0x7FF or layer != LAYER_III or rates_hz is None:
        return None
    if not 1 <= bits <= 14 or rate == 3:
        return None
    samples = 1152 if version == 3 else 576
    kbps = RATES_KBPS[0 if version == 3 else 1][bits - 1]
    return samples // 8 * kbps * 1000 // rates_hz[rate] + padding, samples


def samples_of(path: Path) -> int:
    """Return how many samples a channel the frames of a file hold together, 0 for none.

    What is between them (tags, damage) is passed over, but not without end: a recording is frames
    for the most part. Raises OSError if the machine refuses.
    """
    samples = junk = 0
    with open(path, "rb") as file:
        window = _Window(file)
        at = _tag_bytes(window.at(0, TAG_HEADER_BYTES))
        while (
            len(header := window.at(at, HEADER_BYTES)) == HEADER_BYTES and junk <= MOST_JUNK_BYTES
        ):
            frame = frame_at(header, 0)
            # A header may be there by chance: the next one must follow, or the end.
            if frame is None or not _follows(window.at(at + frame[0], HEADER_BYTES)):
                passed = window.to_next(b"\xff", at + 1) - at
                at, junk = at + passed, junk + passed
                continue
            samples += frame[1]
            at += frame[0]
    return samples


class _Window:
    """A file as bytes at any place, read in long pieces."""

    def __init__(self, file: BinaryIO) -> None:
        self._file, self._begins, self._bytes = file, 0, b""

    def at(self, place: int, count: int) -> bytes:
        """Return so many bytes from a place on, fewer at the end of the file."""
        if not self._begins <= place <= place + count <= self._begins + len(self._bytes):
            self._file.seek(place)
            self._begins, self._bytes = place, self._file.read(WINDOW_BYTES)
        return self._bytes[place - self._begins :][:count]

    def to_next(self, byte: bytes, place: int) -> int:
        """Return where a byte is next, from a place on, or the end of what has been read."""
        self.at(place, 1)
        found = self._bytes.find(byte, place - self._begins)
        return max(place, self._begins + (len(self._bytes) if found < 0 else found))


def _tag_bytes(header: bytes) -> int:
    """How long a tag in front of the frames is (ID3 version 2.4.0, section 3.1), 0 if none is."""
    if len(header) < TAG_HEADER_BYTES or header[:3] != b"ID3":
        return 0
    size = 0
    for seven in header[6:10]:
        size = size << 7 | seven & 0x7F
    return TAG_HEADER_BYTES + size


def _follows(header: bytes) -> bool:
    end = len(header) < HEADER_BYTES or header[:3] == b"TAG"
    return end or frame_at(header, 0) is not None
