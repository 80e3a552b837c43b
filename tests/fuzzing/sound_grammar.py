"""Sound files by their structure: a recipe for a good one, and what is done to it.

A case is plain data. `recipe` says what is written (:mod:`fuzzing.sound_signals`), `edits` what
becomes of its pieces and then of its bytes (:mod:`fuzzing.sound_edits`).
"""

from __future__ import annotations

import random
import struct
from collections.abc import Mapping
from typing import Any

from fuzzing.sound_chunks import EXTRAS, extra_chunk
from fuzzing.sound_layout import Layout, Piece, put_together
from fuzzing.sound_signals import (
    COMPRESSED,
    ONE_CHANNEL,
    PLAIN,
    RARE,
    SIGNALS,
    SUFFIXES,
    good_layout,
    ten_bytes,
)

# How often each family comes: samples as they are or nearly so, formats that few have, and those
# that need a decoder.
FORMATS = {"plain": 9, "rare": 1, "compressed": 3}
FAMILIES = {"plain": PLAIN, "rare": RARE, "compressed": COMPRESSED}
RATES_HZ = (48000, 48000, 48000, 44100, 96000, 192000, 22050, 11025, 8000)
FEW = (0, 1, 2, 3, 4, 8, 12, 16, 20, 24, 32, 33, 64, 255, 256, 0x7FFF, 0x8000, 0xFFFF, 0xFFFE)
ODD_RATES_HZ = (0, 1, 3, 7, 50, 999, 8001, 47999, 384000, 655350, 2**31 - 1, 2**31, 2**32 - 1)
SIZES = (0, 1, 2, 7, 13, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF, -1, -8, 2**63 - 1, 2**40)
TAGS = (1, 2, 3, 6, 7, 0x11, 0x31, 0x45, 0x50, 0x55, 0x62, 0xFFFE, 0xFFFF, 0, 0x161, 0x2000)
AIFF_RATES = (*ODD_RATES_HZ[:9], 44100.5, 1e9, 1e300, -48000.0, 0.25, "nan", "inf", "minus_inf")
AIFF_RATES = (*AIFF_RATES, "denormal", "unnormal", "huge")
ENCODINGS = (b"NONE", b"sowt", b"fl32", b"FL64", b"alaw", b"ulaw", b"ima4", b"MAC3", b"????")
CAF_ENCODINGS = (b"lpcm", b"alac", b"alaw", b"ulaw", b"ima4", b"aac ", b"????")
# Of a chunk: where a field begins, how it is packed, what it may be set to.
Field = tuple[int, str, tuple[Any, ...]]
WAV_FIELDS: tuple[Field, ...] = (
    *((0, "<H", TAGS), (2, "<H", FEW), (4, "<I", ODD_RATES_HZ), (8, "<I", SIZES[:9])),
    *((12, "<H", FEW), (14, "<H", FEW), (16, "<H", FEW), (18, "<H", FEW), (20, "<I", SIZES[:9])),
    *((24, "<H", TAGS), (26, "<H", FEW), (32, "<I", SIZES[:9])),
)
FIELDS: dict[bytes, tuple[Field, ...]] = {
    b"fmt ": WAV_FIELDS,
    b"ds64": (*((at, "<q", SIZES) for at in (0, 8, 16)), (24, "<I", SIZES[:9])),
    b"fact": ((0, "<I", SIZES[:9]),),
    b"COMM": (
        *((0, ">H", FEW), (2, ">I", SIZES[:9]), (6, ">H", FEW)),
        *((8, "ten", AIFF_RATES), (8, "ten", AIFF_RATES), (18, "4s", ENCODINGS)),
    ),
    b"SSND": ((0, ">I", SIZES[:9]), (4, ">I", SIZES[:9])),
    b"desc": (
        (0, ">d", (0.0, -1.0, 3.0, 1e300, float("inf"), float("nan"), 44100.5, 5e-324, 2.0**31)),
        *((8, "4s", CAF_ENCODINGS), (12, ">I", (*FEW, *SIZES[5:9])), (16, ">I", FEW)),
        *((20, ">I", FEW), (24, ">I", FEW), (28, ">I", FEW)),
    ),
    b"pakt": ((0, ">q", SIZES), (8, ">q", SIZES), (16, ">i", (-1, 5, 2**31 - 1))),
    b"kuki": ((4, ">I", SIZES[:9]), (9, ">B", FEW[:12]), (13, ">B", FEW[:12])),
    b"\0": (  # FLAC: STREAMINFO
        *((0, ">H", FEW), (2, ">H", FEW), (10, ">I", SIZES[:9]), (14, ">I", SIZES[:9])),
        *((12, ">H", FEW), (18, "16s", (bytes(16), b"\xff" * 16))),
    ),
}
AU_FIELDS: tuple[Field, ...] = (
    *((4, ">I", SIZES[:9]), (8, ">I", SIZES[:9]), (12, ">I", (*FEW, 23, 25, 26, 27))),
    *((16, ">I", ODD_RATES_HZ), (20, ">I", (*FEW, *SIZES[5:9]))),
)
PAGE_FIELDS: tuple[Field, ...] = (
    *((4, "<B", FEW[:13]), (5, "<B", (0, 1, 2, 3, 4, 5, 6, 7, 255)), (6, "<q", SIZES)),
    *((14, "<I", SIZES[:9]), (18, "<I", SIZES[:9])),
)
HEAD_FIELDS: tuple[Field, ...] = (  # Opus: version, channels, pre-skip, rate, gain, mapping
    *((9 + 8, "<B", FEW[:14]), (9 + 9, "<B", FEW[:14]), (9 + 10, "<H", FEW)),
    *((9 + 12, "<I", SIZES[:9]), (9 + 16, "<H", FEW), (9 + 18, "<B", FEW[:14])),
)
CHUNK_NAMES = (b"JUNK", b"data", b"fmt ", b"\0\0\0\0", b"\xff" * 4, b"SSND", b"\4")
VERBS = (
    *("put",) * 8,
    *("extra",) * 4,
    *("size",) * 3,
    *("name", "shorten", "unpad", "nest", "hole", "drop", "whole", "move", "twice", "head"),
)
NAMES = ("odd.wav", "odd.wav", "odd.aif", "odd.flac", "odd.ogg", "odd.au", "odd.raw")


