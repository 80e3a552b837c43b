"""Rule delivery/over-full-scale."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from mixwright.checks.delivery.demanded import enough_db, place_of_gain
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.units import or_silence
from mixwright.words import level


@rule("delivery/over-full-scale")
def over_full_scale(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The finished mix goes over full scale.

    Measures its highest sample, and runs of three or more equal samples at full scale: a mix that
    was clipped on the way.

    Why it matters: files of 16 or 24 bits have nothing over 0 dBFS; every sample over it would be
    cut off.

    Source: by definition of dBFS; that three equal samples are clipping is common practice.

    Fails:
        mix_bus: {gain_db: 12, compressor: null}
    """
    readings = heard.mix_readings()
    peak_db, at_s = or_silence(readings.sample_peak_dbfs), readings.sample_peak_s
    # Runs are counted in the mix before its make-up: where that moves them they mean nothing.
    runs = readings.clipped_runs if heard.mix_gain == 1.0 else 0
    measured = f"sample peak {level(readings.sample_peak_dbfs, 'dBFS')}, "
    measured += f"clipped {runs} times" if runs else "no clipping"
    if peak_db > 0.0:
        message = f"the finished mix peaks at {peak_db:.2f} dBFS, expected 0 at most"
        hint = f"take {enough_db(peak_db):.1f} dB or more off the gain of the mix bus"
        remark = Remark("fails", message, hint, measured=peak_db, limit=0.0, unit="dBFS")
    elif runs:
        message = f"the finished mix stays at full scale {runs} times, for up to "
        message += f"{readings.longest_clip} samples, expected no flat tops"
        hint = "look for what clips before the mix bus: a track's file, or an insert"
        remark = Remark("look", message, hint, measured=runs, limit=0.0)
    else:
        return Result(measured)
    section = None if at_s is None else heard.section_at(at_s)
    path = place_of_gain(heard.sheet)
    placed = replace(remark, path=path, name="mix_bus", section=section, at_s=at_s)
    return Result(measured, (placed,))
