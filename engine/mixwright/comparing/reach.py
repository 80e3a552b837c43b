"""Which tracks and groups come to their bus otherwise than before, by how much, and audibly or not.

Each is performed alone, as it was and as it is: after its fader and pan, with no group, returns or
mix bus, as in :mod:`mixwright.rendering.alone`. A track is of interest if it differs there, a
group if its own settings or its members do: what its tracks do is told of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import Literal

from mixwright.comparing.residual import lifted_lufs, side_by_side
from mixwright.meters import SoundMeter
from mixwright.meters.loudness import ABSOLUTE_GATE_LUFS
from mixwright.rendering import Plan
from mixwright.rendering.alone import alone
from mixwright.rendering.identity import Identity, Sounds
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import KEY_ONLY
from mixwright.rendering.recording import Recording
from mixwright.rendering.session import Session
from mixwright.units import difference_db, or_silence

# A change of level from here on counts as audible: the place to which levels are written, so what
# can be read counts. A residual from here up counts too, at an unchanged level: 1 % of the track.
# Both are our choice, and meant to name too much rather than too little.
AUDIBLE_LU = 0.1
AUDIBLE_RESIDUAL_LU = -40.0
# Performed at once, twice each: disk space for a spool is 23 MB a minute at 48 kHz.
PASS = 8


ReachState = Literal["added", "removed", "changed"]
# An old and a new one; None where a version does not have it.
RecordingPair = tuple[Recording | None, Recording | None]


@dataclass(frozen=True)
class Reach:
    """A track or group at its bus, before and after.

    Loudness is gated (BS.1770-5); peaks are those of samples. Levels of silence are None, and so is
    a change from or to it. `residual_lu` is the loudness of new minus old over that of the old;
    `section_changes_lu` the change of loudness by section, where that is -70 LUFS or more.
    """

    kind: Literal["track", "group"]
    name: str
    state: ReachState
    old_lufs: float | None
    new_lufs: float | None
    change_lu: float | None
    old_peak_dbfs: float | None
    new_peak_dbfs: float | None
    peak_change_db: float | None
    residual_lu: float | None
    section_changes_lu: Mapping[str, float] = field(default_factory=dict)

    @property
    def is_audible(self) -> bool:
        """Whether it changed by 0.1 LU or more, or left -40 LU or more of itself, or came or went.

        What was silent and still is was never heard.
        """
        if None in (self.old_lufs, self.new_lufs):
            return self.old_lufs != self.new_lufs
        changes = [self.change_lu or 0.0, *self.section_changes_lu.values()]
        by_level = any(round(abs(change), 6) >= AUDIBLE_LU for change in changes)
        return by_level or or_silence(self.residual_lu) >= AUDIBLE_RESIDUAL_LU


def reaches(
    old: Sounds, new: Sounds, known: tuple[set[str], set[str]], session: Session
) -> tuple[Reach, ...]:
    """Return every track and group that comes to its bus otherwise than before.

    Both are of what sounds; `known` are all tracks and groups of both sheets, silent ones
    too. Raises ProblemError as a render does.
    """
    found: list[Reach] = []
    left = iter(_candidates(old, new))
    while some := list(islice(left, PASS)):
        parts = [
            PlannedMix(alone(one.plan, name))
            for _, name, *sounds in some
            for one, there in zip((old, new), sounds, strict=True)
            if there
        ]
        with performed(parts, session.on("tracks that changed")) as all_done:
            left_over = iter(all_done)
            for kind, name, was, now in some:
                pair = next(left_over) if was else None, next(left_over) if now else None
                state = _state(name in known[0], name in known[1])
                reach = _reach(kind, name, state, pair, (old.plan, new.plan))
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


def _state(was_there: bool, is_there: bool) -> ReachState:
    """What became of a track or group in the sheet, whether it sounds or not."""
    if was_there and is_there:
        return "changed"
    return "added" if is_there else "removed"


def _reach(
    kind: Literal["track", "group"],
    name: str,
    state: ReachState,
    pair: RecordingPair,
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
        residual_lu = difference_db(lifted_lufs(meter), _lufs(pair[0], gate_is_low=True))
    old_lufs, new_lufs = (_lufs(done) for done in pair)
    old_peak, new_peak = (None if done is None else _peak_dbfs(done) for done in pair)
    return Reach(
        kind,
        name,
        state,
        old_lufs,
        new_lufs,
        difference_db(new_lufs, old_lufs),
        old_peak,
        new_peak,
        difference_db(new_peak, old_peak),
        residual_lu,
        _section_changes(pair, plans),
    )


def _lufs(
    done: Recording | None,
    stretch: tuple[float, float | None] = (0.0, None),
    gate_is_low: bool = False,
) -> float | None:
    """Its loudness; one that is too quiet for the gate is still told from silence."""
    if done is None:
        return None
    level = done.meter.readings(*stretch).integrated_lufs
    if gate_is_low or level is None:
        level = lifted_lufs(done.meter, *stretch)
    return level


def _peak_dbfs(done: Recording) -> float | None:
    return done.meter.readings().sample_peak_dbfs


def _section_changes(pair: RecordingPair, plans: tuple[Plan, Plan]) -> dict[str, float]:
    """Changes of level in the sections that both have, wherever they lie."""
    places = [
        {s.name: (s.start / plan.rate_hz, s.end / plan.rate_hz) for s in plan.sections}
        for plan in plans
    ]
    changes = {}
    for name in (name for name in places[1] if name in places[0]):
        levels = [_lufs(done, place[name]) for done, place in zip(pair, places, strict=True)]
        change = difference_db(levels[1], levels[0])
        if change is not None and max(map(or_silence, levels)) >= ABSOLUTE_GATE_LUFS:
            changes[name] = change
    return changes
