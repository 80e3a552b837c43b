"""Rule dynamics/reason-missing."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.dynamics.processors import Placed, placed
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence


@rule("dynamics/reason-missing")
def reason_missing(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A compressor, gate or de-esser has no reason.

    Measures whether every gate, compressor and de-esser of tracks and groups, and the compressor
    and limiter of the mix bus, has a `why`.

    Why it matters: dynamics are there for something that was heard: a word that drops, a hit that
    jumps out, a kit that falls apart. Without such a reason there is nothing to set them by.

    Source: common practice.

    Fails:
        tracks: {bass: {compressor: {why: null}}}
    """
    processors = list(placed(heard.sheet))
    if not processors:
        return Result.nothing("there are no dynamics")
    bare = [one for one in processors if not (one.settings.why and one.settings.why.strip())]
    measured = f"{len(processors) - len(bare)} of {len(processors)} processors have a reason"
    return Result(measured, tuple(_remark(one) for one in bare))


def _remark(one: Placed) -> Remark:
    return Remark(
        "fails",
        f"{one.told} has no reason, expected a why",
        help="say what was heard that it is there for; take it out if it was nothing",
        path=one.path,
        name=one.name,
    )