def made_recipe(dice: random.Random) -> dict[str, Any]:
    """Return the recipe of a good file: what, how much, how it is stored."""
    family = dice.choices(list(FORMATS), list(FORMATS.values()))[0]
    container, subtype = dice.choice(FAMILIES[family])
    mono = container in ONE_CHANNEL or subtype in ("GSM610", "DWVW_16", "G721_32", "G723_24")
    mono |= subtype.startswith("NMS")
    frames = dice.choice((1, 2, 63, 500, 3000, 3000, 3000, 9000, 20000, 0))
    rate_hz = dice.choice(RATES_HZ)
    if container in ("OGG", "MP3"):
        rate_hz, frames = dice.choice((48000, 48000, 24000, 8000)), frames or 100
    return {
        "container": container,
        "subtype": subtype,
        "rate": 8000 if container == "WVE" else rate_hz,
        "channels": 1 if mono else dice.choice((1, 2)),
        "frames": frames,
        "signal": dice.choice(SIGNALS),
        "seed": dice.randrange(1000),
    }


def made_name(recipe: Mapping[str, Any], dice: random.Random) -> str:
    """Return a file's name: mostly one that fits what is in it."""
    container = recipe["container"]
    return dice.choice((f"odd.{SUFFIXES.get(container, container.lower())}",) * 20 + NAMES)


