"""The rides of levels in a sheet, each with its curve and with what sounds where it acts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.curve import Curve
from mixwright.dsp.eq import EqSettings
from mixwright.measuring.evidence import Evidence, Levels, TrackHeard
from mixwright.meters.loudness import to_mean_square
from mixwright.sheet import Band, Points
from mixwright.units import gain_to_db

Path = tuple[str | int, ...]
# Half of the time around a moment in which something has to sound there.
AROUND_S = 0.1
# So far under its own loudness a track is a pause to the ear.
PAUSE_LU = 30.0
# A level at or below this one is as good as off.
OFF_DB = -60.0


@dataclass(frozen=True)
class Sounding:
    """What passes through a node: before the level that is ridden (None: unknown), and after it."""

    before: Levels | None
    after: Levels

    def at(self, seconds: float) -> bool:
        """Whether it sounds throughout a moment, and some of that can be heard."""
        through = self.before is None or bool(_loud(self.before, seconds).all())
        return through and bool(_loud(self.after, seconds).any())


@dataclass(frozen=True)
class LevelRide:
    """The points of one level: `what` it is, of which node, at which path.

    `curve` is what the plan makes of them, `still_db` the fader that they add to: 0 for levels that
    the points replace.
    """

    name: str
    what: str
    path: Path
    points: Points
    curve: Curve
    still_db: float
    sounding: Sounding

    @property
    def is_send(self) -> bool:
        """Whether it is the level of a send."""
        return str(self.path[-1]).startswith("sends_db.")

    def level_before_db(self, sample: int) -> float:
        """Return the level just before a sample, as the sheet would say it; -inf for off."""
        value = float(self.curve.values(sample - 1, 1)[0])
        return (gain_to_db(value) if self.curve.unit == "dB" else value) - self.still_db

    def step_db(self, before_db: float, after_db: float) -> float:
        """Return how far it is from one level to another; off counts as -60 dB."""
        ends_db = [max(OFF_DB, level_db + self.still_db) for level_db in (before_db, after_db)]
        return abs(ends_db[1] - ends_db[0])


def level_rides(heard: Evidence) -> Iterator[LevelRide]:
    """Yield every ride of a fader, a send or the gain of an EQ band, in the order of the sheet."""
    for track in heard.tracks.values():
        yield from _of_track(track, heard.at_bus(track.name))
    groups = {part.name: part for part in heard.plan.groups}
    for name, one in heard.groups.items():
        path, sounding = ("groups", name), Sounding(one.before, one.after)
        rides, planned = one.group.automation.gain_db, groups[name]
        fader = (rides, planned.fader, one.group.gain_db, sounding)
        yield from _of_fader(name, path, *fader)
        yield from _of_bands(name, path, one.group.eq, planned.chain.eq, sounding)
    returns = {part.name: part for part in heard.plan.returns}
    for name, returned in heard.returns.items():
        path, sounding = ("returns", name), Sounding(None, returned.wet)
        part, drawn = returned.part, returns[name]
        yield from _of_fader(
            name, path, part.automation.gain_db, drawn.fader, part.gain_db, sounding
        )
        yield from _of_bands(name, path, part.eq, drawn.chain.eq, sounding)
    yield from _of_bus(heard)


def _of_track(heard: TrackHeard, at_bus: Levels) -> Iterator[LevelRide]:
    track, plan, path = heard.track, heard.plan, ("tracks", heard.name)
    sounding = Sounding(heard.treated, at_bus)
    rides = track.automation
    yield from _of_fader(track.name, path, rides.gain_db, plan.fader, track.gain_db, sounding)
    curves = dict(plan.sends)
    for target, points in rides.sends_db.items():
        key = f"sends_db.{target}"
        what = f"the send of {track.name} to {target}"
        place = (*path, "automation", key)
        if points and target in curves:
            yield LevelRide(track.name, what, place, points, curves[target], 0.0, sounding)
    yield from _of_bands(track.name, path, track.eq, plan.chain.eq, sounding)


def _of_bus(heard: Evidence) -> Iterator[LevelRide]:
    bus, plan = heard.sheet.mix_bus, heard.plan.mix_bus
    hops = min(len(heard.dry.hops), len(heard.wet.hops))
    whole = heard.dry if not hops else Levels(heard.dry.hops[:hops] + heard.wet.hops[:hops])
    sounding, path = Sounding(whole, whole), ("mix_bus",)
    yield from _of_fader("mix_bus", path, bus.automation.gain_db, plan.fader, bus.gain_db, sounding)
    yield from _of_bands("mix_bus", path, bus.eq, plan.chain.eq, sounding)


def _of_fader(
    name: str, path: Path, points: Points, curve: Curve, still_db: float, sounding: Sounding
) -> Iterator[LevelRide]:
    if points:
        place = (*path, "automation", "gain_db")
        yield LevelRide(name, f"the gain of {name}", place, points, curve, still_db, sounding)


def _of_bands(
    name: str, path: Path, bands: Sequence[Band], eq: EqSettings, sounding: Sounding
) -> Iterator[LevelRide]:
    curves = {ride.band: ride.gain_db for ride in eq.rides}
    for index, band in enumerate(bands):
        points, curve = band.automation.gain_db, curves.get(index)
        if points and curve is not None:
            what = f"the {band.settings.type.replace('_', ' ')} of {name}"
            place = (*path, "eq", index, "automation", "gain_db")
            yield LevelRide(name, what, place, points, curve, 0.0, sounding)


def _loud(levels: Levels, seconds: float) -> NDArray[np.bool_]:
    """Which hops around a moment are no pause; nothing is loud in silence."""
    hops = levels.between(max(0.0, seconds - AROUND_S), seconds + AROUND_S)
    own = to_mean_square(levels.integrated_lufs() - PAUSE_LU)
    return np.asarray((hops >= own) & (hops > 0.0)) if len(hops) else np.zeros(1, np.bool_)
