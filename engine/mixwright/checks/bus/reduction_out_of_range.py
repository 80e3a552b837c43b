"""Rule bus/reduction-out-of-range."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from mixwright.checks.bus.bus_compressor import (
    COMPRESSOR,
    NO_COMPRESSOR,
    BusReduction,
    reduction_in_focus,
)
from mixwright.checks.rule import VERDICTS, Remark, Result, Verdict, rule
from mixwright.dsp.compressor import CompressorSettings
from mixwright.measuring.evidence import Evidence

# At 2:1 a hit that stands 6 dB over the rest is turned down by 3 dB more than the rest.
HIT_DB = 3.0
LEAST_KNOWN_DB = 0.1


@dataclass(frozen=True)
class _Fault:
    """What is wrong with the reduction of one mix: the figure, its limit, what it should have been.

    `off_db` is by how much more the mix should be turned down.
    """

    verdict: Verdict
    what: str
    measured_db: float
    limit_db: float
    off_db: float


@rule("bus/reduction-out-of-range", "bus_reduction_low_db", "bus_reduction_high_db")
def reduction_out_of_range(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The compressor of the mix bus does too much or too little.

    Measures how far it turns down the loudest section: the mean while it works, and the most, once
    with the balance alone and once in the finished mix. It fails where the mean is too high, or
    where it never gets as far as the least; a mean under that is worth a look, and so are hits that
    are turned down by 3 dB more than the mean may be. A compressor mixed in beside the untouched
    sound counts as what it does to the sum.

    Why it matters: a decibel or two draws a mix together. Less is not heard, and more takes the
    difference between loud and quiet out of it.

    Source: common practice, 1 to 3 dB.

    Fails:
        mix_bus: {compressor: {threshold_db: -45}}
    """
    compressor = heard.sheet.mix_bus.compressor
    reductions = {
        "with the balance alone": heard.bus_reduction_alone,
        "in the finished mix": heard.bus_reduction,
    }
    if compressor is None:
        return Result.nothing(NO_COMPRESSOR)
    if heard.balance.readings(*heard.focus_s).integrated_lufs is None:
        return Result.nothing("nothing to hear in the loudest section")
    share = compressor.settings.mix_percent
    found = {
        where: reduction_in_focus(heard, reduction, share)
        for where, reduction in reductions.items()
        if reduction is not None
    }
    measured = ", ".join(
        f"mean {r.mean_db:.1f} dB (most {r.most_db:.1f}) {w}" for w, r in found.items()
    )
    low, high = limits["bus_reduction_low_db"], limits["bus_reduction_high_db"]
    faults = [fault for one in found.values() for fault in _faults(one, low, high)]
    if not faults:
        return Result(measured)
    fault = min(faults, key=lambda one: VERDICTS.index(one.verdict))
    expected = f"{measured}, expected {low:g} to {high:g} dB"
    return Result(measured, (_remark(fault, expected, compressor.settings, heard.focus.name),))


def _faults(found: BusReduction, low: float, high: float) -> Iterator[_Fault]:
    middle = 0.5 * (low + high)
    lacking = middle - found.mean_db
    if found.mean_db > high:
        yield _Fault("fails", "turns down too much", found.mean_db, high, lacking)
    elif found.most_db < low:
        yield _Fault("fails", "does nothing", found.most_db, low, middle - found.most_db)
    elif found.mean_db < low:
        yield _Fault("look", "turns down little", found.mean_db, low, lacking)
    elif found.most_db > high + HIT_DB:
        over = high + HIT_DB - found.most_db
        yield _Fault("look", "turns down hits by much", found.most_db, high + HIT_DB, over)


def _remark(fault: _Fault, expected: str, settings: CompressorSettings, section: str) -> Remark:
    where = f" in {section}" if section else ""
    return Remark(
        fault.verdict,
        f"the mix bus compressor {fault.what}{where}: {expected}",
        help=_help(settings, fault),
        path=(*COMPRESSOR, "threshold_db"),
        name="mix_bus",
        section=section or None,
        measured=fault.measured_db,
        limit=fault.limit_db,
        unit="dB",
    )


def _help(settings: CompressorSettings, fault: _Fault) -> str:
    """Say where the threshold belongs: above it, a decibel less of it is so much more reduction."""
    if settings.ratio == 1.0:
        return "a ratio of 1:1 never turns down, set one of 1.5:1 to 2:1"
    if settings.mix_percent == 0.0:
        return "mix_percent is 0: nothing of it is heard"
    if fault.measured_db < LEAST_KNOWN_DB:  # how far below the threshold the mix stays is not known
        return "lower the threshold until the loudest section reaches it"
    threshold_db = settings.threshold_db - fault.off_db / (1.0 - 1.0 / settings.ratio)
    if threshold_db > 0.0:
        return "lower the ratio, or raise the threshold as far as it goes"
    return f"try a threshold_db of about {threshold_db:.0f}"
