"""Rule bus/attack-too-fast."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.bus.bus_compressor import NO_COMPRESSOR, setting_remark
from mixwright.checks.rule import Result, rule
from mixwright.measuring.evidence import Evidence


@rule("bus/attack-too-fast", "bus_attack_ms")
def attack_too_fast(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The compressor of the mix bus takes hold too fast.

    Measures its attack, the time constant of the sheet. One that is mixed in beside the untouched
    sound lets the hits through anyhow: that is a note.

    Why it matters: a fast attack takes the beginnings off drums, and the whole mix steps back at
    every hit.

    Source: common practice, 10 ms or more.

    Fails:
        mix_bus: {compressor: {attack_ms: 2}}
    """
    compressor = heard.sheet.mix_bus.compressor
    if compressor is None:
        return Result.nothing(NO_COMPRESSOR)
    attack_ms, least = compressor.settings.attack_ms, limits["bus_attack_ms"]
    measured = f"attack {attack_ms:g} ms"
    if attack_ms >= least:
        return Result(measured)
    found = f"an attack of {attack_ms:g} ms", f"expected {least:g} or more"
    remark = setting_remark(compressor, *found, key="attack_ms", limit=least, unit="ms")
    return Result(measured, (remark,))
