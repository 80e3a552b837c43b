"""How long an MP3 is, by its frames: not every one says so, and then the sound library guesses.

It guesses from the size of the first frames. Where these are larger than the rest, it takes the
sound for shorter than it is and leaves the end out without a word.

ISO/IEC 11172-3 and 13818-3, from memory: a frame begins with eleven ones, then version, layer, a
bit, the index of its bit rate, of its sample rate, and padding.
"""

from __future__ import annotations

import mmap
import os
from pathlib import Path

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
HEADER_BYTES = 4


def frame_at(data: bytes | mmap.mmap, at: int) -> tuple[int, int] | None:
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

    What is between them (tags, damage) is passed over. Raises OSError if the machine refuses.
    """
    samples = at = 0
    with open(path, "rb") as file:
        if not os.fstat(file.fileno()).st_size:
            return 0
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
            while 0 <= at <= len(data) - HEADER_BYTES:
                frame = frame_at(data, at)
                # A header may be there by chance: the next one must follow, or the end.
                if frame is None or not _follows(data, at + frame[0]):
                    at = data.find(b"\xff", at + 1)
                    continue
                samples += frame[1]
                at += frame[0]
    return samples


def _follows(data: mmap.mmap, at: int) -> bool:
    end = at >= len(data) - HEADER_BYTES or data[at : at + 3] == b"TAG"
    return end or frame_at(data, at) is not None
