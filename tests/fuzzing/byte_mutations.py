"""Nearly sound sheets: a few changes to the bytes that a sheet is written in."""

from __future__ import annotations

import random
from collections.abc import Callable

_BITS: list[bytes] = [bytes([code]) for code in (0, 1, 7, 8, 9, 11, 12, 13, 27, 127, 128, 192, 255)]
_BITS += [
    text.encode() for text in ("\ufeff", "\x85", "\u2028", "\u2029", "\u202e", "\u200f", "\u0300")
]
_BITS += [
    text.encode() for text in ("\u2066", "🎚", "\ue000", "\ufffe", "\U0010ffff", "\xa0", "\u3000")
]
_BITS += [
    b"\xed\xa0\x80",
    b"\xf4\x90\x80\x80",
    b"\xc0\xaf",
    b"\xe2\x80",
    b"\r\n",
    b"\n\r",
    b"\t",
    b"\n",
]
_BITS += [
    b": ",
    b" #",
    b"- ",
    b"? ",
    b"{",
    b"}",
    b"[",
    b"]",
    b",",
    b"&a ",
    b"*a",
    b"!!int ",
    b"|",
    b">",
]
_BITS += [
    b"'",
    b'"',
    b"\\",
    b"%",
    b"@",
    b"`",
    b"--- ",
    b"\n---\n",
    b"\n...\n",
    b"<<: ",
    b"%YAML 1.2\n---\n",
]


def scrambled(text: bytes, dice: random.Random) -> bytes:
    """The text with one to four changes to its bytes."""
    for _ in range(dice.choice((1, 1, 2, 4))):
        text = dice.choices(list(SCRAMBLES), weights=list(SCRAMBLES.values()))[0](text, dice)
    return text


def _flip(text: bytes, dice: random.Random) -> bytes:
    at = dice.randrange(len(text) + 1)
    return (
        text[:at]
        + bytes(one ^ (1 << dice.randrange(8)) for one in text[at : at + 1])
        + text[at + 1 :]
    )


def _cut(text: bytes, dice: random.Random) -> bytes:
    at, size = dice.randrange(len(text) + 1), dice.choice((1, 1, 3, 40, len(text)))
    return text[:at] + text[at + size :]


def _insert(text: bytes, dice: random.Random) -> bytes:
    at = dice.choice((0, len(text), dice.randrange(len(text) + 1), dice.randrange(len(text) + 1)))
    return text[:at] + dice.choice(_BITS) + text[at:]


def _lines(text: bytes, dice: random.Random) -> bytes:
    """Lines doubled, swapped, taken out, or indented otherwise."""
    lines = text.splitlines(keepends=True) or [b""]
    at, other = dice.randrange(len(lines)), dice.randrange(len(lines))
    choice = dice.randrange(5)
    if choice == 0:
        lines.insert(other, lines[at])
    elif choice == 1:
        lines[at], lines[other] = lines[other], lines[at]
    elif choice == 2:
        del lines[at]
    elif choice == 3:
        lines[at] = dice.choice((b" ", b"  ", b"\t", b"- ")) + lines[at]
    else:
        lines[at] = lines[at][1:]
    return b"".join(lines)


def _ends(text: bytes, dice: random.Random) -> bytes:
    """Other line ends, or none at the end of the file."""
    end = dice.choice((b"\r\n", b"\r", b"\n\n", b"\x0b"))
    return text.replace(b"\n", end) if dice.random() < 0.7 else text.rstrip()


def _encode(text: bytes, dice: random.Random) -> bytes:
    """The same letters in another encoding, or with a mark before them."""
    letters = text.decode("utf-8", "replace")
    coding = dice.choice(
        ("utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1", "utf-8-sig", "cp1252")
    )
    return letters.encode(coding, "replace")


SCRAMBLES: dict[Callable[[bytes, random.Random], bytes], float] = {
    _flip: 4,
    _cut: 3,
    _insert: 6,
    _lines: 4,
    _ends: 1,
    _encode: 0.5,
}
