"""Tracks whose files say that they begin at another time than the others.

Files that were exported together begin at one time, and say so in their broadcast extension, in
samples since midnight of the first sample (EBU Tech 3285). One that says another was cut at the
head, or starts where its part starts: it has to be moved to where it says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from mixwright.faults.findings import OtherTime

Name = TypeVar("Name", str, int, str | int)

AGREE_MS = 0.5
# Further apart than this, one was recorded at another time, and its place in the song is unknown;
# the furthest that a sheet can move a track.
MOVABLE_MS = 10_000.0


@dataclass(frozen=True)
class TimeStamp:
    """When the first sample was: `samples` since midnight at `rate_hz`."""

    samples: int
    rate_hz: int

    def later_ms(self, other: TimeStamp) -> float:
        """Return how much later this is than another, in ms.

        >>> TimeStamp(10 * 3600 * 96000 + 480, 96000).later_ms(TimeStamp(10 * 3600 * 48000, 48000))
        5.0
        """
        # Whole numbers first: seconds of the day at full precision leave nothing for samples.
        apart = self.samples * other.rate_hz - other.samples * self.rate_hz
        return 1000.0 * apart / (self.rate_hz * other.rate_hz)


def disagreeing(stamps: Mapping[Name, TimeStamp]) -> tuple[OtherTime, ...]:
    """Return the tracks that begin at another time than most, as their files tell it.

    Most are those that agree to within half a millisecond: two at least, and more than any others;
    without such a majority nothing is said. A stamp of 0 where most have another is what programs
    write that know no time, and left out.

    `fix` moves a track to where its stamp says, for when the others begin with the song; there is
    none beyond ten seconds.

    >>> stamps = {name: TimeStamp(48000, 48000) for name in ("kick", "snare", "hat")}
    >>> found = disagreeing({**stamps, "bass": TimeStamp(48240, 48000)})
    >>> [(one.track, one.later_samples, one.fix) for one in found]
    [('bass', 240, 'offset_ms: 5.000')]
    """
    most = _majority(stamps)
    if most is None:
        return ()
    common = stamps[most[0]]
    found = []
    for track, stamp in stamps.items():
        if track in most or stamp.samples == 0:
            continue
        later_ms = stamp.later_ms(common)
        later = round(later_ms * stamp.rate_hz / 1000.0)
        movable = abs(later_ms) <= MOVABLE_MS
        how = f"{abs(later_ms):.2f} ms ({abs(later)} samples) {'later' if later > 0 else 'earlier'}"
        found.append(
            OtherTime(
                track=track,
                severity="look" if movable else "note",
                message=f"begins {how} than {len(most)} other tracks, by its time stamp",
                fix=f"offset_ms: {later_ms:.3f}" if movable else None,
                later_samples=later,
                later_ms=later_ms,
                agreeing=len(most),
            )
        )
    return tuple(found)


def _majority(stamps: Mapping[Name, TimeStamp]) -> list[Name] | None:
    """The tracks of the largest group that agrees, None if there is no such group."""
    groups: list[list[Name]] = []
    for track, stamp in stamps.items():
        for group in groups:
            if abs(stamp.later_ms(stamps[group[0]])) <= AGREE_MS:
                group.append(track)
                break
        else:
            groups.append([track])
    groups.sort(key=len, reverse=True)
    if not groups or len(groups[0]) < 2:
        return None
    return groups[0] if len(groups) == 1 or len(groups[0]) > len(groups[1]) else None
