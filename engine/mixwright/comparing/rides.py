"""Rides, point by point: what was added, taken out, moved or set otherwise, in the song's terms."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Any

from mixwright.comparing.change import Change, Place, Sheets
from mixwright.comparing.fields import fields_told, setting_told
from mixwright.comparing.pairing import IndexPairs, displaced, paired
from mixwright.comparing.words import from_to
from mixwright.sheet import Band, Point, Points
from mixwright.sheet.part_words import OF_BAND, OF_PART, over_words, ridden_words, ride_words
from mixwright.timeline import Position
from mixwright.units import SILENCE_DB


@dataclass(frozen=True)
class Ridden:
    """What is ridden: its name, the field its values are of, where old and new ride begin."""

    what: str
    key: str
    stills: tuple[float, float] = (0.0, 0.0)


def automation_told(place: Place, key: str, old: Any, new: Any) -> list[Change]:
    """Tell the rides of a track, group, return, mix bus or EQ band."""
    is_band = isinstance(new, Band)
    # The reason for a track is not the reason for a ride on it; that for a band is.
    here = replace(place.at(key), step="automation")
    here = here if is_band else here.because(None, None)
    tellers = {
        ridden: partial(_ride, ridden=Ridden(what, ridden, _stills(old, new, ridden)))
        for ridden, what in (OF_BAND if is_band else OF_PART).items()
    }
    levels = [getattr(part, "sends_db", {}) for part in (old, new)]
    sends = {"sends_db": partial(_send_rides, levels=levels)}
    return fields_told(here, getattr(old, key), getattr(new, key), {**tellers, **sends})


def _stills(old: Any, new: Any, ridden: str) -> tuple[float, float]:
    """Where something is before its first point in both sheets; a fader's ride adds to it."""
    if isinstance(new, Band):
        old, new = old.settings, new.settings
    elif ridden == "gain_db":
        return 0.0, 0.0
    return float(getattr(old, ridden, 0.0)), float(getattr(new, ridden, 0.0))


def _ride(place: Place, key: str, old: Any, new: Any, ridden: Ridden) -> Iterator[Change]:
    yield from points_told(place.at(key), ridden, getattr(old, key), getattr(new, key))


def _send_rides(place: Place, key: str, old: Any, new: Any, levels: Any) -> Iterator[Change]:
    was, now = getattr(old, key), getattr(new, key)
    for name in (*now, *(name for name in was if name not in now)):
        if name in was and name in now and was[name] == now[name]:
            continue
        at = place.of(f"{key}.{place.sheets.old_name(name)}", f"{key}.{name}")
        stills = (levels[0].get(name, SILENCE_DB), levels[1].get(name, SILENCE_DB))
        ridden = Ridden(f"{name} send", key, stills)
        told = list(points_told(at, ridden, was.get(name, ()), now.get(name, ())))
        # A ride without a point does nothing, but it stands there.
        yield from told or [at.told(f"{ridden.what}: ride without points {_gone(name in now)}")]


def _gone(is_there: bool) -> str:
    return "new" if is_there else "removed"


# ---- points ----


def points_told(place: Place, ridden: Ridden, old: Points, new: Points) -> Iterator[Change]:
    """Tell how one ride became another; `place` is that of the list of its points."""
    pairs = _paired(place, old, new)
    kept = set(pairs.values())
    came = [j for j in range(len(new)) if j not in pairs]
    went = [i for i in range(len(old)) if i not in kept]
    found: list[tuple[float, Change]] = []
    for some in _in_a_row(went):
        at = place.of(some[0], None)
        text = _stretch(ridden, ridden.stills[0], old, some) + ", removed"
        found.append((_after(pairs, some[0]), at.told(text, "removed")))
    for some in _in_a_row(came):
        text = _stretch(ridden, ridden.stills[1], new, some) + ", new"
        found.append((some[0], place.of(None, some[0]).told(text, "added")))
    for j in pairs:
        changes = _point(place.of(pairs[j], j), ridden, old[pairs[j]], new[j])
        found += [(j, change) for change in changes]
    for _, change in sorted(found, key=lambda pair: pair[0]):
        yield change
    for j in sorted(displaced(pairs)):
        text = f"{ridden.what} point at {new[j].at} is now point {j + 1}"
        yield place.of(pairs[j], j).told(text, "moved")


