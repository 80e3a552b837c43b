"""Rule automation/track-vanishes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.checks.automation.mutes import muted_hops
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import MOMENTARY_HOPS, Evidence, Levels, TrackHeard
from mixwright.meters.loudness import (
    ABSOLUTE_GATE_LUFS,
    HOP_S,
    sliding_mean,
    to_lufs,
    to_mean_square,
)
from mixwright.rendering.parts import Stretch
from mixwright.sheet import Group
from mixwright.units import db_to_gain

# A track plays where it is within so much of its own loudness.
PLAYING_LU = 25.0
# It plays in a section if it does for this share of it, and it is judged where it is not muted.
LEAST_SHARE = 1.0 / 3.0
# It is gone if it is so for this share of that time.
MOSTLY = 0.75
# As far down as this it is gone.
GONE_DB = 120.0


@dataclass(frozen=True)
class _Drop:
    """How far a track is under its level in the balance for a section, by itself and its group."""

    section: Stretch
    track: TrackHeard
    own_db: float
    group_db: float

    @property
    def whole_db(self) -> float:
        return min(GONE_DB, self.own_db + self.group_db)


@rule("automation/track-vanishes", "vanish_db")
def track_vanishes(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A track that plays is gone for a whole section.

    Measures, for each section and each track that plays for a third of it or more (momentary
    loudness after its chain within 25 LU of its own), how far its fader, its group's with it, holds
    it under where they stand in the balance: in momentary loudness (ITU-R BS.1770-5), what is
    exceeded for three quarters of that time. So a fade or a few beats do not count. Time in which
    the track or its group is muted is left out: what is muted is meant.

    Why it matters: a ride that was left down is easily taken for an arrangement. A track that is
    not wanted in a section is better muted there, which says so.

    Source: common practice; the numbers are our own choice.

    Holds:
        tracks: {keys: {automation: {mute: [{section: chorus, value: true}]}}}

    Fails:
        tracks: {keys: {automation: {gain_db: [{section: chorus, value: -40}]}}}
    """
    if not heard.sections:
        return Result.nothing("the song has no sections")
    drops = sorted(_drops(heard), key=lambda drop: -drop.whole_db)  # ties keep their order
    if not drops:
        return Result.nothing("no track plays through a section")
    worst, most_db = drops[0], limits["vanish_db"]
    lost = [drop for drop in drops if drop.whole_db > most_db]
    by_group = {(d.section.name, d.track.track.group): d for d in lost if d.group_db > most_db}
    remarks = [_of_group(heard, drop, most_db) for drop in by_group.values()]
    remarks += [_of_track(heard, drop, most_db) for drop in lost if drop.group_db <= most_db]
    where = f"{worst.track.name} in {worst.section.name}"
    measured = f"furthest under its balance {where}, {max(0.0, worst.whole_db):.1f} dB"
    return Result(measured, tuple(remarks))


def _drops(heard: Evidence) -> Iterator[_Drop]:
    """What every track loses in every section that it plays in."""
    groups = {group.name: group for group in heard.sheet.groups}
    for track in heard.tracks.values():
        # What fader and pan at rest do to it.
        count = min(len(track.balance.hops), len(track.source.hops))
        if not count:  # the song is shorter than 100 ms
            continue
        still_db = _lufs(track.balance.hops[:count].mean()) - _lufs(
            track.source.hops[:count].mean()
        )
        if not math.isfinite(still_db):
            continue
        of_group = heard.groups.get(track.track.group or "")
        playing = _playing(track.treated) & ~_muted(heard, track, groups)
        own_db = still_db + _lost_db(track.treated, track.placed, len(playing))
        group_db = np.zeros(len(playing))
        if of_group is not None:
            group_db += _ridden_down_db(heard, of_group.group, len(playing))
        for section in heard.sections:
            first, last = (round(at / HOP_S) for at in heard.seconds_of(section))
            at = np.flatnonzero(playing[first:last]) + first
            if len(at) and len(at) >= LEAST_SHARE * (last - first):
                yield _Drop(section, track, _mostly_db(own_db[at]), _mostly_db(group_db[at]))


