"""Nearly sound sheets: a few changes to what a sheet says."""

from __future__ import annotations

import copy
import random
from collections.abc import Callable
from typing import Any

from fuzzing.sheet_styles import AGAIN, RAW
from fuzzing.sheet_words import GROUPS, RETURNS, TRACKS

Part = dict[str, Any]
# Where values hang: the mapping or list, and the key or index in it.
Spot = tuple[Any, Any]

_NOTHING_MUCH: list[Any] = [None, True, False, 0, -0.0, 1, -1, "", " ", [], {}, [[]], [{}], {"": 1}]
_NUMBERS: list[Any] = [1e308, -1e308, 5e-324, 2**53, 2**53 + 1, 2**31, -(2**63), 0.1 + 0.2, 1e15]
_RAW = [
    "1e999",
    "-1e999",
    "1e-999",
    "9" * 25,
    "9" * 400,
    "0." + "3" * 400,
    ".5",
    "5.",
    "+.5e+1",
    "-",
]
_RAW += [
    ".nan",
    ".inf",
    "-.inf",
    "NaN",
    "inf",
    "0x1f",
    "0b11",
    "0o17",
    "017",
    "1_000",
    "12:30",
    "1:1:1",
]
_RAW += [
    "2026-11-29",
    "2026-11-29T10:00:00Z",
    "yes",
    "No",
    "on",
    "OFF",
    "y",
    "True",
    "TRUE",
    "Null",
]
_RAW += [
    "&a 1",
    "&a {x: 1}",
    "*a",
    "!!str 5",
    "!!python/object:os.system x",
    "!x [1]",
    "! 3",
    "=",
    "<<",
]
_RAW += [
    "|\n  x",
    ">+\n  x\n",
    "'",
    '"',
    "[1",
    "{a",
    "]",
    "}",
    "{a: 1, a: 2}",
    "[[[[",
    "- - - 1",
    "? x",
]
_RAW += [
    "a: b: c",
    "%TAG",
    "@x",
    "`x`",
    "#",
    " # x",
    "\t1",
    '"\\x41\\u263a\\U0001F39A\\e"',
    '"\\ud83c"',
]
_RAW += [
    "-3 dB",
    "3.2k",
    "4:1",
    "3,5",
    "R 30",
    "left",
    "{<<: {a: 1}}",
    "<<: {a: 1}",
    "--- 1",
    "...",
]
_TEXTS = [
    "ünï",
    "Ω",
    "\u202eevil",
    "\u200b",
    "a\u0301",
    "漢字",
    "🎚",
    "\ufeffx",
    "\u2028",
    "\x85",
    "n/a",
]
_TEXTS += [
    "../up",
    "/etc/hostname",
    "C:\\x",
    "a/b",
    "nul",
    "x" * 300,
    "y" * 5000,
    "None",
    "{title",
    "~",
]
_TEXTS += [
    "stems",
    "rooms/stairs.wav",
    "stems/kick.wav",
    "STEMS/KICK.WAV",
    "stems/../stems/kick.wav",
]
_TEXTS += [
    "{}",
    "{nothing}",
    "%s %d",
    "\\",
    "a\nb",
    "main",
    "mix_bus",
    "1/3",
    "1/8 dotted",
    "C0",
    "L101",
]
_KEYS = [
    "",
    " ",
    "key",
    "<<",
    "é",
    "gain",
    "gain_dB",
    "Type",
    "why",
    "file",
    "null",
    "1",
    "a b",
    "x" * 200,
]
_KEYS += [
    "a\nb",
    "\u202e",
    "sends_db.",
    "sends_db.nowhere",
    "sends_db.a.b",
    "sendsdb.hall",
    "-",
    "~",
]


def mutated(sheet: Part, dice: random.Random) -> Part:
    """The sheet with one to three changes to what it says."""
    sheet = copy.deepcopy(sheet)
    for _ in range(dice.choice((1, 1, 2, 3))):
        change = dice.choices(list(CHANGES), weights=list(CHANGES.values()))[0]
        if spots := spots_of(sheet):
            change(sheet, dice.choice(spots), dice)
    return sheet


def spots_of(value: Any) -> list[Spot]:
    """Every place in a value: what holds it, and by which key."""
    found: list[Spot] = []
    waiting = [value]
    while waiting:
        part = waiting.pop()
        keys = list(part) if isinstance(part, dict) else range(len(part))
        for key in keys:
            found.append((part, key))
            if isinstance(part[key], dict | list):
                waiting.append(part[key])
    return found


