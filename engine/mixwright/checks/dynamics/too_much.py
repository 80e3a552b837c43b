"""Rule dynamics/too-much."""

from __future__ import annotations

import math
from collections.abc import Mapping

from mixwright.checks.dynamics.processors import AtWork, compressors
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.sheet import Compressor


@rule("dynamics/too-much", "compressor_most_db")
def too_much(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A compressor turns down very far.

    Measures the most that each compressor of a track or group turns down, over the whole song, and
    the section in which it does. Of a parallel compressor that of the mixed sound counts.

    Why it matters: more than 10 dB at once takes the shape off a sound, and pulls up breath, spill
    and room between the notes by as much. Two gentle compressors, or a ride of the fader before
    one, do the same with less to be heard.

    Source: common practice, 10 dB at most.

    Fails:
        tracks: {lead_vocal: {compressor: {threshold_db: -45, ratio: 6}}}
    """
    limit = limits["compressor_most_db"]
    depths = sorted(((_most_db(one), one) for one in compressors(heard)), key=lambda d: -d[0])
    if not depths:
        return Result.nothing("no track or group that is heard has a compressor")
    most_db, most = depths[0]
    measured = f"most reduction {most_db:.1f} dB, by {most.told}"
    if most.worst_section is not None:
        measured += f" in {most.worst_section}"
    over = [(depth_db, one) for depth_db, one in depths if depth_db > limit]
    return Result(measured, tuple(_remark(depth_db, one, limit) for depth_db, one in over))


def _most_db(one: AtWork) -> float:
    """The most that is turned down of what comes out."""
    assert isinstance(one.settings, Compressor)
    mix = one.settings.settings.mix_percent / 100.0
    gain = 1.0 - mix * (1.0 - 10.0 ** (-one.reduction.max_db / 20.0))
    return -20.0 * math.log10(max(gain, 1e-6))


def _remark(depth_db: float, one: AtWork, limit: float) -> Remark:
    where = "" if one.worst_section is None else f" in {one.worst_section}"
    mean_db = one.reduction.mean_db
    return Remark(
        "look",
        f"{one.told} turns down by {depth_db:.1f} dB{where} ({mean_db:.1f} in the mean while at "
        f"work), expected {limit:g} at most",
        help="set threshold_db higher or ratio lower, or ride the loudest places before it",
        path=one.path,
        name=one.name,
        section=one.worst_section,
        measured=depth_db,
        limit=limit,
        unit="dB",
    )