def _muted(heard: Evidence, track: TrackHeard, groups: Mapping[str, Group]) -> NDArray[np.bool_]:
    """Whether a track is muted anywhere in each window, by itself or with its group."""
    timeline, hops = heard.timeline, len(track.treated.hops)
    found = muted_hops(track.track.mute, track.track.automation.mute, timeline, hops)
    if (group := groups.get(track.track.group or "")) is not None:
        found |= muted_hops(group.mute, group.automation.mute, timeline, hops)
    return sliding_mean(found.astype(np.float64), MOMENTARY_HOPS) > 0.0


def _playing(levels: Levels) -> NDArray[np.bool_]:
    """Whether a track plays in the 400 ms from each hop on."""
    windows = sliding_mean(levels.hops, MOMENTARY_HOPS)
    least = to_mean_square(levels.integrated_lufs() - PLAYING_LU)
    return np.asarray((windows >= least) & (windows > 0.0))


def _lost_db(before: Levels, after: Levels, windows: int) -> NDArray[np.float64]:
    """How many dB are lost on the way in each window of 400 ms; 0 where nothing came."""
    found = np.zeros(windows)
    count = min(windows, *(max(0, len(x.hops) - MOMENTARY_HOPS + 1) for x in (before, after)))
    came, went = (sliding_mean(x.hops, MOMENTARY_HOPS)[:count] for x in (before, after))
    sounds = came > to_mean_square(ABSOLUTE_GATE_LUFS - GONE_DB)
    lost = came[sounds] / np.maximum(went[sounds], came[sounds] * 10.0 ** (-GONE_DB / 10.0))
    found[:count][sounds] = 10.0 * np.log10(lost)
    return found


def _ridden_down_db(heard: Evidence, group: Group, windows: int) -> NDArray[np.float64]:
    """How far a group's fader is under where it stands in the balance, in each window of 400 ms."""
    fader = next(plan.fader for plan in heard.plan.groups if plan.name == group.name)
    middle_s = 0.5 * MOMENTARY_HOPS * HOP_S
    at = ((np.arange(windows) * HOP_S + middle_s) * heard.rate_hz).astype(int)
    least = db_to_gain(group.gain_db - GONE_DB)
    gains = [max(float(fader.values(int(sample), 1)[0]), least) for sample in at]
    return np.asarray(group.gain_db - 20.0 * np.log10(np.array(gains)))


def _mostly_db(lost_db: NDArray[np.float64]) -> float:
    """What is exceeded for most of the time."""
    return min(GONE_DB, float(np.quantile(lost_db, 1.0 - MOSTLY)))


def _lufs(mean_square: float) -> float:
    return to_lufs(float(mean_square))


def _of_track(heard: Evidence, drop: _Drop, most_db: float) -> Remark:
    return _remark(heard, drop, most_db, ("tracks", drop.track.name), drop.whole_db)


def _of_group(heard: Evidence, drop: _Drop, most_db: float) -> Remark:
    """A group that takes all of its tracks along: told once."""
    assert drop.track.track.group is not None
    return _remark(heard, drop, most_db, ("groups", drop.track.track.group), drop.group_db)


def _remark(
    heard: Evidence, drop: _Drop, most_db: float, path: tuple[str, str], drop_db: float
) -> Remark:
    how_far = "gone" if drop_db >= GONE_DB else f"{drop_db:.1f} dB under its balance"
    return Remark(
        "look",
        f"{path[1]} plays through {drop.section.name} but is {how_far} there, "
        f"expected {most_db:g} dB at most",
        help="mute it there if that is meant, else look at its rides",
        path=(*path, "automation", "gain_db"),
        name=path[1],
        section=drop.section.name,
        at_s=heard.seconds_of(drop.section)[0],
        measured=drop_db,
        limit=most_db,
        unit="dB",
    )
