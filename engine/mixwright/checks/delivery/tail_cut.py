"""Rule delivery/tail-cut."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence, TrackHeard
from mixwright.meters.loudness import HOP_S, to_lufs
from mixwright.rendering.parts import BusPlan, TrackPlan
from mixwright.units import SILENCE_DB, or_silence

CUT_HOPS = 2  # 200 ms before the cut
END_S = 0.02
# A sine at 1 kHz on both sides reads so much more in LUFS than its RMS in dBFS (BS.1770-5).
LUFS_OVER_RMS_DB = 10.0 * math.log10(2.0)


@rule("delivery/tail-cut", "tail_cut_dbfs")
def tail_cut(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The end of the song cuts something off.

    Measures every track that goes on after the end of the song: its level in the mix over the last
    200 ms before, K-weighted (ITU-R BS.1770-5) and given as the RMS level that a tone at 1 kHz
    would have. Fades of its group and of the mix bus count. And the level of the mix in its own
    last 20 ms.

    Why it matters: a sound that stops before it has died away is heard as a mistake.

    Source: common practice, -60 dBFS, as for silence.

    Fails:
        song: {end: {s: 15.4}}
    """
    most = limits["tail_cut_dbfs"]
    cut = {t.name: _level_at_cut_dbfs(heard, t) for t in heard.tracks.values()}
    audible = sorted((level, name) for name, level in cut.items() if level > most)[::-1]
    end_db = _level_at_end_dbfs(heard)
    loudest = max(cut, key=lambda name: cut[name], default=None)
    said = "no track is cut off"
    if loudest is not None and cut[loudest] > SILENCE_DB:
        said = f"{loudest} cut off at {cut[loudest]:.1f} dBFS"
    measured = f"{said}, the mix ends at {end_db:.1f} dBFS"
    if audible:
        return Result(measured, tuple(_cut(heard, name, level, most) for level, name in audible))
    if end_db > most:
        return Result(measured, (_sounding(heard, end_db, most),))
    return Result(measured)


def _level_at_cut_dbfs(heard: Evidence, track: TrackHeard) -> float:
    """The level of a track where the song ends; -inf where nothing of it is cut off.

    The last 100 ms alone count where they are quieter: what has died away by then is not cut off.
    """
    plan, rate_hz = heard.plan, heard.rate_hz
    if track.plan.cut_at is None:
        return SILENCE_DB
    last = math.floor(track.plan.cut_at / rate_hz / HOP_S + 1e-9)
    first = max(0, last - CUT_HOPS)
    hops = track.placed.hops[first:last] * heard.mix_gain**2
    strips: list[TrackPlan | BusPlan] = [plan.mix_bus]
    strips += [group for group in plan.groups if group.name == track.plan.group]
    frames = round(HOP_S * rate_hz)
    for strip in strips:
        for curve in (strip.fader, strip.mute):
            starts = (round(hop * HOP_S * rate_hz) for hop in range(first, first + len(hops)))
            hops = hops * [float(np.mean(curve.values(at, frames) ** 2)) for at in starts]
    if not len(hops):
        return SILENCE_DB
    return to_lufs(min(float(hops.mean()), float(hops[-1]))) - LUFS_OVER_RMS_DB


def _level_at_end_dbfs(heard: Evidence) -> float:
    """The level of the mix in its last 20 ms, as its file ends: without what rings on unheard."""
    end_s = heard.silence.seconds
    return or_silence(heard.mix_readings(max(0.0, end_s - END_S), end_s).rms_dbfs)


def _cut(heard: Evidence, name: str, level_dbfs: float, most: float) -> Remark:
    end_s = heard.plan.end / heard.rate_hz
    return Remark(
        "fails",
        f"the end of the song cuts {name} off at {level_dbfs:.1f} dBFS, expected {most:g} at most",
        help="let the song end later, or fade the track out before",
        path=("song", "end"),
        name=name,
        section=heard.section_at(max(0.0, end_s - HOP_S)),
        at_s=end_s,
        measured=level_dbfs,
        limit=most,
        unit="dBFS",
    )


def _sounding(heard: Evidence, level_dbfs: float, most: float) -> Remark:
    return Remark(
        "fails",
        f"the finished mix still sounds at its very end, at {level_dbfs:.1f} dBFS, "
        f"expected {most:g} at most",
        help="the files end in full sound: export them longer, or fade the mix out",
        path=("song", "end"),
        name="mix_bus",
        section=heard.section_at(max(0.0, heard.plan.end / heard.rate_hz - HOP_S)),
        at_s=max(0.0, heard.silence.seconds - END_S),
        measured=level_dbfs,
        limit=most,
        unit="dBFS",
    )
