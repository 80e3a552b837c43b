"""Rule bus/ratio-too-high."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.bus.bus_compressor import NO_COMPRESSOR, setting_remark
from mixwright.checks.rule import Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.words import value_words


@rule("bus/ratio-too-high", "bus_ratio")
def ratio_too_high(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The compressor of the mix bus has too high a ratio.

    Measures its ratio as the sheet sets it. One that is mixed in beside the untouched sound acts as
    a lower one: that is a note.

    Why it matters: a low ratio draws a mix together and keeps loud passages louder than quiet ones;
    a high one holds them all at one level.

    Source: common practice, 2:1 at most.

    Fails:
        mix_bus: {compressor: {ratio: 4}}
    """
    compressor = heard.sheet.mix_bus.compressor
    if compressor is None:
        return Result.nothing(NO_COMPRESSOR)
    ratio, most = compressor.settings.ratio, limits["bus_ratio"]
    measured = f"ratio {value_words('ratio', ratio)}"
    if ratio <= most:
        return Result(measured)
    found = f"a {measured}", f"expected {value_words('ratio', most)} at most"
    remark = setting_remark(compressor, *found, key="ratio", limit=most)
    return Result(measured, (remark,))
