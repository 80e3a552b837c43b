"""Rule bus/eq-too-strong."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from mixwright.checks.rule import Remark, Result, rule
from mixwright.dsp.band import GAIN_TYPES
from mixwright.measuring.evidence import Evidence
from mixwright.sheet import Band, Sheet
from mixwright.sheet.model import PathKey


@dataclass(frozen=True)
class _Gain:
    """A gain that a band has at some time, and where it is written."""

    band: Band
    gain_db: float
    path: PathKey
    at_s: float | None = None

    @property
    def said(self) -> str:
        settings = self.band.settings
        return (
            f"{settings.type.replace('_', ' ')} at {settings.freq_hz:g} Hz {self.gain_db:+.1f} dB"
        )


@rule("bus/eq-too-strong", "bus_eq_db")
def eq_too_strong(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """An EQ band of the mix bus does too much.

    Measures the gain of every bell and shelf of the mix bus, and where it is ridden to; passes and
    notches have none.

    Why it matters: what the whole mix needs much of, some tracks have too much or too little of. It
    is mended there without touching the others.

    Source: common practice, 2 dB at most.

    Holds:
        mix_bus: {eq: [{type: bell, freq_hz: 300, gain_db: -2, q: 0.7, why: a little thick}]}

    Fails:
        mix_bus: {eq: [{type: high_shelf, freq_hz: 8000, gain_db: 4.5, q: 0.7, why: dull}]}
    """
    strongest = [
        max(gains, key=lambda gain: abs(gain.gain_db))
        for index, band in enumerate(heard.sheet.mix_bus.eq)
        if (gains := list(_gains(heard.sheet, index, band)))
    ]
    if not strongest:
        return Result.nothing("no bell or shelf on the mix bus")
    strongest.sort(key=lambda gain: -abs(gain.gain_db))
    most = limits["bus_eq_db"]
    over = [gain for gain in strongest if abs(gain.gain_db) > most]
    return Result(strongest[0].said, tuple(_remark(heard, gain, most) for gain in over))


def _gains(sheet: Sheet, index: int, band: Band) -> Iterator[_Gain]:
    if band.settings.type not in GAIN_TYPES:
        return
    path: PathKey = ("mix_bus", "eq", index)
    starts = [sheet.timeline.sample_at(point.at) for point in band.automation.gain_db]
    if not starts or starts[0] > 0:  # from the first point on a ride stands in for the gain
        yield _Gain(band, band.settings.gain_db, (*path, "gain_db"))
    for number, point in enumerate(band.automation.gain_db):
        place = (*path, "automation", "gain_db", number, "value")
        at_s = starts[number] / sheet.song.sample_rate_hz
        yield _Gain(band, point.value, place, at_s)


def _remark(heard: Evidence, gain: _Gain, most: float) -> Remark:
    return Remark(
        "fails",
        f"the mix bus has a {gain.said}, expected {most:g} at most, up or down",
        help="give it to the tracks that need it, or what is left of it",
        path=gain.path,
        name="mix_bus",
        section=None if gain.at_s is None else heard.section_at(gain.at_s),
        at_s=gain.at_s,
        measured=gain.gain_db,
        limit=most,
        unit="dB",
    )
