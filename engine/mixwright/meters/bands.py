"""Octave and third-octave bands of IEC 61260-1:2014, base-ten system.

With ``G = 10**0.3`` and b = 1 or 3 bands an octave, midbands are ``1000 * G**(x / b)`` Hz and edges
``midband * G**(±1 / (2 * b))``: three thirds are exactly one octave and neighbours share an edge.
Names are those of the standard's Annex E, which are rounded and not to be calculated with.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from mixwright.units import Floats

REFERENCE_HZ = 1000.0
OCTAVE_RATIO = 10.0**0.3
NOMINAL_DECADE_HZ = (25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0)
NOMINAL_THIRDS_HZ = tuple(hz * scale for scale in (1.0, 10.0, 100.0) for hz in NOMINAL_DECADE_HZ)
# Steps of the first band from 1 kHz: 25 Hz in thirds, 31.5 Hz in octaves.
FIRST_THIRD, FIRST_OCTAVE = -16, -5
THIRDS_PER_OCTAVE = 3


@dataclass(frozen=True)
class FrequencyBand:
    """One band: the name and frequency it goes by, and the exact midband and edges in Hz."""

    name: str
    nominal_hz: float
    midband_hz: float
    low_hz: float
    high_hz: float


def third_octaves(rate_hz: int | None = None) -> tuple[FrequencyBand, ...]:
    """Return the bands from 25 Hz to 20 kHz, those with a midband below half of `rate_hz`.

    The last one is cut at half the rate where it would reach beyond.

    >>> band = third_octaves(48000)[1]
    >>> band.name, round(band.midband_hz, 4), round(band.low_hz, 2), round(band.high_hz, 2)
    ('31.5', 31.6228, 28.18, 35.48)
    """
    return _bands(NOMINAL_THIRDS_HZ, FIRST_THIRD, THIRDS_PER_OCTAVE, rate_hz)


def octaves(rate_hz: int | None = None) -> tuple[FrequencyBand, ...]:
    """Return the bands from 31.5 Hz to 16 kHz, chosen and cut as in :func:`third_octaves`.

    >>> [band.name for band in octaves(44100)]
    ['31.5', '63', '125', '250', '500', '1k', '2k', '4k', '8k', '16k']
    """
    return _bands(NOMINAL_THIRDS_HZ[1::THIRDS_PER_OCTAVE], FIRST_OCTAVE, 1, rate_hz)


def nominal_third_octaves() -> tuple[float, ...]:
    """Return the nominal midbands in Hz, 25 to 20000.

    >>> nominal_third_octaves()[:4]
    (25.0, 31.5, 40.0, 50.0)
    """
    return NOMINAL_THIRDS_HZ


def powers_to_db(powers: Floats) -> Floats:
    """Return levels in dB; silence is that of the smallest number, so that nothing is infinite."""
    return np.asarray(10.0 * np.log10(np.maximum(powers, np.finfo(np.float64).tiny)))


@cache
def _bands(
    nominal_hz: tuple[float, ...], first: int, per_octave: int, rate_hz: int | None
) -> tuple[FrequencyBand, ...]:
    bands = []
    for step, nominal in enumerate(nominal_hz, first):
        midband = REFERENCE_HZ * OCTAVE_RATIO ** (step / per_octave)
        # Both edges from the same formula, so that neighbours share one to the last bit.
        low, high = (
            REFERENCE_HZ * OCTAVE_RATIO ** ((2 * step + side) / (2 * per_octave))
            for side in (-1, 1)
        )
        if rate_hz is not None:
            if midband >= rate_hz / 2:
                break
            high = min(high, rate_hz / 2)
        name = f"{nominal / 1000.0:g}k" if nominal >= 1000.0 else f"{nominal:g}"
        bands.append(FrequencyBand(name, nominal, midband, low, high))
    return tuple(bands)
