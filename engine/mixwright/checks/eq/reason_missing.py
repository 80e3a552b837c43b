"""Rule eq/reason-missing."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.eq.bands import EqStrip, strips_of
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.sheet import Band
from mixwright.words import band_words


@rule("eq/reason-missing")
def reason_missing(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A band of an EQ has no reason.

    Measures whether every band of tracks, groups, returns and the mix bus has a `why`. One remark
    is made for an EQ, at the first of its bands that lacks one.

    Why it matters: a band that nobody can give a reason for is one that nobody would miss. And who
    opens the mix in a year wants to know what it was there for.

    Source: common practice.

    Fails:
        tracks: {keys: {eq: [{type: high_pass, freq_hz: 120}]}}
    """
    strips = list(strips_of(heard.sheet))
    if not strips:
        return Result.nothing("there is no EQ")
    count = sum(len(strip.bands) for strip in strips)
    bare = [strip for strip in strips if any(not _has_reason(band) for band in strip.bands)]
    missing = sum(not _has_reason(band) for strip in bare for band in strip.bands)
    measured = f"{count - missing} of {count} bands have a reason"
    return Result(measured, tuple(_remark(strip) for strip in bare))


def _has_reason(band: Band) -> bool:
    return bool(band.why and band.why.strip())


def _remark(strip: EqStrip) -> Remark:
    at = [index for index, band in enumerate(strip.bands) if not _has_reason(band)]
    which = ", ".join(band_words(strip.bands[index].settings) for index in at)
    if len(at) == 1:
        said = f"a band of {strip.name} has no reason ({which}), expected a why"
    else:
        said = f"{len(at)} of {len(strip.bands)} bands of {strip.name} have no reason ({which}), "
        said += "expected a why for each"
    return Remark(
        "fails",
        said,
        help="say in a few words what the band is for; take it out if nothing comes to mind",
        path=(*strip.path, at[0]),
        name=strip.name,
    )
