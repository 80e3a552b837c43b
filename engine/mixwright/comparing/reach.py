"""Which tracks and groups come to their bus otherwise than before, by how much, and audibly or not.

Each is performed alone, as it was and as it is: after its fader and pan, with no group, returns or
mix bus, as in :mod:`mixwright.rendering.bypass`. A track is of interest if it differs there, a
group if its own settings or its members do: what its tracks do is told of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import Literal

from mixwright.comparing.residual import lifted_lufs, relative_db
from mixwright.comparing.together import (
    Pair,
    PerformedPair,
    Work,
    pairs_performed,
    side_by_side,
)
from mixwright.meters import SoundMeter
from mixwright.meters.loudness import ABSOLUTE_GATE_LUFS
from mixwright.rendering import Plan
from mixwright.rendering.bypass import alone
from mixwright.rendering.identity import Identity, Sounds
from mixwright.rendering.perform import Performed
from mixwright.rendering.plan import KEY_ONLY
from mixwright.units import SILENCE_DB

# A change of level from here on counts as audible: about a tenth of the least step in level that
# is heard of broadband sound (from memory), and the place to which levels are written. A residual
# from here up counts too, at an unchanged level: 1 % of the track. Both ours, and on the safe side.
AUDIBLE_LU = 0.1
AUDIBLE_RESIDUAL_LU = -40.0
# Performed at once, twice each: disk space for a spool is 23 MB a minute at 48 kHz.
PASS = 8


State = Literal["added", "removed", "changed"]


@dataclass(frozen=True)
class Reach:
    """A track or group at its bus, before and after.

    Loudness is gated (BS.1770-5), -inf in silence; peaks are those of samples. A change from or to
    silence is None. `residual_lu` is the loudness of new minus old over that of the old;
    `section_changes_lu` the change of loudness by section, where that is -70 LUFS or more.
    """

    kind: Literal["track", "group"]
    name: str
    state: State
    old_lufs: float
    new_lufs: float
    change_lu: float | None
    old_peak_dbfs: float
    new_peak_dbfs: float
    peak_change_db: float | None
    residual_lu: float | None
    section_changes_lu: Mapping[str, float] = field(default_factory=dict)

    @property
    def is_audible(self) -> bool:
        """Whether it changed by 0.1 LU or more, or left -40 LU or more of itself, or came or went.

        What was silent and still is was never heard.
        """
        if SILENCE_DB in (self.old_lufs, self.new_lufs):
            return self.old_lufs != self.new_lufs
        changes = [self.change_lu or 0.0, *self.section_changes_lu.values()]
        residual_lu = SILENCE_DB if self.residual_lu is None else self.residual_lu
        by_level = any(round(abs(change), 6) >= AUDIBLE_LU for change in changes)
        return by_level or residual_lu >= AUDIBLE_RESIDUAL_LU


def reaches(
    old: Sounds, new: Sounds, known: tuple[set[str], set[str]], work: Work
) -> tuple[Reach, ...]:
    """Return every track and group that comes to its bus otherwise than before.

    Both are of what sounds; `known` are all tracks and groups of both sheets, silent ones
    too. Raises ProblemError as a render does.
    """
    found: list[Reach] = []
    left = iter(_candidates(old, new))
    while some := list(islice(left, PASS)):
        pairs: list[Pair] = [
            (alone(old.plan, name) if was else None, alone(new.plan, name) if now else None)
            for _, name, was, now in some
        ]
        with pairs_performed(pairs, work, "tracks that changed") as all_done:
            for (kind, name, *_), done in zip(some, all_done, strict=True):
                state = _state(name in known[0], name in known[1])
                reach = _reach(kind, name, state, done, (old.plan, new.plan))
                found += [] if reach is None else [reach]
    return tuple(found)


Candidate = tuple[Literal["track", "group"], str, bool, bool]


def _candidates(old: Sounds, new: Sounds) -> Iterator[Candidate]:
    """Kind and name of what differs, and whether it sounds in the old and in the new mix."""
    for kind, of in (("track", _tracks), ("group", _groups)):
        was, now = of(old), of(new)
        for name in (*now, *(name for name in was if name not in now)):
            if was.get(name) != now.get(name):
                yield kind, name, name in was, name in now  # type: ignore[misc]


def _tracks(sounds: Sounds) -> dict[str, Identity]:
    """What every track that sounds is at its bus, by name."""
    heard = (track.name for track in sounds.plan.tracks if track.group != KEY_ONLY)
    return {name: sounds.tracks[name] for name in heard}


def _groups(sounds: Sounds) -> dict[str, Identity]:
    """The same of groups: their own settings, who is in them, what they listen to."""
    tracks = sounds.plan.tracks
    return {
        group.name: sounds.of_bus(group, {t.name for t in tracks if t.group == group.name})
        for group in sounds.plan.groups
    }


def _state(was_there: bool, is_there: bool) -> State:
    """What became of a track or group in the sheet, whether it sounds or not."""
    if was_there and is_there:
        return "changed"
    return "added" if is_there else "removed"


def _reach(
    kind: Literal["track", "group"],
    name: str,
    state: State,
    pair: PerformedPair,
    plans: tuple[Plan, Plan],
) -> Reach | None:
    """What two performances of it alone say; None where they come out the same."""
    residual_lu = None
    if None not in pair and plans[0].rate_hz == plans[1].rate_hz:
        meter, differs = SoundMeter(plans[1].rate_hz, 2), False
        for _, _, left in side_by_side(*pair):
            meter.feed(left)
            differs = differs or bool(left.any())
        if not differs:
            return None
        residual_lu = relative_db(lifted_lufs(meter), _lufs(pair[0], gate_is_low=True))
    old_lufs, new_lufs = (_lufs(done) for done in pair)
    old_peak, new_peak = (SILENCE_DB if done is None else _peak_dbfs(done) for done in pair)
    return Reach(
        kind,
        name,
        state,
        old_lufs,
        new_lufs,
        _change(old_lufs, new_lufs),
        old_peak,
        new_peak,
        _change(old_peak, new_peak),
        residual_lu,
        _section_changes(pair, plans),
    )


def _lufs(
    done: Performed | None,
    stretch: tuple[float, float | None] = (0.0, None),
    gate_is_low: bool = False,
) -> float:
    """Its loudness; one that is too quiet for the gate is still told from silence."""
    if done is None:
        return SILENCE_DB
    level = done.meter.sound.readings(*stretch).integrated_lufs
    if gate_is_low or level in (None, SILENCE_DB):
        level = lifted_lufs(done.meter.sound, *stretch)
    return SILENCE_DB if level is None else level


def _peak_dbfs(done: Performed) -> float:
    return done.meter.sound.readings().sample_peak_dbfs


def _change(old: float, new: float) -> float | None:
    return None if SILENCE_DB in (old, new) else new - old


def _section_changes(pair: PerformedPair, plans: tuple[Plan, Plan]) -> dict[str, float]:
    """Changes of level in the sections that both have, wherever they lie."""
    places = [
        {s.name: (s.start / plan.rate_hz, s.end / plan.rate_hz) for s in plan.sections}
        for plan in plans
    ]
    changes = {}
    for name in (name for name in places[1] if name in places[0]):
        levels = [_lufs(done, place[name]) for done, place in zip(pair, places, strict=True)]
        change = _change(*levels)
        if change is not None and max(levels) >= ABSOLUTE_GATE_LUFS:
            changes[name] = change
    return changes