def _paired(place: Place, old: Points, new: Points) -> IndexPairs:
    """Points at the same position, the same beat, or the same in between two that stay."""
    pairs = paired(old, new, lambda point: point.at)
    for i, j in itertools.product(range(len(old)), range(len(new))):
        is_free = i not in pairs.values() and j not in pairs
        if is_free and _same_beat(place.sheets, old[i].at, new[j].at):
            pairs[j] = i
    spread = dict(pairs)
    for i in (i for i in range(len(old)) if i not in pairs.values()):
        for j in (j for j in range(len(new)) if j not in spread):
            if _gap(pairs.values(), i) == _gap(pairs, j) and _same_but_place(old[i], new[j]):
                spread[j] = i
                break
    return spread


def _same_beat(sheets: Sheets, old: Position, new: Position) -> bool:
    """Whether two positions are the same place in the music, each in its own sheet."""
    places = []
    for sheet, at in ((sheets.old, old), (sheets.new, new)):
        try:
            places.append(sheet.timeline.bar_and_beat_at(sheet.timeline.seconds_at(at)))
        except (KeyError, ValueError):
            # A sheet made by hand may hold a position that its song does not have.
            return False
    (old_bar, old_beat), (new_bar, new_beat) = places
    return old_bar == new_bar and math.isclose(old_beat, new_beat, abs_tol=1e-6)


def _gap(kept: Iterable[int], index: int) -> int:
    return sum(one < index for one in kept)


def _same_but_place(one: Point, other: Point) -> bool:
    return replace(one, at=other.at) == other


def _after(pairs: IndexPairs, index: int) -> float:
    """Where in the new ride a point stood that is gone."""
    before = [j for j, i in pairs.items() if i < index]
    return max(before, default=-1) + 0.5


def _in_a_row(indices: list[int]) -> Iterator[list[int]]:
    """Stretches of indices that follow one another."""
    for _, some in itertools.groupby(enumerate(indices), lambda pair: pair[1] - pair[0]):
        yield [index for _, index in some]


def _point(place: Place, ridden: Ridden, old: Point, new: Point) -> Iterator[Change]:
    """What changed in a point that is still there."""
    if old.at != new.at:
        if _same_beat(place.sheets, old.at, new.at):
            text = f"{ridden.what} point at {old.at} now given as {new.at}, the same place"
        else:
            text = f"{ridden.what} point moved from {_short(old.at)} to {_short(new.at)}"
        yield place.told(text, "moved")
    said = []
    if old.value != new.value:
        was, now = ridden_words(ridden.key, old.value), ridden_words(ridden.key, new.value)
        said.append(from_to(was, now) if was != now else f"{old.value!r} -> {new.value!r}")
    if over_words(old) != over_words(new):
        said.append(f"{over_words(old) or 'at once'} -> {over_words(new) or 'at once'}")
    if old.shape != new.shape:
        said.append(f"{old.shape} -> {new.shape}")
    if said:
        yield place.told(f"{ridden.what} at {new.at}: {', '.join(said)}")
    told = ("at", "value", "over_beats", "over_ms", "shape")
    for entry in fields(new):
        was, now = getattr(old, entry.name), getattr(new, entry.name)
        if entry.name not in told and was != now:
            yield setting_told(place.leading(f"{ridden.what} at {new.at}: "), entry.name, was, now)


def _stretch(ridden: Ridden, still: float, points: Points, some: list[int]) -> str:
    """Points that follow one another; two of them that come back are one stretch of the song."""
    before = points[some[0] - 1].value if some[0] else still
    first, last = points[some[0]], points[some[-1]]
    if len(some) == 2 and last.value == before and not over_words(first) and not over_words(last):
        value = ridden_words(ridden.key, first.value)
        return f"{ridden.what} {value} from {_short(first.at)} to {_short(last.at)}"
    return f"{ridden.what}: {ride_words(ridden.key, [points[i] for i in some])}"


def _short(at: Position) -> str:
    """A position as in "from verse 1 to bar 13"."""
    return str(at) if at.section is None else at.section
