"""When a track or group is muted: what is muted is meant to be gone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixwright.meters.loudness import HOP_S
from mixwright.sheet import Points
from mixwright.timeline import Timeline


def muted_hops(mute: bool, points: Points, timeline: Timeline, hops: int) -> NDArray[np.bool_]:
    """Return whether each hop of 100 ms has any muted time in it, shape ``(hops,)``.

    >>> from mixwright.sheet import Point
    >>> from mixwright.timeline import Position
    >>> ride = (Point(Position(seconds=0.15), 1.0), Point(Position(seconds=0.3), 0.0))
    >>> muted_hops(False, ride, Timeline(48000), 4).tolist()
    [False, True, True, False]
    """
    starts_s = [0.0, *(timeline.seconds_at(point.at) for point in points)]
    states = [mute, *(point.value > 0.0 for point in points)]
    found = np.zeros(hops, np.bool_)
    ends_s = [*starts_s[1:], hops * HOP_S]
    for start_s, end_s, is_muted in zip(starts_s, ends_s, states, strict=True):
        if is_muted and end_s > start_s:
            # The edge is a multiple of a hop in a sheet more often than not: rounding decides.
            first, last = np.floor(start_s / HOP_S + 1e-6), np.ceil(end_s / HOP_S - 1e-6)
            found[int(first) : int(last)] = True
    return found
