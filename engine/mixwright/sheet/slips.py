"""What a person meant who wrote it another way: help for slips that are common."""

from __future__ import annotations

import re

# Common short names of filter shapes (common practice), by what the sheet calls them.
_SHAPES = {
    "high_pass": ("hpf", "hp", "highpass", "low_cut", "lowcut"),
    "low_pass": ("lpf", "lp", "lowpass", "high_cut", "highcut"),
    "bell": ("peak", "peaking", "parametric", "eq"),
    "low_shelf": ("ls", "lowshelf", "bass"),
    "high_shelf": ("hs", "highshelf", "treble"),
    "notch": ("band_stop", "bandstop", "band_reject"),
}
_SIDES = {"left": "L100", "right": "R100", "center": "C", "centre": "C", "middle": "C"}
# The second step had another id once; rules of it began with that.
_STEP_BEFORE = re.compile(r"^mix[\s_-]?bus(?=/|$)", re.IGNORECASE)
_UNSPACED = re.compile(
    r"^\s*(?:- )*\s*(?P<key>[A-Za-z_][\w.]*):(?P<value>[^\s:/\\][^#]*?)\s*(#.*)?$"
)


def meant_number(text: str) -> str | None:
    """Return help for a text where a number belongs.

    >>> meant_number("3.2k"), meant_number("4:1"), meant_number("-3 dB")
    ('write 3200', 'write 4', 'leave the unit out; it is in the key')
    """
    if re.fullmatch(r"[-+]?[0-9]*[.,]?[0-9]+\s*(dB|Hz|ms|s|%|bpm)", text, re.IGNORECASE):
        return "leave the unit out; it is in the key"
    if found := re.fullmatch(r"([0-9]*\.?[0-9]+)\s*k(hz)?", text, re.IGNORECASE):
        return f"write {float(found[1]) * 1000:g}"
    if found := re.fullmatch(r"([0-9]*\.?[0-9]+)\s*:\s*1", text):
        return f"write {found[1]}"
    if re.fullmatch(r"[-+]?[0-9]+,[0-9]+", text):
        return f"write {text.replace(',', '.')}"
    is_number = re.fullmatch(r"[-+]?(0|[1-9][0-9]*)(\.[0-9]*)?", text)
    return "take the quotes away" if is_number else None


def meant_word(text: str, choices: list[str]) -> str | None:
    """Return the one of the choices that goes by another name elsewhere.

    >>> meant_word("HPF", ["high_pass", "bell"])
    'high_pass'
    >>> meant_word("mix_bus", ["balance", "bus"])
    'bus'
    """
    if (renamed := _STEP_BEFORE.sub("bus", text)) in choices and renamed != text:
        return renamed
    folded = re.sub(r"[\s-]+", "_", text.casefold())
    for shape, names in _SHAPES.items():
        if shape in choices and folded in names:
            return shape
    return None


def meant_pan(text: str) -> str | None:
    """Return the pan that was meant.

    >>> meant_pan("left"), meant_pan("35L"), meant_pan("r 20")
    ('L100', 'L35', 'R20')
    """
    folded = text.casefold().replace(" ", "").rstrip("%")
    if folded in _SIDES:
        return _SIDES[folded]
    found = re.fullmatch(r"([lr])([0-9]+)|([0-9]+)([lr])", folded)
    if found is None:
        return None
    side, size = found[1] or found[4], int(found[2] or found[3])
    if size == 0:
        return "C"
    return f"{side.upper()}{size}" if size <= 100 else None


def missing_space(line: str) -> tuple[int, str, str] | None:
    """Return column (from 0), what is wrong and help for ``key:value`` without its space.

    >>> missing_space("    role:kick")
    (8, 'no space after role:', 'write role: kick')
    """
    found = _UNSPACED.match(line)
    if found is None:
        return None
    key, value = found["key"], found["value"]
    return found.end("key"), f"no space after {key}:", f"write {key}: {value}"
