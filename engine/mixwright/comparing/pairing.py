"""Which thing of an old list is which of a new one, when things come, go and change places."""

from __future__ import annotations

import bisect
import math
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterator, Sequence
from typing import Any, TypeVar

from mixwright.dsp.band import PASSES, SHELVES
from mixwright.sheet import Band

T = TypeVar("T")
IndexPair = tuple[int | None, int | None]
IndexPairs = dict[int, int]  # the place in the old list by that in the new one
# Bands of one type further apart than this, in octaves, are two moves and not one that changed.
FURTHEST_OCT = dict.fromkeys((*PASSES, *SHELVES), 3.0)
FURTHEST_OTHERS_OCT = 1.0
# A band on another part of the sound is as unlike as one so many octaves away.
OTHER_SIDE_OCT = 0.5


def paired(old: Sequence[T], new: Sequence[T], *alike: Callable[[T], Hashable]) -> IndexPairs:
    """Pair what has the same key, by the first of `alike` that fits, each in its order.

    >>> paired(["a1", "b1", "b2"], ["b2", "a9"], str, lambda word: word[0])
    {0: 2, 1: 0}
    """
    found: IndexPairs = {}
    for key_of in alike:
        waiting: dict[Hashable, list[int]] = defaultdict(list)
        taken = set(found.values())
        for i, thing in enumerate(old):
            if i not in taken:
                waiting[key_of(thing)].append(i)
        for j, thing in enumerate(new):
            if j not in found and (same := waiting.get(key_of(thing))):
                found[j] = same.pop(0)
    return found


def in_order(pairs: IndexPairs, old_count: int, new_count: int) -> Iterator[IndexPair]:
    """Go through everything: the new list in its order, what is gone after what it stood behind.

    >>> list(in_order({0: 0, 1: 2}, 3, 3))
    [(0, 0), (1, None), (2, 1), (None, 2)]
    """
    kept = {i: j for j, i in pairs.items()}
    places: list[tuple[tuple[int, int, int], IndexPair]] = []
    before = -1
    for i in range(old_count):
        if i in kept:
            before = kept[i]
        else:
            places.append(((before, 1, i), (i, None)))
    places += [((j, 0, 0), (pairs.get(j), j)) for j in range(new_count)]
    for _, pair in sorted(places, key=lambda place: place[0]):
        yield pair


def displaced(pairs: IndexPairs) -> set[int]:
    """Return which of the new list changed places: as few as explain the new order.

    >>> displaced({0: 3, 1: 0, 2: 1, 3: 2})
    {0}
    """
    order = sorted(pairs)
    tails: list[int] = []  # the old places at which rising runs end
    at: list[int] = []  # the new places at which they do
    before: dict[int, int | None] = {}
    for j in order:
        length = bisect.bisect_left(tails, pairs[j])
        tails[length:] = [pairs[j], *tails[length + 1 :]]
        at[length:] = [j, *at[length + 1 :]]
        before[j] = at[length - 1] if length else None
    staying: set[int] = set()
    last = at[-1] if at else None
    while last is not None:
        staying.add(last)
        last = before[last]
    return set(order) - staying


def paired_bands(old: Sequence[Band], new: Sequence[Band]) -> IndexPairs:
    """Pair EQ bands: what is the same, then of each type what is nearest in frequency.

    >>> from mixwright.dsp.band import BandSettings
    >>> low, lower, high = (Band(BandSettings("bell", hz)) for hz in (200.0, 180.0, 3000.0))
    >>> paired_bands([low], [high, lower])
    {1: 0}
    """
    found = paired(old, new, _whole, lambda band: band.settings)
    taken = set(found.values())
    near = sorted(
        (apart, i, j)
        for i, one in enumerate(old)
        for j, other in enumerate(new)
        if i not in taken and j not in found
        if (apart := _apart_oct(one, other)) is not None
    )
    for _, i, j in near:
        if j not in found and i not in taken:
            found[j] = i
            taken.add(i)
    return found


def _whole(thing: Any) -> Any:
    return thing


def _apart_oct(one: Band, other: Band) -> float | None:
    """How far apart two bands are, in octaves and the like; None for two that can't be one."""
    a, b = one.settings, other.settings
    octaves = abs(math.log2(a.freq_hz / b.freq_hz))
    if a.type != b.type or octaves > FURTHEST_OCT.get(a.type, FURTHEST_OTHERS_OCT):
        return None
    return octaves + (OTHER_SIDE_OCT if a.on != b.on else 0.0)
