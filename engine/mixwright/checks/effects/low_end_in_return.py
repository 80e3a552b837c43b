"""Rule effects/low-end-in-return."""

from __future__ import annotations

import math
from collections.abc import Mapping

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence, ReturnHeard
from mixwright.meters.bands import third_octaves
from mixwright.sheet import Band, Return

# Lows so far under all of a return do no harm: the tracks that are sent were cut themselves.
HARMLESS_DB = -40.0


@rule("effects/low-end-in-return", "return_low_cut_hz")
def low_end_in_return(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A return has no low cut.

    Measures the high-pass of each return that sounds, its effect's own or one of its EQ on both
    channels (where it moves, its lowest place), and what it holds below the limit: the energy of
    its third octaves in the loudest section. Without such a high-pass a return deserves a look;
    where 40 dB less lies below than in all, since the tracks that are sent have no low end
    themselves, a note is made.

    Why it matters: a room under kick and bass blurs both, eats headroom, and nobody hears it as a
    room.

    Source: common practice.

    Fails:
        tracks: {kick: {sends_db: {hall: -20}}}
        returns: {hall: {high_pass_hz: null}}
    """
    sounding = [part for part in heard.returns.values() if part.wet.hops.any()]
    if not sounding:
        return Result.nothing("nothing comes back from a return")
    least = limits["return_low_cut_hz"]
    cuts = [(_low_cut_hz(part.part), part) for part in sounding]
    lowest_hz, lowest = min(cuts, key=lambda one: one[0])
    measured = f"{lowest.part.name} without a high-pass"
    if lowest_hz > 0.0:
        measured = f"lowest high-pass {lowest_hz:g} Hz on {lowest.part.name}"
    remarks = tuple(_remark(heard, part, cut, least) for cut, part in cuts if cut < least)
    return Result(measured, remarks)


def _remark(heard: Evidence, returned: ReturnHeard, cut_hz: float, least_hz: float) -> Remark:
    name = returned.part.name
    has = f"the high-pass of {name} is at {cut_hz:g} Hz" if cut_hz else f"{name} has no high-pass"
    lows_db = _lows_db(heard, returned, least_hz)
    lows = f"; what it holds below is {lows_db:.0f} dB against all of it"
    if math.isinf(lows_db):
        lows = ""
    return Remark(
        "note" if lows_db < HARMLESS_DB and lows else "look",
        f"{has}, expected one at {least_hz:g} Hz or above{lows}",
        help="set high_pass_hz of the return, 100 to 300 Hz as a rule",
        path=("returns", name),
        name=name,
        measured=cut_hz or None,
        limit=least_hz,
        unit="Hz",
    )


def _low_cut_hz(part: Return) -> float:
    """The highest high-pass of a return; 0 for none."""
    own = part.effect.high_pass_hz
    return max([own or 0.0, *(_place_hz(band) for band in part.eq)])


def _place_hz(band: Band) -> float:
    """The lowest place of a high-pass on both channels; 0 for any other band."""
    if band.settings.type != "high_pass" or band.settings.on != "both":
        return 0.0
    return min([band.settings.freq_hz, *(point.value for point in band.automation.freq_hz)])


def _lows_db(heard: Evidence, returned: ReturnHeard, below_hz: float) -> float:
    """Energy below a frequency against all of it, in the focus; not finite where it is silent."""
    powers = returned.bands.sum(axis=0)
    low = sum(
        power for power, band in zip(powers, third_octaves(), strict=False)
        if band.nominal_hz < below_hz
    )  # fmt: skip
    return 10.0 * math.log10(low / powers.sum()) if low > 0.0 else -math.inf