def _replace(sheet: Part, spot: Spot, dice: random.Random) -> None:
    parts = (_NOTHING_MUCH, _NUMBERS, [RAW + text for text in _RAW], _TEXTS)
    spot[0][spot[1]] = copy.deepcopy(dice.choice(dice.choice(parts)))


def _beyond(sheet: Part, spot: Spot, dice: random.Random) -> None:
    """A number that is too large, too small, negative, or a little off."""
    numbers = [s for s in spots_of(sheet) if type(s[0][s[1]]) in (int, float)]
    holder, key = dice.choice(numbers or [spot])
    value = holder[key] if type(holder[key]) in (int, float) else 1
    holder[key] = dice.choice(
        (-value, value * 1000, value + 0.001, value - 1, value + 1, 10**9, f"{value}", [value])
    )


def _remove(sheet: Part, spot: Spot, dice: random.Random) -> None:
    del spot[0][spot[1]]


def _add_key(sheet: Part, spot: Spot, dice: random.Random) -> None:
    """An unknown key, one that is misspelt, or one that is there already."""
    mappings = [s for s in spots_of(sheet) if isinstance(s[0], dict)]
    holder, key = dice.choice(mappings)
    choice = dice.random()
    if choice < 0.3:
        holder[AGAIN + key] = copy.deepcopy(holder[key])
    elif choice < 0.6:
        at = dice.randrange(len(key) + 1)
        wrong = dice.choice((key[:at] + key[at + 1 :], key[:at] + "x" + key[at:], key.upper()))
        holder[wrong] = holder.pop(key)
    else:
        kept = holder[key] if dice.random() < 0.5 else 1
        holder[dice.choice(_KEYS)] = copy.deepcopy(kept)


def _dangle(sheet: Part, spot: Spot, dice: random.Random) -> None:
    """A name of something else, or of nothing, where there was a text."""
    texts = [s for s in spots_of(sheet) if isinstance(s[0][s[1]], str)]
    holder, key = dice.choice(texts or [spot])
    said = str(holder[key])
    names = [*TRACKS, *GROUPS, *RETURNS, *map(str, sheet), said + "x", said.upper(), said[:-1]]
    holder[key] = dice.choice(names)


def _graft(sheet: Part, spot: Spot, dice: random.Random) -> None:
    """What stands in one place stands in another as well."""
    holder, key = dice.choice(spots_of(sheet))
    spot[0][spot[1]] = copy.deepcopy(holder[key])


def _graft_key(sheet: Part, spot: Spot, dice: random.Random) -> None:
    """A key with its value, known in one place, stands in another."""
    mappings = [s for s in spots_of(sheet) if isinstance(s[0], dict)]
    holder, key = dice.choice(mappings)
    dice.choice(mappings)[0][key] = copy.deepcopy(holder[key])


def _repeat(sheet: Part, spot: Spot, dice: random.Random) -> None:
    """A list or mapping with many of what it has one of."""
    parts = [s for s in spots_of(sheet) if isinstance(s[0][s[1]], dict | list) and s[0][s[1]]]
    if not parts:
        return
    holder, key = dice.choice(parts)
    part, many = holder[key], dice.choice((2, 5, 40, 40, 300))
    if dice.random() < 0.03:
        many = 10_000
    if isinstance(part, list):
        holder[key] = [copy.deepcopy(part[0]) for _ in range(many)]
    else:
        first = next(iter(part))
        part.update((f"{first}{number}", part[first]) for number in range(many))


def _nest(sheet: Part, spot: Spot, dice: random.Random) -> None:
    """Deep, deeper than anyone needs, or so deep that a reader may fall over."""
    deep, value = dice.choice((3, 20, 31, 40, 900)), spot[0][spot[1]]
    if deep == 900:
        spot[0][spot[1]] = RAW + dice.choice(("[", "{a: ")) * dice.choice((deep, 20_000))
        return
    for _ in range(deep):
        value = [value] if dice.random() < 0.7 else {"a": value}
    spot[0][spot[1]] = value


CHANGES: dict[Callable[[Part, Spot, random.Random], None], float] = {
    _replace: 5,
    _beyond: 3,
    _remove: 2,
    _add_key: 3,
    _dangle: 3,
    _graft: 2,
    _graft_key: 2,
    _repeat: 0.6,
    _nest: 0.4,
}
