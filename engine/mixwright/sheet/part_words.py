"""Parts of a sheet in the trade's words: bands, processors, inserts, effects, points of rides."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.inserts import INSERTS
from mixwright.sheet.model import Band, Insert, Point, RecordedRoom, Return
from mixwright.words import band_words, counted, named, settings_words, value_words

KINDS = {kind: name for name, kind in INSERTS.items()}
# Which note stands for which time.
NOTES = {"time_ms": "note", "pre_delay_ms": "pre_delay_note"}
# What the rides of a part and of an EQ band are called.
OF_PART = {"gain_db": "ride", "pan": "pan", "mute": "mute"}
OF_BAND = {"gain_db": "gain", "freq_hz": "frequency"}


def moving_band_words(band: Band) -> str:
    """Return an EQ band with all of its rides."""
    rides = [
        f", {what}: {ride_words(key, points)}"
        for key, what in OF_BAND.items()
        if (points := getattr(band.automation, key))
    ]
    return band_words(band.settings) + "".join(rides)


def processor_words(part: Any) -> str:
    """Return what a gate, compressor, de-esser or limiter is set to, with its key and make-up."""
    said = settings_words(part.settings)
    for entry in dataclasses.fields(part):
        value = getattr(part, entry.name)
        if entry.name == "makeup_db":
            said += f", make-up {value_words('makeup_db', value)}"
        elif entry.name not in ("settings", "why") and value is not None:
            said += f", {named(entry.name)} {value_words(entry.name, value)}"
    return said


def insert_words(insert: Insert) -> str:
    """Return an insert with its settings.

    >>> insert_words(Insert(INSERTS["pitch_shift"](semitones=-0.06)))
    'pitch-shift: -0.06 semitones'
    """
    words = f"{named(KINDS[type(insert.settings)])}: {settings_words(insert.settings)}"
    return words.removesuffix(": ")


def effect_words(part: Return) -> str:
    """Return what effect a return is and how it is set; a note goes before the time it comes to."""
    kind = {RecordedRoom: "recorded room", DelaySettings: "delay"}.get(type(part.effect), "reverb")
    timed = {time: note for time, key in NOTES.items() if (note := getattr(part, key)) is not None}
    settings = [
        words
        for words in settings_words(part.effect).split(", ")
        if not any(words.startswith(f"{named(time)} ") for time in timed)
    ]
    return f"{kind}: {', '.join([*(f'{named(t)} {n}' for t, n in timed.items()), *settings])}"


# ---- rides ----


def ridden_words(key: str, value: float) -> str:
    """Return where the ride of a field goes.

    >>> ridden_words("gain_db", 1.0), ridden_words("mute", 1.0)
    ('+1.0 dB', 'on')
    """
    return value_words(key, value > 0.0 if key == "mute" else value)


def over_words(point: Point) -> str:
    """Return over how long a point is reached; nothing for at once."""
    lengths = [counted(point.over_beats, "beat")] if point.over_beats else []
    lengths += [value_words("over_ms", point.over_ms)] if point.over_ms else []
    return f"over {' and '.join(lengths)}" if lengths else ""


def point_words(key: str, point: Point) -> str:
    """Return where a point of the ride of a field goes, how, and over how long.

    >>> from mixwright.timeline import Position
    >>> point_words("gain_db", Point(Position(bar=3), 1.5, over_beats=2.0, shape="smooth"))
    '+1.5 dB smoothly over 2 beats'
    """
    over = over_words(point)
    if over and point.shape != "line":
        over = f"smoothly {over}" if point.shape == "smooth" else f"at the end of {over[5:]}"
    return f"{ridden_words(key, point.value)} {over}".rstrip()


def ride_words(key: str, points: Iterable[Point]) -> str:
    """Return the points of a ride of a field.

    >>> from mixwright.timeline import Position
    >>> ride_words("gain_db", [Point(Position(bar=3), 1.5, over_beats=2.0)])
    '+1.5 dB over 2 beats at bar 3'
    """
    return ", ".join(f"{point_words(key, point)} at {point.at}" for point in points)
