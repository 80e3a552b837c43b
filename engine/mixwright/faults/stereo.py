"""Stereo files that are not: one channel twice, one channel empty, one channel upside down."""

from __future__ import annotations

import math

from mixwright.faults.findings import (
    Finding,
    OppositeChannels,
    ReallyMono,
    SilentChannel,
    TrackName,
)
from mixwright.faults.follow import StereoSums
from mixwright.units import db_to_power, power_to_db

# A channel this far under the other, and this faint, is the noise of an open input.
SILENT_UNDER_DB, SILENT_DBFS = 45.0, -78.0
# What may be left of one channel after taking the other off, against it: rounding, and no more.
ROUNDING_DB, ROUNDING_STEPS = -80.0, 1.0
LARGEST_GAIN_DB = 40.0
OPPOSITE, EXACTLY_OPPOSITE = -0.9, -0.999


def stereo_finding(
    track: TrackName, sums: StereoSums, frames: int, bits: int = 24
) -> Finding | None:
    """Return what is wrong with a stereo file, from its sums over `frames`, or None.

    `bits` is its resolution: equal up to a gain means to within a step.

    >>> stereo_finding("pad", StereoSums(9.0, 9.0, 9.0, 0.0), 48000).message
    'is mono: both channels hold the same'
    """
    if max(sums.left, sums.right) <= 0.0:
        return None
    return (
        _silent(track, sums, frames) or _mono(track, sums, frames, bits) or _opposite(track, sums)
    )


def _silent(track: TrackName, sums: StereoSums, frames: int) -> Finding | None:
    channel, quiet, loud = "left", sums.left, sums.right
    if sums.right < sums.left:
        channel, quiet, loud = "right", sums.right, sums.left
    under = power_to_db(loud / quiet) if quiet > 0.0 else math.inf
    if under < SILENT_UNDER_DB or quiet > frames * db_to_power(SILENT_DBFS):
        return None
    how = "is silent" if quiet == 0.0 else f"holds only noise, {under:.0f} dB under the other"
    return SilentChannel(
        track=track,
        severity="look",
        message=f"its {channel} channel {how}",
        channel="left" if channel == "left" else "right",
        under_other_db=under,
    )


def _mono(track: TrackName, sums: StereoSums, frames: int, bits: int) -> Finding | None:
    if sums.product <= 0.0:
        return None
    gain = sums.product / sums.left
    # The difference itself is exact for equal channels; for others the products are.
    residual = max(sums.right - gain * sums.product, 0.0) if sums.difference > 0.0 else 0.0
    rounding = ROUNDING_STEPS * 2.0 ** (1 - bits)
    if residual > max(frames * rounding**2, sums.right * db_to_power(ROUNDING_DB)):
        return None
    gain_db = 20.0 * math.log10(gain) if sums.difference > 0.0 else 0.0
    if abs(gain_db) > LARGEST_GAIN_DB:
        return None
    same = "the same" if abs(gain_db) < 0.01 else f"the same, the right one {gain_db:+.2f} dB"
    return ReallyMono(
        track=track,
        severity="note",
        message=f"is mono: both channels hold {same}",
        right_gain_db=gain_db,
    )


def _opposite(track: TrackName, sums: StereoSums) -> Finding | None:
    # The root of the product would be 0 for the faintest sounds of a floating-point file.
    correlation = sums.product / (math.sqrt(sums.left) * math.sqrt(sums.right))
    if correlation > OPPOSITE:
        return None
    exactly = correlation <= EXACTLY_OPPOSITE
    return OppositeChannels(
        track=track,
        severity="fault" if exactly else "look",
        message="its channels are upside down to each other and cancel in mono "
        f"(correlation {correlation:.2f})",
        correlation=correlation,
    )
