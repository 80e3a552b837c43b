"""Any two parts of a sheet, field by field: no field can change without being told.

A room that knows better words for a field passes a teller; where it finds nothing to say, and for
every field that nobody knows, the field is told by its own name.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from mixwright.comparing.change import Change, Place
from mixwright.comparing.pairing import IndexPairs, displaced, in_order, paired
from mixwright.comparing.words import change_words
from mixwright.timeline import Position
from mixwright.words import named, value_words

# Of the place of two parts, a field that differs, and both parts: what changed in that field.
Teller = Callable[[Place, str, Any, Any], Iterable[Change]]
NO_TELLERS: Mapping[str, Teller] = {}


def fields_told(
    place: Place,
    old: Any,
    new: Any,
    tellers: Mapping[str, Teller] = NO_TELLERS,
    steps: Mapping[str, str] | None = None,
    elsewhere: Sequence[str] = (),
    begun: Sequence[Change] = (),
) -> list[Change]:
    """Tell every field in which two parts of one type differ, and last their reason.

    `steps` are steps of fields that are not told in the step of the place; the fields `elsewhere`
    are told by whoever calls, who may have `begun` the list.
    """
    found = list(begun)
    has_why = any(entry.name == "why" for entry in dataclasses.fields(new))
    here = place.because(old, new) if has_why else place
    for entry in dataclasses.fields(new):
        key = entry.name
        was, now = getattr(old, key), getattr(new, key)
        if key == "why" or key in elsewhere or was == now or not entry.compare:
            continue
        at = replace(here, step=(steps or {}).get(key, here.step))
        told = list(tellers[key](at, key, old, new)) if key in tellers else []
        found += told or anything_told(at, key, was, now)
    return found + (reason_told(here, found) if has_why else [])


def given(part: Any) -> Iterator[tuple[str, Any]]:
    """Go through the fields of a part that are not as they are by default; not its name and reason.

    >>> from mixwright.sheet import Variant
    >>> list(given(Variant("tv", without=("vocals",), why="the singer performs live")))
    [('without', ('vocals',))]
    """
    for entry in dataclasses.fields(part):
        default: Any = entry.default
        if entry.default_factory is not dataclasses.MISSING:
            default = entry.default_factory()
        value = getattr(part, entry.name)
        if entry.name not in ("name", "why") and value != default:
            yield entry.name, value


def reason_told(place: Place, found: Iterable[Change]) -> list[Change]:
    """Tell that a reason changed, unless one of the changes carries the new one."""
    old, new = place.whys
    carried = any(change.reason == "new" and change.why == new for change in found)
    if old == new or (carried and new is not None):
        return []
    text = f"reason: {old} -> {new}"
    if old is None or new is None:
        text = f"reason given: {new}" if old is None else f"reason dropped: {old}"
    return [replace(place.at("why").told(text), reason="alone")]


def setting_told(place: Place, key: str, was: Any, now: Any, name: str | None = None) -> Change:
    """Tell one value, by its name or `name`."""
    return place.at(key).told(change_words(key, was, now, name))


def called(name: str) -> Teller:
    """Return a teller for a value that has a better name than its field."""

    def tell(place: Place, key: str, old: Any, new: Any) -> list[Change]:
        return [setting_told(place, key, getattr(old, key), getattr(new, key), name)]

    return tell


def anything_told(place: Place, key: str, was: Any, now: Any) -> list[Change]:
    """Tell how a value of any kind changed; at least one change."""
    found: list[Change] = []
    if isinstance(was, Mapping) and isinstance(now, Mapping):
        found = entries_told(place.at(key), key, was, now, f"{named(key)} ")
    elif type(was) is type(now) and dataclasses.is_dataclass(was) and type(was) is not Position:
        found = fields_told(place.at(key).leading(f"{named(key)}: "), was, now)
    elif was is None and dataclasses.is_dataclass(now) and type(now) is not Position:
        text = f"{named(key)} added: {value_words(key, now)}"
        found = [place.of(None, key).because(None, now).told(text, "added")]
    elif now is None and dataclasses.is_dataclass(was) and type(was) is not Position:
        text = f"{named(key)} removed ({value_words(key, was)})"
        found = [place.of(key, None).told(text, "removed")]
    return found or [setting_told(place, key, was, now)]


def entries_told(
    place: Place, key: str, was: Mapping[Any, Any], now: Mapping[Any, Any], before: str = ""
) -> list[Change]:
    """Tell entries of a mapping that came, went or changed; `key` says what its values are.

    `place` is that of the mapping, `before` stands before the name of an entry.
    """
    found = []
    names = [*now, *(name for name in was if name not in now)]
    for name in names:
        entry = f"{before}{value_words('', name)}"
        old_name = place.sheets.old_name(name) if isinstance(name, str) else name
        if name not in was:
            how = " new at" if isinstance(now[name], int | float) else " new:"
            text = f"{entry}{how} {value_words(key, now[name])}"
            found.append(place.of(None, name).told(text, "added"))
        elif name not in now:
            text = f"{entry} removed (was {value_words(key, was[name])})"
            found.append(place.of(old_name, None).told(text, "removed"))
        elif was[name] != now[name]:
            text = change_words(key, was[name], now[name], entry)
            found.append(place.of(old_name, name).told(text))
    return found


def listed_told(
    place: Place,
    old: Sequence[Any],
    new: Sequence[Any],
    words: Callable[[Any], str],
    pairs: IndexPairs | Sequence[Callable[[Any], Hashable]],
    tell: Callable[[Place, Any, Any], Iterable[Change]],
) -> Iterator[Change]:
    """Tell what came into a list, left it, changed or changed places.

    `words` name one thing of it, `tell` says what changed in one; `pairs` are pairs, or keys to
    pair by (see :func:`~mixwright.comparing.pairing.paired`).
    """
    known = pairs if isinstance(pairs, dict) else paired(old, new, *pairs)
    moved = displaced(known)
    for i, j in in_order(known, len(old), len(new)):
        if i is None and j is not None:
            at = place.of(None, j).because(None, new[j])
            yield at.told(f"{words(new[j])} added", "added")
        elif j is None and i is not None:
            at = place.of(i, None).because(None, None)
            yield at.told(f"{words(old[i])} removed", "removed")
        elif i is not None and j is not None:
            at = place.of(i, j)
            if j in moved:
                text = f"{words(new[j])} {place_words(j, new, words)}"
                yield at.because(old[i], new[j]).told(text, "moved")
            if old[i] != new[j]:
                yield from tell(at, old[i], new[j])


def place_words(index: int, new: Sequence[Any], words: Callable[[Any], str]) -> str:
    """Return where something stands now: first, or after what.

    >>> place_words(1, ["kick", "snare"], str)
    'moved: now after kick'
    """
    return f"moved: now after {words(new[index - 1])}" if index else "moved: now first"
