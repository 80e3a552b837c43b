"""Where a track stands in a mix, worked out instead of measured: what is linear needs no pass."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.eq import EqSettings
from mixwright.dsp.filters import design_bands, response_db
from mixwright.dsp.pan import balance_gains, pan_gains
from mixwright.measuring.evidence import Bands, Levels
from mixwright.meters.bands import third_octaves
from mixwright.meters.loudness import HOP_S
from mixwright.rendering.parts import BusPlan, TrackPlan
from mixwright.rendering.strip import TrackStrip
from mixwright.units import db_to_gain

POINTS_A_BAND = 9  # where a response is read within a third octave


def placed_power(
    powers: NDArray[np.float64], track: TrackPlan, groups: Mapping[str, BusPlan]
) -> Bands:
    """Return a track's bands at its fader and pan at rest, added over both sides.

    `powers` has shape ``(frames, bands, channels)``. Width and polarity change no power here.
    """
    pan = np.array([track.pan.initial])
    mono = powers.shape[2] == 1
    left, right = pan_gains(pan) if mono else balance_gains(pan)
    sides = np.array([left[0] ** 2, right[0] ** 2])
    placed = powers[:, :, 0] * sides.sum() if mono else powers @ sides
    return np.asarray(placed * _fader(track, groups) ** 2)


def _fader(track: TrackPlan, groups: Mapping[str, BusPlan]) -> float:
    """The gain of the track's fader at rest, and of its group's."""
    strips: list[TrackPlan | BusPlan] = [track]
    if track.group is not None:
        strips.append(groups[track.group])
    gain = 1.0
    for strip in strips:
        gain *= db_to_gain(strip.gain.initial) * db_to_gain(strip.mute.initial)
    return gain


def eq_power(
    track: TrackPlan,
    groups: Mapping[str, BusPlan],
    matches_db: Mapping[tuple[str, str], float],
    rate_hz: int,
) -> NDArray[np.float64]:
    """Return what EQ and level match do to each third octave: a power ratio, shape ``(bands,)``.

    The track's and its group's, bands that move at rest. A figure of a band is the mean over it.
    """
    total = _chain_power(track.chain.eq, matches_db.get((track.name, "eq"), 0.0), rate_hz)
    group = groups.get(track.group or "")
    if group is not None:
        total = total * _chain_power(
            group.chain.eq, matches_db.get((group.name, "eq"), 0.0), rate_hz
        )
    return total


def _chain_power(eq: EqSettings, match_db: float, rate_hz: int) -> NDArray[np.float64]:
    bands = third_octaves()
    if not eq.bands:
        return np.ones(len(bands))
    grid = np.array([np.geomspace(b.low_hz, b.high_hz, POINTS_A_BAND) for b in bands])
    within = np.minimum(grid, 0.49 * rate_hz)
    response = response_db(design_bands(eq.bands, rate_hz), within.ravel(), rate_hz)
    gain_db = match_db if np.isfinite(match_db) else 0.0
    powers = 10.0 ** ((response.reshape(grid.shape) + gain_db) / 10.0)
    return np.asarray(powers.mean(axis=1))


def sent_levels(
    name: str, strips: Sequence[TrackStrip], groups: Mapping[str, BusPlan], rate_hz: int
) -> dict[str, Levels]:
    """Return what each track sends to a return: its level at the bus times send and group fader."""
    found = {}
    for strip in strips:
        for target, send in strip.plan.sends:
            if target != name:
                continue
            hops = strip.meter.hops().copy()
            curves = [send]
            if strip.plan.group is not None:
                group = groups[strip.plan.group]
                curves += [group.gain, group.mute]
            for curve in curves:
                if curve.is_constant:
                    hops *= db_to_gain(curve.initial) ** 2
                else:
                    centres = ((np.arange(len(hops)) + 0.5) * HOP_S * rate_hz).astype(int)
                    hops *= np.array([curve.values(int(at), 1)[0] for at in centres]) ** 2
            found[strip.name] = Levels(hops)
    return found
