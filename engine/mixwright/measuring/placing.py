"""Where a track stands in a mix, worked out instead of measured: what is linear needs no pass."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np

from mixwright.dsp.band import BandSettings
from mixwright.dsp.filters import design_bands, response_db
from mixwright.dsp.pan import balance_gains, pan_gains, width_matrix
from mixwright.measuring.evidence import Levels
from mixwright.meters.bands import third_octaves
from mixwright.meters.loudness import HOP_S
from mixwright.meters.spectrum import LEFT, MID, RIGHT, SIDE
from mixwright.rendering.parts import BusPlan, TrackPlan
from mixwright.rendering.recording import PlayedTrack
from mixwright.units import Floats, db_to_gain

POINTS_A_BAND = 9  # where a response is read within a third octave


def placed_power(powers: Floats, track: TrackPlan, groups: Mapping[str, BusPlan]) -> Floats:
    """Return what a track adds at its fader, width and pan at rest, and at its group's.

    `powers` are those of left, right, middle and sides, shape ``(frames, bands, 4)``; the result is
    the power on both sides of its middle and of its sides, shape ``(frames, bands, 2)``.
    """
    left, right = powers[:, :, LEFT], powers[:, :, RIGHT]
    cross = powers[:, :, MID] - powers[:, :, SIDE]  # the mean of left times right
    pan = np.array([track.pan.initial])
    if track.stem.channels == 1:
        right = cross = left
        gains = pan_gains(pan)
    else:
        near, far = width_matrix(track.width_percent)[0]
        wide = near**2 * left + far**2 * right + 2.0 * near * far * cross
        wide_right = near**2 * right + far**2 * left + 2.0 * near * far * cross
        cross = near * far * (left + right) + (near**2 + far**2) * cross
        left, right, gains = wide, wide_right, balance_gains(pan)
    to_left, to_right = (float(gain[0]) for gain in gains)
    total = to_left**2 * left + to_right**2 * right
    cross = to_left * to_right * cross
    width = groups[track.group].width_percent / 100.0 if track.group is not None else 1.0
    sides = np.maximum(0.5 * total - cross, 0.0) * width**2
    placed = np.stack([np.maximum(0.5 * total + cross, 0.0), sides], axis=2)
    return np.asarray(placed * _fader(track, groups) ** 2)


def _fader(track: TrackPlan, groups: Mapping[str, BusPlan]) -> float:
    """The gain of the track's fader at rest, and of its group's."""
    strips: list[TrackPlan | BusPlan] = [track]
    if track.group is not None:
        strips.append(groups[track.group])
    gain = 1.0
    for strip in strips:
        gain *= db_to_gain(strip.fader.initial) * db_to_gain(strip.mute.initial)
    return gain


def eq_power(
    track: TrackPlan,
    groups: Mapping[str, BusPlan],
    matches_db: Mapping[tuple[str, str], float],
    rate_hz: int,
) -> Floats:
    """Return what EQ and level match do to the middle and the sides: power ratios, ``(bands, 2)``.

    The track's and its group's, bands that move at rest. A figure of a band is the mean over it.
    """
    chains = [(track.name, track.chain.eq)]
    if track.group is not None:
        chains.append((track.group, groups[track.group].chain.eq))
    total = np.ones((len(third_octaves()), 2))
    for name, eq in chains:
        match_db = matches_db.get((name, "eq"), 0.0)
        for column, other in enumerate(("side", "mid")):
            bands = tuple(band for band in eq.bands if band.on != other)
            total[:, column] *= _bands_power(bands, match_db, rate_hz)
    return total


def _bands_power(eq: tuple[BandSettings, ...], match_db: float, rate_hz: int) -> Floats:
    bands = third_octaves()
    gain_db = match_db if np.isfinite(match_db) else 0.0
    if not eq:
        return np.full(len(bands), 10.0 ** (gain_db / 10.0))
    within = np.minimum(_grid_hz(), 0.49 * rate_hz)
    response = response_db(design_bands(eq, rate_hz), within.ravel(), rate_hz)
    powers = 10.0 ** ((response.reshape(within.shape) + gain_db) / 10.0)
    return np.asarray(powers.mean(axis=1))


@cache
def _grid_hz() -> Floats:
    """Where responses are read, shape ``(bands, points)``."""
    points = [np.geomspace(b.low_hz, b.high_hz, POINTS_A_BAND) for b in third_octaves()]
    return np.array(points)


def sent_levels(
    name: str, tracks: Sequence[PlayedTrack], groups: Mapping[str, BusPlan], rate_hz: int
) -> dict[str, Levels]:
    """Return what each track sends to a return: its level at the bus times send and group fader."""
    found = {}
    for track in tracks:
        for target, send in track.plan.sends:
            if target != name:
                continue
            hops = track.readings.hops.copy()
            curves = [send]
            if track.plan.group is not None:
                group = groups[track.plan.group]
                curves += [group.fader, group.mute]
            for curve in curves:
                if curve.is_constant:
                    hops *= db_to_gain(curve.initial) ** 2
                else:
                    centres = ((np.arange(len(hops)) + 0.5) * HOP_S * rate_hz).astype(int)
                    hops *= np.array([curve.values(int(at), 1)[0] for at in centres]) ** 2
            found[track.name] = Levels(hops)
    return found
