"""Settings in trade words: numbers as a sheet writes them, names and units from the fields' names.

What a value of a known field looks like is looked up here by the field's name; a field that nobody
has thought of is still told, by its own name.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Mapping
from typing import Any

from mixwright.checks.limits import unit_of
from mixwright.timeline import Position

HYPHENED = r"\b(high|low|look|pre|ping|pitch|de) (?=pass|shelf|ahead|delay|pong|shift|esser)"
SPELT = {
    "bpm": "",
    "freq": "frequency",
    "integrated": "loudness",
    "isrc": "ISRC",
    "key": "keyed by",
    "makeup": "make-up",
    "plugin": "plug-in",
    "q": "Q",
    "rms": "RMS",
    "semitones": "",
}
UNITS = {"m": "m", "oct": "dB/oct", "bpm": "bpm", "semitones": "semitones", "dbtp": "dBTP"}
# What stands in a sheet where such a field is left out; anything else is "none".
LEFT_OUT = {
    "early_db": "off",
    "end": "with the longest track",
    "feedback_db": "one repeat",
    "head_s": "as it is",
    "key": "its own signal",
    "makeup_db": "matched",
    "size_m": "by the decay",
    "tail_s": "as it is",
}
# Levels of which it counts by how much they went up or down.
LEVELS = (
    *("gain_db", "trim_db", "makeup_db", "early_db", "feedback_db", "level_db", "offset_db"),
    *("sends_db", "integrated_lufs", "true_peak_dbtp", "ceiling_dbtp"),
)
# What a setting that does nothing is: among others it goes without saying.
QUIET: Mapping[str, Any] = {
    "detector": "peak",
    "feedback_percent": 0.0,
    "link_percent": 100.0,
    "look_ahead_ms": 0.0,
    "mix_percent": 100.0,
    "pre_delay_ms": 0.0,
    "spread_ms": 0.0,
}
_WITH_UNIT = re.compile(r"([-+]?[\d.]+(?:e[-+]?\d+)?) (\S+)")


def number(value: float, decimals: int = 0) -> str:
    """Return a number with no more digits than it has but at least `decimals`; -inf is ``off``.

    >>> number(-4.5), number(-2.0, 1), number(5217.391), number(-math.inf)
    ('-4.5', '-2.0', '5217.391', 'off')
    """
    if value == -math.inf:
        return "off"
    text = f"{value + 0.0:.10g}"
    if decimals and re.fullmatch(r"-?\d+", text):
        text += "." + "0" * decimals
    return text


def signed(value: float, decimals: int = 1) -> str:
    """Return a number with its sign; zero has none.

    >>> signed(0.8), signed(0.0), signed(-3.0)
    ('+0.8', '0.0', '-3.0')
    """
    return ("+" if value > 0.0 else "") + number(value, decimals)


def difference(old: float, new: float) -> str:
    """Return by how much a level changed: one decimal, more where that would be nothing.

    >>> difference(-4.5, -3.7), difference(-16.0, -16.02)
    ('+0.8', '-0.02')
    """
    change = new - old
    decimals = 1
    while change and decimals < 12 and round(abs(change), decimals) == 0.0:
        decimals += 1
    return f"{change:+.{decimals}f}"


def pan_words(pan: float) -> str:
    """Return a pan as a sheet writes it.

    >>> [pan_words(pan) for pan in (-100.0, 0.0, 12.5)]
    ['L100', 'C', 'R12.5']
    """
    return "C" if pan == 0 else f"{'L' if pan < 0 else 'R'}{number(abs(pan))}"


def named(key: str) -> str:
    """Return the words of a field's name without its unit.

    >>> named("pre_delay_ms"), named("makeup_db"), named("size_m"), named("seed")
    ('pre-delay', 'make-up', 'size', 'seed')
    """
    stem = key.removesuffix("_db_per_oct") if key.endswith("_db_per_oct") else key
    stem = stem.rpartition("_")[0] if _unit(key) and stem == key and "_" in key else stem
    words = re.sub(HYPHENED, r"\1-", stem.replace("_", " "))
    return SPELT.get(words, words)


def _unit(key: str) -> str:
    last = key.rpartition("_")[2]
    return UNITS.get(last) or unit_of(key)


def value_words(key: str, value: Any) -> str:
    """Return the value of a field with its unit.

    >>> value_words("attack_ms", 20.0), value_words("gain_db", -2.0), value_words("mute", True)
    ('20 ms', '-2.0 dB', 'on')
    >>> value_words("makeup_db", None), value_words("without", ("bass", "pad"))
    ('matched', 'bass, pad')
    """
    if value is None:
        return LEFT_OUT.get(key, "none")
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, int | float):
        if key == "pan":
            return pan_words(value)
        text = number(value, 1 if key.endswith("gain_db") or key == "trim_db" else 0)
        return text if text == "off" else f"{text} {_unit(key)}".rstrip()
    if key == "role":
        return str(value).replace("_", " ")
    return _any_words(key, value)


def _any_words(key: str, value: Any) -> str:
    """Whatever it is, as text: nothing in it is left out."""
    if isinstance(value, Position | str):
        return str(value)
    if isinstance(value, Mapping):
        said = [f"{name} {value_words(key, one)}" for name, one in value.items()]
        return ", ".join(said) or "none"
    if isinstance(value, tuple | list):
        return ", ".join(value_words(key, one) for one in value) or "none"
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        pairs = [(entry.name, getattr(value, entry.name)) for entry in dataclasses.fields(value)]
        return ", ".join(
            f"{named(key)} {value_words(key, one)}".lstrip()
            for key, one in pairs
            if one is not None
        )
    return str(value)


def from_to(old: str, new: str) -> str:
    """Return both values with an arrow; a unit that they share is said once.

    >>> from_to("8 ms", "12 ms"), from_to("-16 dB", "off"), from_to("L20", "C")
    ('8 -> 12 ms', '-16 dB -> off', 'L20 -> C')
    """
    one, other = _WITH_UNIT.fullmatch(old), _WITH_UNIT.fullmatch(new)
    if one and other and one[2] == other[2]:
        old = one[1]
    return f"{old} -> {new}"


def values_words(key: str, old: Any, new: Any) -> str:
    """Return two values of a field with an arrow.

    >>> values_words("freq_hz", 95.0, 110.0)
    '95 -> 110 Hz'
    >>> values_words("copyright", "2026 Ninefold Quay", "2027 Ninefold Quay")
    '2026 Ninefold Quay -> 2027 Ninefold Quay'
    """
    was, now = value_words(key, old), value_words(key, new)
    if was == now:  # ten digits don't tell them apart: the whole of both does
        return f"{old!r} -> {new!r}"
    # What comes after a number in a text is no unit.
    is_text = isinstance(old, str) or isinstance(new, str)
    return f"{was} -> {now}" if is_text else from_to(was, now)


def change_words(key: str, old: Any, new: Any, name: str | None = None) -> str:
    """Return how a field changed; `name` is what it is called where its own name won't do.

    >>> change_words("gain_db", -4.5, -3.7, "fader"), change_words("mute", False, True)
    ('fader -4.5 -> -3.7 dB (+0.8)', 'mute on')
    >>> change_words("ratio", 3.0, 4.0), change_words("detector_high_pass_hz", None, 120.0)
    ('ratio 3 -> 4', 'detector high-pass none -> 120 Hz')
    """
    called = named(key) if name is None else name
    if isinstance(old, bool) and isinstance(new, bool):
        return f"{called} {value_words(key, new)}"
    text = f"{called} {values_words(key, old, new)}".lstrip()
    is_level = key in LEVELS and isinstance(old, int | float) and isinstance(new, int | float)
    if is_level and math.isfinite(old) and math.isfinite(new):
        text += f" ({difference(old, new)})"
    return text


def settings_words(settings: Any) -> str:
    """Return the settings of a processor, in their order; what does nothing is left out.

    >>> from mixwright.dsp.compressor import CompressorSettings
    >>> settings_words(CompressorSettings(-18.0, 3.0, attack_ms=20.0))
    'threshold -18 dB, ratio 3, attack 20 ms, release 100 ms, knee 6 dB'
    """
    pairs = {entry.name: getattr(settings, entry.name) for entry in dataclasses.fields(settings)}
    if pairs.get("detector") == "peak":
        pairs.pop("rms_ms", None)
    said = []
    for key, value in pairs.items():
        if value is None and key in ("early_db", "feedback_db"):
            said.append({"early_db": "no early reflections"}.get(key, LEFT_OUT[key]))
        elif key == "decay_by_band":
            said += [f"decay x{number(factor)} at {number(hz)} Hz" for hz, factor in value]
        elif key == "parameters":
            said += [f"{name} {value_words('', one)}" for name, one in value]
        elif key == "plugin":
            said.append(str(value))
        elif value is True:
            said.append(named(key))
        elif value not in (None, (), "") and value is not False and QUIET.get(key) != value:
            said.append(f"{named(key)} {value_words(key, value)}".lstrip())
    return ", ".join(said)
