"""Chunks that come beside the sound, each in ways that its reader may not expect."""

from __future__ import annotations

import random
import struct
import zlib

TEXTS = (
    b"",
    b"Lanterns at Low Tide",
    b"\xff\xfe\xfa",
    b"x" * 300,
    b"a\0b",
    b"\xc3",
    b"l\nm\x1b[2J",
)
TIMES = (0, 48000, 2**32 - 1, 2**63, 2**64 - 1)
SHORTS = (0, 1, 2, 255, 0x7FFF, 0x8000, 0xFFFF)
LONGS = (0, 1, 2, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
# By kind of file, four letters each.
EXTRA_NAMES = {
    "riff": "bextiXMLLISTcue smplfactid3 PEAKaxmlJUNKdatafmt PAD instcartchna",
    "aiff": "COMMSSNDMARKINSTCOMTNAMEANNOAPPLFVERID3 PEAKbascAESDMIDI",
    "caf": "descdatapaktkukichanmarkregnstrginfouuidfreepeak",
    "w64": "bextLISTcue smplfactdatafmt JUNKlevl",
    "flac": "STREpaddapplseekcommcuespictunknlast",
    "ogg": "pagecomm",
    "mp3": "id3 xingAPET",
    "raw": "JUNK",
}
EXTRAS = {
    kind: [names[at : at + 4] for at in range(0, len(names), 4)]
    for kind, names in EXTRA_NAMES.items()
}
XING_FRAME = bytes.fromhex("fffb9064") + bytes(32) + b"Xing"
FLAC_TYPES = {"STRE": 0, "padd": 1, "appl": 2, "seek": 3, "comm": 4, "cues": 5, "pict": 6}


def extra_chunk(name: str, dice: random.Random) -> tuple[bytes, bytes]:
    """Return the name and the body of a chunk: well made, or badly, or of chance.

    >>> extra_chunk("fact", random.Random(1))[0]
    b'fact'
    """
    if name in FLAC_TYPES or name in ("unkn", "last"):
        key = bytes([FLAC_TYPES.get(name, 126 if name == "unkn" else 127)])
    else:
        key = name.encode()
    if dice.random() < 0.2:
        return key, dice.randbytes(dice.choice((0, 1, 4, 17, 602)))
    body = _bodies(dice).get(name, dice.randbytes(dice.choice((0, 3, 24, 64))))
    if dice.random() < 0.2:
        body = body[: dice.randrange(len(body) + 1)]
    return key, body


def _bodies(dice: random.Random) -> dict[str, bytes]:
    text = dice.choice(TEXTS)
    count = dice.choice(LONGS)
    point = struct.pack("<II4sIII", 1, count, b"data", 0, 0, count)
    cue = struct.pack("<I", dice.choice((1, count))) + point
    tag = _id3(dice)
    return {
        "bext": _bext(dice),
        "iXML": b"<?xml version='1.0'?>" + dice.choice((b"<a>" * 90, b"<BWFXML/>", b"&x;")) + text,
        "LIST": dice.choice((b"INFO", b"adtl", b"wavl")) + _row("<", b"INAM", text, dice),
        "cue ": cue,
        "cues": dice.randbytes(396) + bytes([dice.randrange(100)]) + dice.randbytes(36),
        "smpl": struct.pack("<9I", *(dice.choice(LONGS) for _ in range(9))) + dice.randbytes(24),
        "fact": struct.pack("<I", count),
        "id3 ": tag,
        "ID3 ": tag,
        "PEAK": struct.pack("<II", dice.choice(LONGS), 0) + dice.randbytes(8),
        "inst": dice.randbytes(7),
        "chna": struct.pack("<HH", dice.choice(SHORTS), dice.choice(SHORTS)) + dice.randbytes(40),
        "MARK": struct.pack(">HHIB", dice.choice(SHORTS), 1, count, dice.choice((0, 3, 255)))
        + text,
        "INST": dice.randbytes(20),
        "COMT": struct.pack(">HIHH", dice.choice(SHORTS), 0, 0, dice.choice(SHORTS)) + text,
        "NAME": text,
        "ANNO": text,
        "APPL": b"pdos" + text,
        "comm": _comment(dice),
        "pict": _picture(dice),
        "seek": b"".join(
            struct.pack(">QQH", dice.choice(TIMES), dice.choice(TIMES), dice.choice(SHORTS))
            for _ in range(dice.randrange(5))
        ),
        "xing": bytes.fromhex("fffb9064")
        + bytes(32)
        + b"Xing"
        + struct.pack(">III", 3, count, count),
        "strg": struct.pack(">IIq", count, 1, dice.choice((0, -1, 2**62))) + text,
        "info": struct.pack(">I", count) + b"artist\0" + text,
        "chan": struct.pack(">III", *(dice.choice(LONGS) for _ in range(3))),
        "desc": struct.pack(">d4s5I", 48000.0, b"lpcm", 0, 2, 1, dice.choice(SHORTS[:3]), 16),
        "page": bytes([1, dice.choice((0, 5, 255))]) + dice.randbytes(5),
    }


def _row(order: str, name: bytes, body: bytes, dice: random.Random) -> bytes:
    size = dice.choice((len(body), len(body), *LONGS))
    return name + struct.pack(f"{order}I", size) + body


def _bext(dice: random.Random) -> bytes:
    texts = b"".join(
        dice.choice(TEXTS)[:size].ljust(size, dice.choice((b"\0", b"x", b"\xff")))
        for size in (256, 32, 32, 10, 8)
    )
    version = dice.choice((0, 1, 2, 3, 0xFFFF))
    loudness = b"".join(struct.pack("<H", dice.choice(SHORTS)) for _ in range(5))
    body = texts + struct.pack("<QH", dice.choice(TIMES), version) + dice.randbytes(64) + loudness
    return body.ljust(602, b"\0") + dice.choice(TEXTS)


def _id3(dice: random.Random) -> bytes:
    """A tag of ID3v2 whose sizes, flags or encodings may lie."""
    text = dice.choice((b"\0", b"\1", b"\2", b"\3", b"\x09")) + dice.choice(TEXTS)
    flags = dice.choice((0, 0, 0x0008, 0x0009, 0x0003, 0xFFFF))
    if flags & 8:
        text = struct.pack(">I", dice.choice(LONGS)) + zlib.compress(b"\3" + bytes(100_000))
    size = dice.choice((len(text), len(text), *LONGS))
    frame = dice.choice((b"TIT2", b"COMM", b"APIC", b"TDRC", b"TRCK", b"????"))
    body = frame + struct.pack(">IH", size, flags) + text + bytes(dice.choice((0, 10)))
    told = dice.choice((len(body), len(body), 0, 2**28 - 1, len(body) * 2))
    sizes = bytes(told >> shift & 0x7F for shift in (21, 14, 7, 0))
    version = dice.choice((2, 3, 4, 4, 5, 255))
    return b"ID3" + bytes([version, 0, dice.choice((0, 0, 0x80, 0x40, 0x10))]) + sizes + body


def _comment(dice: random.Random) -> bytes:
    """Comments of Vorbis: counts and lengths that may lie."""
    text = b"TITLE=" + dice.choice(TEXTS)
    length = struct.pack("<I", dice.choice((len(text), len(text), *LONGS)))
    count = struct.pack("<I", dice.choice((1, 1, *LONGS)))
    return struct.pack("<I", dice.choice((3, *LONGS))) + b"abc" + count + length + text


def _picture(dice: random.Random) -> bytes:
    size = dice.choice((4, *LONGS))
    kind = struct.pack(">II", 3, dice.choice((9, *LONGS))) + b"image/png"
    return kind + struct.pack(">I5I", 0, 1, 1, 24, 0, size) + b"\x89PNG"
