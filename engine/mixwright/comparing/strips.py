"""What sound runs through: EQ, dynamics, inserts, sends, and the effect of a return."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from mixwright.comparing.change import Change, Place
from mixwright.comparing.fields import entries_told, fields_told, listed_told, setting_told
from mixwright.comparing.pairing import paired_bands
from mixwright.comparing.rides import automation_told
from mixwright.comparing.words import change_words, from_to, values_words
from mixwright.dsp.inserts import PluginSettings
from mixwright.sheet import Band, Return, Song
from mixwright.sheet.model import Insert
from mixwright.sheet.part_words import (
    KINDS,
    NOTES,
    effect_words,
    insert_words,
    moving_band_words,
    processor_words,
)
from mixwright.timeline import note_to_beats
from mixwright.units import SILENCE_DB
from mixwright.words import band_name, named, number, value_words

# ---- EQ ----


def eq_told(place: Place, key: str, old: Any, new: Any) -> Iterator[Change]:
    """Tell the EQ of a part: bands that came, went, changed or changed places."""
    was, now = getattr(old, key), getattr(new, key)
    here = place.at(key).leading("EQ: ")
    yield from listed_told(here, was, now, moving_band_words, paired_bands(was, now), _band)


def _band(place: Place, old: Band, new: Band) -> list[Change]:
    def settings(at: Place, key: str, old: Band, new: Band) -> list[Change]:
        return _band_settings(replace(at, lead=place.lead), key, old, new)

    # What is said of a ride or a reason has to say of which band.
    here = place.leading(f"{band_name(new.settings)}: ")
    return fields_told(here, old, new, {"settings": settings, "automation": automation_told})


def _band_settings(place: Place, key: str, old: Band, new: Band) -> list[Change]:
    """All that changed in a band, as one move."""
    was, now = old.settings, new.settings
    names = [entry.name for entry in dataclasses.fields(now)]
    differ = [name for name in names if getattr(was, name) != getattr(now, name)]
    hz = values_words("freq_hz", was.freq_hz, now.freq_hz)
    text = f"{named(now.type)} {hz}" if "freq_hz" in differ else band_name(new.settings)
    said = [
        change_words(name, getattr(was, name), getattr(now, name), _setting_name(name))
        for name in differ
        if name != "freq_hz"
    ]
    at = place.at(differ[0]) if len(differ) == 1 else place
    return [at.told(text + (f": {', '.join(said)}" if said else ""))]


def _setting_name(key: str) -> str:
    return "slope" if key == "slope_db_per_oct" else named(key)


# ---- processors ----


def processor_told(place: Place, key: str, old: Any, new: Any) -> list[Change]:
    """Tell a processor of a chain, or the limiter: each setting in words."""
    was, now = getattr(old, key), getattr(new, key)
    if was is None:
        text = f"{named(key)} added: {processor_words(now)}"
        return [place.of(None, key).because(None, now).told(text, "added")]
    if now is None:
        text = f"{named(key)} removed ({processor_words(was)})"
        return [place.of(key, None).because(None, None).told(text, "removed")]
    here = place.at(key).leading(f"{named(key)}: ")
    return fields_told(here, was, now, {"settings": _settings})


def _settings(place: Place, key: str, old: Any, new: Any) -> list[Change]:
    """Settings stand in a sheet beside the key and the reason, not below them."""
    was, now = getattr(old, key), getattr(new, key)
    return fields_told(place, was, now, {"parameters": _parameters})


# ---- inserts and sends ----


def inserts_told(place: Place, key: str, old: Any, new: Any) -> Iterator[Change]:
    """Tell the inserts of a part."""
    was, now = getattr(old, key), getattr(new, key)
    alike = (lambda one: one, lambda one: one.settings, _insert_kind)
    here = place.at(key).leading("insert: ")
    yield from listed_told(here, was, now, insert_words, alike, _insert)


def _insert_kind(insert: Insert) -> tuple[str, str]:
    one = insert.settings
    return KINDS[type(one)], one.plugin if isinstance(one, PluginSettings) else ""


def _insert(place: Place, old: Insert, new: Insert) -> list[Change]:
    kind, plugin = _insert_kind(new)
    here = place.leading(f"{plugin or named(kind)}: ")
    return fields_told(here, old, new, {"settings": _settings})


def _parameters(place: Place, key: str, old: Any, new: Any) -> list[Change]:
    return entries_told(place.at(key), "", dict(getattr(old, key)), dict(getattr(new, key)))


def sends_told(place: Place, key: str, old: Any, new: Any) -> Iterator[Change]:
    """Tell the sends of a track, by return."""
    was, now = getattr(old, key), getattr(new, key)
    # The reason for a track is not the reason for a send.
    here = place.at(key).because(None, None)
    for name in (*now, *(name for name in was if name not in now)):
        old_name, send = place.sheets.old_name(name), f"{name} send"
        if name not in was:
            text = f"{send} new at {value_words(key, now[name])}"
            yield here.of(None, name).told(text, "added")
        elif name not in now:
            level = value_words(key, was[name])
            text = f"{send} removed (was off)" if level == "off" else f"{send} off (was {level})"
            yield here.of(old_name, None).told(text, "removed")
        elif now[name] == SILENCE_DB != was[name]:
            yield here.of(old_name, name).told(f"{send} off (was {value_words(key, was[name])})")
        elif was[name] != now[name]:
            yield here.of(old_name, name).told(change_words(key, was[name], now[name], send))


# ---- the effect of a return ----


def _note(part: Return, key: str) -> str | None:
    note = getattr(part, key)
    return None if note is None else str(note)


def effect_told(place: Place, old: Return, new: Return) -> list[Change]:
    """Tell how the effect of a return changed, with the notes that time it."""
    was, now = old.effect, new.effect
    if type(was) is not type(now):
        return [place.told(f"{effect_words(old)} -> {effect_words(new)}")]
    times = [time for time in NOTES if hasattr(now, time)]
    found = [change for time in times if (change := _time(place, time, old, new)) is not None]
    tellers = {"decay_by_band": _decay_by_band}
    found += fields_told(place, was, now, tellers, elsewhere=times)
    for time, key in NOTES.items():
        if time not in times and getattr(old, key) != getattr(new, key):
            found.append(setting_told(place, key, getattr(old, key), getattr(new, key)))
    return found


def _time(place: Place, time: str, old: Return, new: Return) -> Change | None:
    """A time in ms or as a note; what a note comes to at another tempo is no change of its own."""
    notes = (_note(old, NOTES[time]), _note(new, NOTES[time]))
    was, now = getattr(old.effect, time), getattr(new.effect, time)
    if notes == (None, None) or notes[0] == notes[1]:
        songs = (place.sheets.old.song, place.sheets.new.song)
        follows = songs[0].tempo[0].bpm != songs[1].tempo[0].bpm
        follows &= _is_note(was, notes[0], songs[0]) and _is_note(now, notes[1], songs[1])
        return None if was == now or follows else setting_told(place, time, was, now)
    said = [note or value_words(time, ms) for note, ms in zip(notes, (was, now), strict=True)]
    keys = [NOTES[time] if note else time for note in notes]
    return place.of(keys[0], keys[1]).told(f"{named(time)} {from_to(said[0], said[1])}")


def _is_note(time_ms: float, note: str | None, song: Song) -> bool:
    """Whether a time is that of a note at the first tempo of a song."""
    if note is None:
        return False
    return math.isclose(time_ms, 60000.0 / song.tempo[0].bpm * note_to_beats(note))


def _decay_by_band(place: Place, key: str, old: Any, new: Any) -> Iterator[Change]:
    was, now = (dict(getattr(one, key)) for one in (old, new))
    for hz in sorted({*was, *now}):
        at, name = place.at(key).at(number(hz)), f"decay at {number(hz)} Hz"
        factors = [None if x is None else f"x{number(x)}" for x in (was.get(hz), now.get(hz))]
        if factors[0] is None:
            yield place.at(key).of(None, number(hz)).told(f"{name} new: {factors[1]}", "added")
        elif factors[1] is None:
            text = f"{name} removed (was {factors[0]})"
            yield place.at(key).of(number(hz), None).told(text, "removed")
        elif factors[0] != factors[1]:
            yield at.told(f"{name} {factors[0]} -> {factors[1]}")
