"""A spectrum against that of a reference, at a gain that the caller has matched them with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from mixwright.meters.spectrum import SpectrumReadings
from mixwright.units import difference_db

BandLevels: TypeAlias = tuple[float | None, ...]


@dataclass(frozen=True)
class SpectrumDifferences:
    """Mix less reference, in dB: what is positive the mix has more of.

    Levels are compared with `gain_db` on the mix; slope and width do not depend on it. Bands go as
    far as both do, from the lowest up. Alike is 0, silence on both sides too; None where one of the
    two alone is silent or undefined, see :class:`SpectrumReadings`.
    """

    gain_db: float
    total_db: float | None
    third_octave_db: tuple[float | None, ...]
    octave_db: tuple[float | None, ...]
    slope_db_per_octave: float | None
    side_to_mid_db: float | None
    octave_side_to_mid_db: tuple[float | None, ...]


def differences(
    mix: SpectrumReadings, reference: SpectrumReadings, gain_db: float = 0.0
) -> SpectrumDifferences:
    """Return how the mix differs; `gain_db` is what brings it to the loudness of the reference.

    With loudness in LUFS that gain is the reference's less the mix's.

    >>> import numpy as np
    >>> from mixwright.meters.spectrum import SpectrumMeter
    >>> meter = SpectrumMeter(48000, 1)
    >>> meter.feed(np.sin(np.arange(48000))[:, None])
    >>> found = differences(meter.readings(gain=0.5), meter.readings(), gain_db=6.0)
    >>> round(found.total_db, 2)
    -0.02
    """
    slopes = mix.slope_db_per_octave, reference.slope_db_per_octave
    widths = mix.octave_side_to_mid_db, reference.octave_side_to_mid_db
    return SpectrumDifferences(
        gain_db=gain_db,
        total_db=_level_difference(mix.total_db, reference.total_db, gain_db),
        third_octave_db=_level_differences(mix.third_octave_db, reference.third_octave_db, gain_db),
        octave_db=_level_differences(mix.octave_db, reference.octave_db, gain_db),
        slope_db_per_octave=difference_db(*slopes),
        side_to_mid_db=difference_db(mix.side_to_mid_db, reference.side_to_mid_db),
        octave_side_to_mid_db=tuple(difference_db(*pair) for pair in zip(*widths, strict=False)),
    )


def _level_differences(
    mix: BandLevels, reference: BandLevels, gain_db: float
) -> tuple[float | None, ...]:
    # A lower sample rate has fewer bands, and both start with the same one.
    return tuple(_level_difference(*pair, gain_db) for pair in zip(mix, reference, strict=False))


def _level_difference(mix: float | None, reference: float | None, gain_db: float) -> float | None:
    if mix is None and reference is None:
        return 0.0
    return None if mix is None else difference_db(mix + gain_db, reference)
