"""How a value changed, in words: from what to what, and levels by how much."""

from __future__ import annotations

import math
import re
from typing import Any

from mixwright.words import named, value_words

# Levels of which it counts by how much they went up or down.
LEVELS = (
    *("gain_db", "trim_db", "makeup_db", "early_db", "feedback_db", "level_db", "offset_db"),
    *("sends_db", "integrated_lufs", "true_peak_dbtp", "ceiling_dbtp"),
)
_WITH_UNIT = re.compile(r"([-+]?[\d.]+(?:e[-+]?\d+)?) (\S+)")


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
    ('ratio 3:1 -> 4:1', 'detector high-pass none -> 120 Hz')
    """
    called = named(key) if name is None else name
    if isinstance(old, bool) and isinstance(new, bool):
        return f"{called} {value_words(key, new)}"
    text = f"{called} {values_words(key, old, new)}".lstrip()
    is_level = key in LEVELS and isinstance(old, int | float) and isinstance(new, int | float)
    if is_level and math.isfinite(old) and math.isfinite(new):
        text += f" ({difference(old, new)})"
    return text
