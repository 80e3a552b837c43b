"""Files that decoders may break on: made here, by the sound library's encoders or byte by byte."""

from __future__ import annotations

import random
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import soundfile

from mixwright.audio import StemInfo, probe_all

RATE_HZ = 48000
# Names with the container and the coding of each.
KINDS = {
    "a.mp3": ("MP3", "MPEG_LAYER_III"),
    "a.ogg": ("OGG", "VORBIS"),
    "a.opus": ("OGG", "OPUS"),
    "a.flac": ("FLAC", "PCM_16"),
}


def encoded(path: Path, container: str, subtype: str, seconds: float = 1.0, seed: int = 1) -> Path:
    """Write noise in two channels."""
    samples = np.random.default_rng(seed).standard_normal((round(seconds * RATE_HZ), 2)) * 0.1
    soundfile.write(path, samples, RATE_HZ, format=container, subtype=subtype)
    return path


def mutated(data: bytes, dice: random.Random) -> bytes:
    """Change some bytes, and at times cut the end off."""
    changed = bytearray(data)
    for _ in range(dice.choice((1, 3, 20, 100))):
        changed[dice.randrange(len(changed))] = dice.randrange(256)
    return bytes(changed[: dice.randrange(len(changed))] if dice.random() < 0.2 else changed)


def damaged_mp3(path: Path) -> Path:
    """Write an MP3 of 3 s that can be decoded to its end, over which its decoder complains."""
    path.write_bytes(_damaged_mp3())
    return path


@cache
def _damaged_mp3() -> bytes:
    """Found by trying: what a decoder says goes by what the change makes of the bits."""
    with tempfile.TemporaryDirectory() as folder:
        data = encoded(Path(folder, "a.mp3"), "MP3", "MPEG_LAYER_III", 3.0).read_bytes()
        paths = [Path(folder, f"{seed}.mp3") for seed in range(60)]
        for seed, path in enumerate(paths):
            changed, dice = bytearray(data), random.Random(seed)
            for _ in range(30):
                changed[dice.randrange(2000, len(data))] = dice.randrange(256)
            path.write_bytes(changed)
        for path, found in zip(paths, probe_all(paths), strict=True):
            if isinstance(found, StemInfo) and found.warnings and found.frames == 3 * RATE_HZ:
                return path.read_bytes()
    raise AssertionError("no decoder says anything about any damaged MP3")


def silent_flac(blocks: int, promised: int | None = None) -> bytes:
    """Return a FLAC of silence that is as dense as can be: 65,535 frames in about 13 bytes.

    RFC 9639; `promised` is what its header says of its length, in frames, by default the truth.
    """
    block = 65535
    total = blocks * block if promised is None else promised
    info = block.to_bytes(2, "big") * 2 + bytes(6)
    info += (RATE_HZ << 44 | 0 << 41 | 15 << 36 | total).to_bytes(8, "big") + bytes(16)
    data = b"fLaC" + bytes([0x80]) + len(info).to_bytes(3, "big") + info
    frames = []
    for number in range(blocks):
        head = b"\xff\xf8\x70\x00" + _numbered(number) + (block - 1).to_bytes(2, "big")
        frame = head + bytes([_crc(head, 0x07, 8)]) + bytes(3)
        frames.append(frame + _crc(frame, 0x8005, 16).to_bytes(2, "big"))
    return data + b"".join(frames)


def _numbered(number: int) -> bytes:
    """A number as FLAC has it: the code of UTF-8."""
    return chr(number).encode() if not 0xD800 <= number < 0xE000 else b"\xed\xa0\x80"


def _crc(data: bytes, polynomial: int, bits: int) -> int:
    value = 0
    for byte in data:
        value ^= byte << bits - 8
        for _ in range(8):
            carry = value >> bits - 1
            value = (value << 1 & (1 << bits) - 1) ^ (polynomial if carry else 0)
    return value
