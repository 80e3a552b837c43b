"""Which tracks cover one another: partial masking from third-octave powers.

The ear is modelled as a bank of auditory filters, after B. Glasberg and B. Moore, "Derivation of
auditory filter shapes from notched-noise data", Hearing Research 47 (1990). The filter centred on f
has the equivalent rectangular bandwidth ERB = 24.7 (4.37 f / 1000 + 1) Hz and the shape (1 + p g)
exp(-p g), g being the distance from f over f and p = 4 f / ERB. What a track sends through it is
its *excitation*. The filters here don't depend on level: that a loud sound covers more of what lies
above it than a soft one does (upward spread of masking) is left out. Their data go from 100 Hz to
10 kHz; the formulas are used beyond.

A track is *masked* where its excitation is more than 4 dB below another's in the same band and
frame (K of the power spectrum model of masking). 4 dB is our choice, for all bands: for tones in
noise the masking index of ISO/PAS 20065:2016, formula 13, goes from 2 dB in the lowest octaves over
2.8 dB at 1 kHz to 5.3 dB at 10 kHz. How much of the track that is, is counted in its own specific
loudness, as it would be heard alone: E. Zwicker's formula (H. Fastl and E. Zwicker,
"Psychoacoustics: Facts and Models", as others quote it; ITU-R BS.1387 has the same with a threshold
factor that depends on frequency) with the threshold in quiet of ISO 226:2003, per ERB. So a band
counts by what it gives to the sound of the track, not by its power, which the lowest octaves would
rule.

For the threshold a listening level has to be assumed: the mean of the whole balance is taken to be
80 dB SPL (common practice for mixing: about 75 to 85). Thus only levels relative to one another
matter, and nothing changes if all tracks are made louder.

Frames are best 50 to 200 ms long, about the time over which the ear adds up: a `SpectrumMeter` with
a hop of 1/24 s gives frames of 83 ms.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from itertools import permutations
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from mixwright.meters.bands import powers_to_db, third_octaves
from mixwright.meters.loudness import settled
from mixwright.units import Floats

Hz = TypeVar("Hz", float, Floats)

MASKED_BELOW_DB = 4.0
LISTENING_DB_SPL = 80.0
LOUDNESS_EXPONENT = 0.23
# Frames this far under the mean are pauses, bleed or decay. The gate of EBU Tech 3342 has 20 LU.
ACTIVE_GATE_DB = -20.0
# "Most of it" in `MaskedPair`: the narrowest range that holds so much.
RANGE_SHARE = 2.0 / 3.0
# More than the power of any track could be below another's and still count.
DEEPEST_DB = 120.0
# Points over the width of a band, at which the filters are evaluated.
POINTS = 32
# Threshold of hearing in a free field, dB SPL, from 25 Hz to 12.5 kHz in thirds: ISO 226:2003 and
# ISO 226:2023, Table 1 (the same in both but for 20 Hz; read in two independent implementations).
# 16 kHz is rounded from ISO 389-7:2005 (40.2 dB, read likewise). 20 kHz lies beyond both: our
# choice, high enough that hardly anything up there counts.
THRESHOLD_DB_SPL = (
    *(68.7, 59.5, 51.1, 44.0, 37.5, 31.5, 26.5, 22.1, 17.9, 14.4),
    *(11.4, 8.6, 6.2, 4.4, 3.0, 2.2, 2.4, 3.5, 1.7, -1.3),
    *(-4.2, -6.0, -5.4, -1.5, 6.0, 12.6, 13.9, 12.3, 40.0, 70.0),
)


@dataclass(frozen=True)
class MaskedPair:
    """What one track covers of another.

    `share` of the sound of `masked` (0 to 1, of its own loudness while it plays) lies under the
    threshold that `masker` alone makes; there it is `by_db` below it in the mean. Most of it
    happens from `low_hz` to `high_hz`, edges of third octaves.
    """

    masked: str
    masker: str
    share: float
    by_db: float
    low_hz: float
    high_hz: float


def erb_hz(freq_hz: Hz) -> Hz:
    """Return the equivalent rectangular bandwidth of the auditory filter centred on `freq_hz`.

    >>> round(erb_hz(1000.0), 1)
    132.6
    """
    return 24.7 * (4.37 * freq_hz / 1000.0 + 1.0)


def erb_number(freq_hz: float) -> float:
    """Return how many ERBs lie below `freq_hz`, the integral of 1 / ERB.

    >>> round(erb_number(1000.0), 1)
    15.6
    """
    return 1000.0 / (24.7 * 4.37) * math.log1p(4.37 * freq_hz / 1000.0)


@cache
def spreading() -> Floats:
    """Return the matrix from powers of third octaves to excitation, shape ``(30, 30)``.

    Row j, column i: the mean gain, in power, of the filters centred in band j for a sound spread
    evenly over band i. ``powers @ spreading().T`` is the excitation. Bands are wider than the
    filters, so each is 2 to 4 dB below its own power; below 100 Hz the filters are the wider ones.

    >>> np.round(10 * np.log10(spreading()[14:19, 16]), 1)
    array([-39.7, -12.3,  -3.4, -11.8, -33.8])
    """
    bands = third_octaves()
    across = (np.arange(POINTS) + 0.5) / POINTS
    points = np.array([band.low_hz + (band.high_hz - band.low_hz) * across for band in bands])
    centre, freq = points[:, None, :, None], points[None, :, None, :]
    sharpness = 4.0 * centre / erb_hz(centre)
    away = sharpness * np.abs(freq - centre) / centre
    matrix = ((1.0 + away) * np.exp(-away)).mean(axis=(2, 3))
    matrix.setflags(write=False)
    return np.asarray(matrix)


def most_masked_pairs(powers: Mapping[str, Floats], limit_count: int = 5) -> tuple[MaskedPair, ...]:
    """Return the pairs of tracks in which one covers most of the other, greatest share first.

    `powers` are those of the tracks as they stand in the balance, ``(frames, 30)`` each, over the
    same frames, as `SpectrumMeter.band_powers` gives them. A pair is told by (masked, masker); one
    that covers nothing is left out. ValueError if shapes differ.

    >>> flat = np.ones((10, 30))
    >>> pair = most_masked_pairs({"keys": 0.01 * flat, "guitar": flat})[0]
    >>> pair.masked, pair.masker, round(pair.share, 2), round(pair.by_db)
    ('keys', 'guitar', 1.0, 16)
    """
    sounds = _sounds(powers)
    levels_db = {name: powers_to_db(sound.excitation) for name, sound in sounds.items()}
    shares = {
        (masked, masker): float(
            _covered(sounds[masked], _under_db(levels_db, masked, masker, sounds)).sum()
        )
        for masked, masker in permutations(powers, 2)
    }
    found = sorted((pair for pair in shares if shares[pair] > 0.0), key=lambda pair: -shares[pair])
    return tuple(
        _pair(*pair, sounds[pair[0]], _under_db(levels_db, *pair, sounds))
        for pair in found[:limit_count]
    )


@dataclass(frozen=True, eq=False)
class _Sound:
    """A track to the ear: excitation of all frames, and `weights` (frames, bands) that add to 1.

    The weights are shares of loudness; they are zero where the track isn't active or, in a silent
    track, everywhere.
    """

    excitation: Floats
    weights: Floats
    active: NDArray[np.intp]


def _sounds(powers: Mapping[str, Floats]) -> dict[str, _Sound]:
    bands = third_octaves()
    shapes = {np.shape(power) for power in powers.values()}
    if len(shapes) > 1 or any(len(s) != 2 or s[1] != len(bands) for s in shapes):
        raise ValueError(f"powers have shapes {sorted(shapes)}, expected one of (frames, 30)")
    total = sum((power.sum(axis=1) for power in powers.values()), np.zeros(1))
    loud = float(total[settled(total, ACTIVE_GATE_DB)].mean()) if total.any() else 1.0
    threshold = loud * 10.0 ** ((np.array(THRESHOLD_DB_SPL) - LISTENING_DB_SPL) / 10.0)
    widths = np.array([erb_number(band.high_hz) - erb_number(band.low_hz) for band in bands])
    return {
        name: _sound(power @ spreading().T, threshold, widths) for name, power in powers.items()
    }


def _sound(excitation: Floats, threshold: Floats, widths: Floats) -> _Sound:
    over = excitation / threshold
    active = settled(over.sum(axis=1), ACTIVE_GATE_DB)
    specific = np.maximum((0.5 + 0.5 * over[active]) ** LOUDNESS_EXPONENT - 1.0, 0.0)
    loudness = specific * threshold**LOUDNESS_EXPONENT * widths
    total = float(loudness.sum())
    return _Sound(excitation, loudness / total if total > 0.0 else loudness, active)


def _under_db(
    levels_db: Mapping[str, Floats],
    masked: str,
    masker: str,
    sounds: Mapping[str, _Sound],
) -> Floats:
    """By how much the track lies below the threshold that the masker makes, where it is active."""
    active = sounds[masked].active
    return levels_db[masker][active] - levels_db[masked][active] - MASKED_BELOW_DB


def _covered(sound: _Sound, under_db: Floats) -> Floats:
    """What is covered in each band, as a share of all of the track, shape ``(bands,)``."""
    by_band = (sound.weights * (under_db > 0.0)).sum(axis=0)
    # Weights add to 1 to rounding, shares to no more.
    return np.asarray(by_band / max(1.0, float(by_band.sum())))


def _pair(masked: str, masker: str, sound: _Sound, under_db: Floats) -> MaskedPair:
    by_band = _covered(sound, under_db)
    share = float(by_band.sum())
    depth = np.clip(under_db, 0.0, DEEPEST_DB)
    first, last = _narrowest(by_band, RANGE_SHARE * share)
    bands = third_octaves()
    return MaskedPair(
        masked=masked,
        masker=masker,
        share=share,
        by_db=float((sound.weights * depth).sum()) / share,
        low_hz=bands[first].low_hz,
        high_hz=bands[last].high_hz,
    )


def _narrowest(by_band: Floats, enough: float) -> tuple[int, int]:
    """The first and last band of the shortest run that holds `enough`, the fullest of these."""
    summed = np.concatenate([[0.0], np.cumsum(by_band)])
    for length in range(1, len(by_band)):
        held = summed[length:] - summed[:-length]
        first = int(held.argmax())
        if held[first] >= enough:
            return first, first + length - 1
    return 0, len(by_band) - 1