def made_edits(recipe: Mapping[str, Any], dice: random.Random) -> list[tuple[Any, ...]]:
    """Return what is done to the file: to its pieces first, then to its bytes."""
    layout = good_layout(recipe)
    count = dice.choice((0, 0, 1, 1, 1, 1, 1, 2, 3, 5))
    edits = [_made_edit(layout, dice) for _ in range(count)]
    length = sum(part if isinstance(part, int) else len(part) for part in put_together(layout))
    if dice.random() < 0.2:
        edits += [_made_damage(length, dice) for _ in range(dice.choice((1, 1, 1, 4)))]
    return edits


def _made_edit(layout: Layout, dice: random.Random) -> tuple[Any, ...]:
    at = dice.randrange(len(layout.pieces))
    other = dice.randrange(len(layout.pieces) + 1)
    verb = dice.choice(VERBS)
    if verb == "put":
        return _made_put(layout, at, dice)
    if verb == "extra":
        made = extra_chunk(dice.choice(EXTRAS.get(layout.kind, EXTRAS["riff"])), dice)
        return ("extra", other, *made)
    size = dice.choice((*SIZES, len(layout.pieces[at].body) + dice.randrange(-9, 9)))
    more: dict[str, tuple[Any, ...]] = {
        "size": (size,),
        "whole": (size,),
        "name": (
            dice.choice((b"JUNK", b"data", b"fmt ", b"\0\0\0\0", b"\xff" * 4, b"SSND", b"\4")),
        ),
        "move": (other,),
        "twice": (other,),
        "shorten": (dice.randrange(len(layout.pieces[at].body) + 1),),
        "hole": (dice.choice((2**32, 2**33 + 2, 2**31)),),
        "head": (dice.choice((b"RIFF", b"RIFX", b"RF64", b"BW64", b"FORM", b"AIFC", b"caff")),),
    }
    return (verb, at, *more.get(verb, ()))


def _made_put(layout: Layout, at: int, dice: random.Random) -> tuple[Any, ...]:
    """A field of a header set to something else; of a page of Ogg, in its head or its body."""
    known = [n for n, piece in enumerate(layout.pieces) if _fields(layout, piece)]
    if known and dice.random() < 0.9:
        at = dice.choice(known)
    fields = _fields(layout, layout.pieces[at])
    if layout.kind == "ogg" and dice.random() < 0.6:
        offset, form, values = dice.choice(PAGE_FIELDS)
        return ("head_put", at, offset, _field_bytes(form, dice.choice(values)))
    if not fields or dice.random() < 0.1:
        offset = dice.randrange(len(layout.pieces[at].body) + 1)
        return ("put", at, offset, dice.randbytes(dice.choice((1, 2, 4, 8))))
    offset, form, values = dice.choice(fields)
    return ("put", at, offset, _field_bytes(form, dice.choice(values)))


def _fields(layout: Layout, piece: Piece) -> tuple[Field, ...]:
    if piece.body.startswith(b".snd"):
        return AU_FIELDS
    if layout.kind == "ogg":
        return HEAD_FIELDS if b"OpusHead" in piece.body else HEAD_FIELDS[:2]
    return FIELDS.get(piece.name[:4], ())


def _field_bytes(form: str, value: Any) -> bytes:
    if form == "ten":
        return ten_bytes(value)
    if form[-1] in "sd":
        return struct.pack(form, value)
    size = struct.calcsize(form)
    return (int(value) & (256**size - 1)).to_bytes(size, "big" if form[0] == ">" else "little")


def _made_damage(length: int, dice: random.Random) -> tuple[Any, ...]:
    at = dice.choice((dice.randrange(length + 1), dice.randrange(min(length, 120) + 1)))
    return dice.choice(
        (
            *(("cut", at), ("cut", at), ("flip", at, 1 << dice.randrange(8))),
            *(("over", at, dice.randbytes(8)), ("zeros", at, dice.choice((1, 64, 4096)))),
            *(("append", dice.randbytes(dice.choice((1, 7, 300)))), ("glue",)),
            *(("flip", at, 0xFF), ("sparse", 2**32 + 4096), ("before", dice.randbytes(3))),
        )
    )
