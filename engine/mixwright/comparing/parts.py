"""Tracks, groups, returns and the mix bus: what came, went, has another name, place or setting."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from mixwright.comparing.change import Change, Place, Sheets
from mixwright.comparing.fields import Teller, called, fields_told, given, place_words
from mixwright.comparing.pairing import displaced, in_order, paired
from mixwright.comparing.release import cover_words, covers_told
from mixwright.comparing.rides import automation_told
from mixwright.comparing.strips import (
    effect_told,
    eq_told,
    inserts_told,
    processor_told,
    sends_told,
)
from mixwright.sheet import Bus, Return
from mixwright.sheet.model import PROCESSORS
from mixwright.sheet.part_words import (
    OF_PART,
    effect_words,
    insert_words,
    moving_band_words,
    processor_words,
    ride_words,
)
from mixwright.words import named, value_words

# What is told together, as the effect that it makes up.
EFFECT = ("effect", "note", "pre_delay_note")
TELLERS: Mapping[str, Teller] = {
    **{kind.id: processor_told for kind in PROCESSORS},
    "automation": automation_told,
    "covers": covers_told,
    "eq": eq_told,
    "inserts": inserts_told,
    "limiter": processor_told,
    "sends_db": sends_told,
}
FADER: Mapping[str, Teller] = {**TELLERS, "gain_db": called("fader")}
# The step of each field that is not of the step its part belongs to.
STRIP_STEPS = {
    **dict.fromkeys(("eq", "level_match"), "eq"),
    **{kind.id: kind.step for kind in PROCESSORS},
    **dict.fromkeys(("inserts", "sends_db"), "effects"),
    **dict.fromkeys(("file", "role", "polarity", "offset_ms"), "intake"),
    "covers": "delivery",
}


@dataclass(frozen=True)
class Family:
    """How one kind of part is told: its key in the sheet, its noun, the steps it belongs to.

    `exists_in` is the step in which one of them comes or goes.
    """

    key: str
    noun: str
    step: str
    exists_in: str
    tellers: Mapping[str, Teller]
    steps: Mapping[str, str]


TRACKS = Family("tracks", "track", "balance", "intake", FADER, STRIP_STEPS)
GROUPS = Family("groups", "group", "balance", "balance", FADER, STRIP_STEPS)
RETURNS = Family("returns", "return", "effects", "effects", TELLERS, {})


def parts_told(sheets: Sheets, family: Family, old: Any, new: Any) -> Iterator[Change]:
    """Tell all tracks, groups or returns; `old` and `new` go by the new names."""

    def tell(place: Place, was: Any, now: Any) -> list[Change]:
        found: list[Change] = []
        if isinstance(now, Return):
            at = place.because(was, now)
            differs = any(getattr(was, key) != getattr(now, key) for key in EFFECT)
            found = effect_told(at, was, now) if differs else []
        return fields_told(place, was, now, family.tellers, family.steps, EFFECT, found)

    place = Place(sheets, family.step, "", (family.key,), (family.key,))
    yield from named_told(place, family.noun, family.exists_in, old, new, whole_words, tell)


def named_told(
    place: Place,
    noun: str,
    exists_in: str,
    old: Sequence[Any],
    new: Sequence[Any],
    words: Callable[[Any], str],
    tell: Callable[[Place, Any, Any], list[Change]],
) -> Iterator[Change]:
    """Tell parts that have names; `place` is that of their mapping, `words` of a whole part."""
    pairs = paired(old, new, lambda part: part.name)
    moved = displaced(pairs)
    for i, j in in_order(pairs, len(old), len(new)):
        part = old[i] if j is None and i is not None else new[j or 0]
        at = dataclasses.replace(place, name=part.name)
        was_called = place.sheets.old_name(part.name)
        about = dataclasses.replace(at, step=exists_in)
        if i is None:
            about = about.of(None, part.name).because(None, part)
            yield about.told(f"{noun} added: {words(part)}".removesuffix(": "), "added")
        elif j is None:
            yield about.of(was_called, None).told(f"{noun} removed", "removed")
        else:
            about = about.of(was_called, part.name)
            if was_called != part.name:
                yield about.told(f"{noun} renamed from {was_called} to {part.name}", "renamed")
            if j in moved:
                text = place_words(j, new, lambda one: str(one.name))
                yield about.told(f"{noun} {text}", "moved")
            if old[i] != part:
                yield from tell(at.of(was_called, part.name), old[i], part)


def bus_told(sheets: Sheets, old: Bus, new: Bus) -> list[Change]:
    """Tell the mix bus."""
    place = Place(sheets, "bus", "mix_bus", ("mix_bus",), ("mix_bus",))
    return fields_told(place, old, new, TELLERS)


# ---- a whole part ----


def whole_words(part: Any) -> str:
    """Return a track, group or return in words: all that is not as it is by default.

    >>> from mixwright.sheet import Track
    >>> whole_words(Track("pad", "stems/pad.wav", gain_db=-17.0, sends_db={"hall": -22.0}))
    'stems/pad.wav, fader -17.0 dB, hall send -22 dB'
    """
    said = [effect_words(part)] if isinstance(part, Return) else []
    for key, value in given(part):
        if key not in EFFECT:
            said.append(_WHOLES.get(key, partial(_plain, part))(key, value))
    return ", ".join(said)


def _plain(part: Any, key: str, value: Any) -> str:
    if key == "file":
        return str(value)
    if key == "gain_db" and not isinstance(part, Return):
        return f"fader {value_words(key, value)}"
    return f"{named(key)} {value_words(key, value)}"


def _eq(key: str, bands: Any) -> str:
    return f"EQ ({'; '.join(map(moving_band_words, bands))})"


def _processor(key: str, part: Any) -> str:
    return f"{named(key)} ({processor_words(part)})"


def _inserts(key: str, inserts: Any) -> str:
    return f"inserts ({'; '.join(map(insert_words, inserts))})"


def _sends(key: str, sends: Mapping[str, float]) -> str:
    return ", ".join(f"{name} send {value_words(key, level)}" for name, level in sends.items())


def _covers(key: str, covers: Any) -> str:
    return ", ".join(map(cover_words, covers))


def _rides(key: str, automation: Any) -> str:
    said = []
    for ridden, value in given(automation):
        if isinstance(value, Mapping):
            said += [f"{name} send: {ride_words(ridden, some)}" for name, some in value.items()]
        else:
            said.append(f"{OF_PART.get(ridden, named(ridden))}: {ride_words(ridden, value)}")
    return f"rides ({'; '.join(said)})"


_WHOLES: Mapping[str, Callable[[str, Any], str]] = {
    **{kind.id: _processor for kind in PROCESSORS},
    "automation": _rides,
    "covers": _covers,
    "eq": _eq,
    "inserts": _inserts,
    "sends_db": _sends,
}
