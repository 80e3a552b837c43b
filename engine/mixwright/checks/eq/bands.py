"""Bands of an EQ as the rules of this step see them: boosts and cuts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from mixwright.dsp.band import GAIN_TYPES
from mixwright.dsp.filters import analogue_response_db
from mixwright.sheet import Band, Sheet

# A boost or a cut that is meant to be heard; less is trim. Common practice.
AUDIBLE_DB = 1.0
# Points in an octave at which a response is looked at.
POINTS_PER_OCTAVE = 12


@dataclass(frozen=True)
class EqStrip:
    """An EQ in its place: whose it is, its path in the sheet, its bands."""

    name: str
    path: tuple[str | int, ...]
    bands: tuple[Band, ...]


def strips_of(sheet: Sheet) -> Iterator[EqStrip]:
    """Yield every EQ of a sheet that has bands: tracks, groups, returns, the mix bus."""
    for kind, parts in (
        ("tracks", sheet.tracks),
        ("groups", sheet.groups),
        ("returns", sheet.returns),
    ):
        for part in parts:
            if part.eq:
                yield EqStrip(part.name, (kind, part.name, "eq"), part.eq)
    if sheet.mix_bus.eq:
        yield EqStrip("mix_bus", ("mix_bus", "eq"), sheet.mix_bus.eq)


def is_moving(band: Band) -> bool:
    """Return whether a band is ridden."""
    return bool(band.automation.freq_hz or band.automation.gain_db)


def gains_db(band: Band) -> tuple[float, ...]:
    """Return all gains in dB that a bell or shelf has or is ridden to; none for other types."""
    if band.settings.type not in GAIN_TYPES:
        return ()
    return (band.settings.gain_db, *(point.value for point in band.automation.gain_db))


def lifts(band: Band) -> bool:
    """Return whether a band boosts by 1 dB or more, at any time."""
    return any(gain >= AUDIBLE_DB for gain in gains_db(band))


def cuts(band: Band) -> bool:
    """Return whether a band takes anything away: passes and notches do, and any negative gain."""
    return band.settings.type not in GAIN_TYPES or any(gain < 0.0 for gain in gains_db(band))


def clears_lows(band: Band, from_hz: float) -> bool:
    """Return whether a band is a high-pass at `from_hz` or above, and not on the sides alone.

    One on the sides leaves the low end where it is. One that is ridden counts by the lowest
    frequency that it is given.
    """
    settings = band.settings
    lowest = min((settings.freq_hz, *(point.value for point in band.automation.freq_hz)))
    return settings.type == "high_pass" and settings.on != "side" and lowest >= from_hz


def turns(band: Band, by_db: float, low_hz: float, high_hz: float) -> bool:
    """Return whether a bell or shelf changes the level by `by_db` or more within a range of Hz.

    A negative `by_db` asks for a cut. Passes and notches are not asked: they clean, they don't
    balance two tracks. By the response that the band is meant to have, see `analogue_response_db`.
    """
    settings = band.settings
    count = 1 + round(POINTS_PER_OCTAVE * max(1.0, np.log2(high_hz / low_hz)))
    at_hz = np.geomspace(low_hz, high_hz, count)
    at_hz = np.append(at_hz, np.clip(settings.freq_hz, low_hz, high_hz))
    for gain_db in gains_db(band):
        response_db = analogue_response_db(replace(settings, gain_db=gain_db), at_hz)
        if float((response_db * np.sign(by_db)).max()) >= abs(by_db) - 1e-6:
            return True
    return False
