"""Figures as a review page writes them, and what it calls things."""

from __future__ import annotations

import math

from mixwright.reviewing.data import Level, SoundChange, SourceKind, Standing, State

STATES: dict[State | Standing, tuple[str, str]] = {
    "holds": ("✓", "holds"),
    "accepted": ("✓", "accepted"),
    "look": ("○", "worth a look"),
    "fails": ("✕", "fails"),
    "idle": ("·", "nothing to judge"),
    "note": ("·", "note"),
}
"""A sign and a word for each: colour only repeats them."""

KINDS: dict[SourceKind, str] = {
    "step": "step",
    "previous": "previous version",
    "mix": "finished mix",
    "variant": "variant",
    "reference": "reference",
}


def clock(seconds: float, decimals: int = 1) -> str:
    """Return minutes and seconds.

    >>> clock(76.25), clock(59.97), clock(76.25, 0)
    ('1:16.2', '1:00.0', '1:16')
    """
    units = 10**decimals
    minutes, rest = divmod(round(max(0.0, seconds) * units), 60 * units)
    width = 3 + decimals if decimals else 2
    return f"{minutes}:{rest / units:0{width}.{decimals}f}"


def number(value: Level, decimals: int = 1, sign: bool = False) -> str:
    """Return a figure; "-" for none, "-inf" for a level of nothing. There is no "-0.0".

    >>> number(-23.04), number(None), number(-math.inf), number(-0.04), number(1.5, sign=True)
    ('-23.0', '-', '-inf', '0.0', '+1.5')
    """
    if value is None or math.isnan(value):
        return "-"
    if math.isinf(value):
        return "-inf" if value < 0 else "+inf"
    rounded = round(value, decimals) + 0.0
    return f"{rounded:+.{decimals}f}" if sign and rounded else f"{rounded:.{decimals}f}"


def place(pan: Level) -> str:
    """Return where a track sits, as the sheet writes it.

    >>> place(-35.0), place(0.0), place(100.0), place(None)
    ('L35', 'C', 'R100', '-')
    """
    if pan is None or math.isnan(pan):
        return "-"
    side = "L" if pan < 0 else "R"
    away = round(abs(pan), 1)
    return f"{side}{away:g}" if away else "C"


def share(part: Level) -> str:
    """Return a share of one in per cent.

    >>> share(0.352), share(None)
    ('35 %', '-')
    """
    return "-" if part is None else f"{100 * part:.0f} %"


def send(level_db: Level) -> str:
    """Return what is sent, in dB, or that nothing is.

    >>> send(-16.0), send(-math.inf)
    ('-16.0 dB', 'off')
    """
    off = level_db is None or level_db == -math.inf
    return "off" if off else f"{number(level_db)} dB"


def difference(change: SoundChange) -> str:
    """Return by how much a figure went up or down; "-" where one of the two is missing.

    >>> difference(SoundChange("true peak", -3.0, -1.8, "dBTP"))
    '+1.2'
    """
    if change.before is None or change.after is None:
        return "-"
    return number(change.after - change.before, sign=True)
