"""What single moves of a mix come to, worked out from what was heard of it.

Where a figure can't be had - of silence, of what moves - it is None.
"""

from __future__ import annotations

import math

import numpy as np

from mixwright.dsp.filters import design_band, k_weighting, response_db
from mixwright.measuring.evidence import Evidence
from mixwright.meters.bands import third_octaves
from mixwright.sheet import Band


def band_change_lu(heard: Evidence, track: str, band: Band) -> float | None:
    """Return what a still band alone does to the loudness of its track in the focus.

    K-weighted (BS.1770-5) but not gated, from the third octaves before the EQ.
    """
    if track not in heard.tracks or band.automation.freq_hz or band.automation.gain_db:
        return None
    rate_hz, power = heard.rate_hz, heard.tracks[track].balance_bands.sum(axis=0)
    hz = np.array([third.midband_hz for third in third_octaves(rate_hz)])
    heard_power = power * 10.0 ** (response_db(k_weighting(rate_hz), hz, rate_hz) / 10.0)
    passed = 10.0 ** (response_db(design_band(band.settings, rate_hz), hz, rate_hz) / 10.0)
    return _ratio_lu(float((heard_power * passed).sum()), float(heard_power.sum()))


def eq_change_lu(heard: Evidence, name: str) -> float | None:
    """Return what the EQ of a track or group does to its loudness over the song, unmatched.

    Gated (BS.1770-5); that of a group is known where it was level-matched.
    """
    match_db = heard.matches_db.get(f"{name}.eq")
    if match_db is not None:
        return -match_db
    if name not in heard.tracks:
        return None
    track, end_s = heard.tracks[name], heard.plan.end / heard.rate_hz
    before, after = (at.integrated_lufs(0.0, end_s) for at in (track.source, track.equalised))
    return after - before


def wet_energies(heard: Evidence, track: str) -> dict[str, float]:
    """Return K-weighted energy of a track by return over the whole song, those it comes back from.

    Its share of what is sent to a return is taken as its share of what comes back. Sums of mean
    squares by hop, as those of the track's own `Levels`.
    """
    energies = {
        name: part.share_of(track) * float(part.wet.hops.sum())
        for name, part in heard.returns.items()
    }
    return {name: energy for name, energy in energies.items() if energy > 0.0}


def track_wet_to_dry_lu(heard: Evidence, track: str) -> float | None:
    """Return what all returns give back of a track over the track itself, in LU."""
    dry = float(heard.at_bus(track).hops.sum())
    return _ratio_lu(sum(wet_energies(heard, track).values()), dry)


def return_wet_to_dry_lu(heard: Evidence, name: str) -> float | None:
    """Return how loud a return is against the dry mix, by the energy of the whole song, in LU."""
    return _difference_lu(heard.returns[name].wet.mean_lufs(), heard.dry.mean_lufs())


def _ratio_lu(power: float, other: float) -> float | None:
    return 10.0 * math.log10(power / other) if min(power, other) > 0.0 else None


def _difference_lu(level: float, other: float) -> float | None:
    return level - other if math.isfinite(level - other) else None
