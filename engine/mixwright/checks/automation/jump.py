"""Rule automation/jump."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from mixwright.checks.automation.rides import LevelRide, level_rides
from mixwright.checks.rule import Remark, Result, rule
from mixwright.dsp.curve import DECLICK_MS
from mixwright.measuring.evidence import Evidence
from mixwright.sheet import Point
from mixwright.units import SILENCE_DB
from mixwright.words import moment, number

# So many are told, the largest.
TOLD = 20


@dataclass(frozen=True)
class _Step:
    """A point without a time of its own, in a ride of something that sounds there."""

    ride: LevelRide
    index: int
    before_db: float
    step_db: float
    at_s: float

    @property
    def point(self) -> Point:
        return self.ride.points[self.index]


@rule("automation/jump", "jump_db")
def jump(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A level jumps while it sounds.

    Measures every point of a fader, a send or the gain of an EQ band that takes no time (neither
    `over_beats` nor `over_ms`, or less than 10 ms): how far it is from the level just before, off
    counted as -60 dB. It counts where the track, group or return sounds throughout the 200 ms
    around the moment, within 30 LU of its own loudness: a step in a pause or onto the first note
    after one is not heard. What the song begins with is no step, and a send that opens from off or
    closes to it is a throw of a word into an echo: that is meant.

    Why it matters: a step within a note or a word is heard as a fault, a move over half a beat as
    nothing at all.

    Source: common practice; the numbers are our own choice.

    Fails:
        tracks: {keys: {automation: {gain_db: [{bar: 5, beat: 2.5, value: -10}]}}}
    """
    rides = list(level_rides(heard))
    if not rides:
        return Result.nothing("no level is ridden")
    steps = sorted(
        (step for ride in rides for step in _steps(heard, ride)),
        key=lambda step: -step.step_db,  # ties keep the order of the sheet
    )
    if not steps:
        return Result("no step while anything sounds there")
    largest, most_db = steps[0], limits["jump_db"]
    where = f"{largest.ride.what} at {moment(largest.at_s, heard.section_at(largest.at_s))}"
    remarks = tuple(
        _remark(heard, step, most_db) for step in steps[:TOLD] if step.step_db > most_db + 1e-6
    )
    return Result(f"largest step {largest.step_db:.1f} dB, {where}", remarks)


def _steps(heard: Evidence, ride: LevelRide) -> Iterator[_Step]:
    for index, point in enumerate(ride.points):
        sample = heard.timeline.sample_at(point.at)
        if sample <= 0 or point.over_beats > 0.0 or point.over_ms >= DECLICK_MS:
            continue
        at_s, before_db = heard.timeline.seconds_at(point.at), ride.level_before_db(sample)
        if ride.is_send and SILENCE_DB in (before_db, point.value):
            continue
        step_db = ride.step_db(before_db, point.value)
        if step_db > 0.0 and ride.sounding.at(at_s):
            yield _Step(ride, index, before_db, step_db, at_s)


def _remark(heard: Evidence, step: _Step, most_db: float) -> Remark:
    ends = f"from {_shown(step.before_db)} to {_shown(step.point.value)} dB"
    return Remark(
        "look",
        f"{step.ride.what} steps {ends} at once while it sounds, "
        f"expected {most_db:g} dB at most without over_beats or over_ms",
        help="give it half a beat (over_beats: 0.5), or move it into a pause",
        path=(*step.ride.path, step.index),
        name=step.ride.name,
        section=heard.section_at(step.at_s),
        at_s=step.at_s,
        measured=step.step_db,
        limit=most_db,
        unit="dB",
    )


def _shown(level_db: float) -> str:
    """A level as a sheet has it, without digits that come from rounding."""
    return number(round(level_db, 1))
