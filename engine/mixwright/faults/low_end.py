"""A constant offset and rumble: what lies below the music.

The *offset* is the median over time of means taken over a second under a Hann window, which hears
nothing of a tone of 41 Hz; it has to be steady: three times as large as the usual distance from
it. Digital silence is left out, where an edit has taken the offset away with the sound.

*Rumble* is the RMS level from 5 to 40 Hz in the quarter of the time in which least is played, in
spectra of two seconds: there what rumbles goes on and what is played low does not. One octave of it
also has to exceed the octave above 40 Hz, or it is the foot of a note, a drum or a noise. Whether
it matters is for the caller to say: a kick or a bass may want what a voice has no use for. It is
told from 35 dB under the programme up, unless it is so faint that no gain brings it out, and not
where there is nothing else.
"""

from __future__ import annotations

import math

import numpy as np

from mixwright.faults.findings import Offset, Rumble, TrackName, severity_of
from mixwright.faults.follow import CELLS_PER_S, PLAIN
from mixwright.faults.hum import SteadySpectrum
from mixwright.meters.framing import grouped
from mixwright.units import Floats, db_to_power, gain_to_db

LEAST_SECONDS = 4
LOOK_OFFSET, FAULT_OFFSET, STEADY = 0.002, 0.01, 3.0
OCTAVES_HZ, PLAYED_HZ = (5.0, 10.0, 20.0, 40.0), 60.0
# Where there is nothing else, it is what the track is for.
RUMBLE_LEAST_DB, RUMBLE_FAULT_DB, RUMBLE_LOOK_DB, RUMBLE_NOTE_DB = 3.0, 12.0, 30.0, 35.0
FAINT_DBFS = -65.0
QUIETEST, LEAST_QUIET = 0.25, 3
OVER_ABOVE_DB = 5.0
# A spectrum under a Hann window holds 1.5 times the power when sines are read at their peak.
NOISE_BANDWIDTH = 1.5


def offset_finding(track: TrackName, cells: Floats, sums: Floats, per_cell: float) -> Offset | None:
    """Return a constant offset, or None.

    `cells` are energies (n,) to tell digital silence by, `sums` those of each channel
    (n, channels), both by cells of 10 ms of `per_cell` samples.
    """
    by_second = grouped(sums, CELLS_PER_S)
    sounding = (grouped(cells, CELLS_PER_S) > 0.0).all(axis=1)
    if sounding.sum() < LEAST_SECONDS:
        return None
    hann = np.sin(np.pi * (np.arange(CELLS_PER_S) + 0.5) / CELLS_PER_S) ** 2
    means = np.tensordot(by_second[sounding], hann, axes=(1, 0)) / (hann.sum() * per_cell)
    offsets = np.median(means, axis=0)
    away = np.median(np.abs(means - offsets), axis=0)
    steady = np.where(np.abs(offsets) >= STEADY * away, offsets, 0.0)
    worst = float(steady[np.argmax(np.abs(steady))])
    if abs(worst) < LOOK_OFFSET:
        return None
    level = gain_to_db(abs(worst))
    return Offset(
        track=track,
        severity="fault" if abs(worst) >= FAULT_OFFSET else "look",
        message=f"has a constant offset of {100.0 * worst:+.2f} % of full scale ({level:.1f} dBFS)",
        fix="{type: high_pass, freq_hz: 20, slope_db_per_oct: 12, why: constant offset}",
        offset_percent=100.0 * worst,
        level_dbfs=level,
    )


def rumble_finding(
    track: TrackName, spectrum: SteadySpectrum, programme_dbfs: float
) -> Rumble | None:
    """Return the rumble in a spectrum of the low end, or None.

    `programme_dbfs` is the RMS level of everything on the track while it sounds.
    """
    if len(spectrum.powers) < LEAST_SECONDS:
        return None
    freq_hz = np.arange(spectrum.powers.shape[1]) * spectrum.bin_hz
    played = spectrum.powers[:, freq_hz >= PLAYED_HZ].sum(axis=1)
    quiet = np.argsort(played, kind="stable")[: max(LEAST_QUIET, round(QUIETEST * len(played)))]
    powers = spectrum.powers[quiet].mean(axis=0) / NOISE_BANDWIDTH
    *low, above = (
        float(powers[(freq_hz >= edge) & (freq_hz < 2.0 * edge)].sum()) for edge in OCTAVES_HZ
    )
    level = gain_to_db(math.sqrt(sum(low)))
    under = programme_dbfs - level
    foot = max(low) < above * db_to_power(OVER_ABOVE_DB)
    if level < FAINT_DBFS or not RUMBLE_LEAST_DB < under <= RUMBLE_NOTE_DB or foot:
        return None
    return Rumble(
        track=track,
        severity=severity_of(under, RUMBLE_FAULT_DB, RUMBLE_LOOK_DB),
        message=f"rumbles below 40 Hz: {level:.1f} dBFS where little is played, "
        f"{under:.0f} dB under the programme",
        fix="{type: high_pass, freq_hz: 40, slope_db_per_oct: 24, why: rumble}",
        level_dbfs=level,
        under_programme_db=under,
    )


def programme_dbfs(cells: Floats, per_cell: float) -> float:
    """Return the RMS level of what is not digital silence; -inf if there is nothing."""
    energies = cells[:, PLAIN]
    sounding = energies[energies > 0.0]
    return gain_to_db(float(np.sqrt(sounding.mean() / per_cell))) if len(sounding) else -np.inf
