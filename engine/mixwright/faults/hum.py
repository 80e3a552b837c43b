"""Mains hum: steady narrow lines at multiples of 50 or 60 Hz, under whatever is played.

Spectra of two seconds, a Hann window each (F. Harris, "On the use of windows for harmonic analysis
with the discrete Fourier transform", Proc. IEEE 66(1), 1978), are laid over one another, and each
frequency is read at the level that is exceeded 90 % of the time. Notes come and go and leave
little there; what never stops remains. A line counts if it stands out from everything up to 12 Hz
either side: a loop that repeats exactly has lines too, but one beside the other. Lines make a hum
if

- they lie within 0.3 Hz of multiples of one frequency, itself within 0.3 Hz of 50 or 60 Hz. The
  window tells apart what is 1 Hz away: notes of the bass at 49.0, 58.3 and 61.7 Hz are;
- there are two or more that stand out by 8 dB (further ones by 4), one of the first three among
  them, not all of them multiples of 300 Hz, which both mains share, none 40 dB under another;
- they hold most of the power of all steady lines: a tone that never stops has partials, or what
  folded back of them, anywhere;
- they keep their level: to within 6 dB in the quietest part of the time, and one at least to within
  9 dB wherever it stands out from what is played, as no partial of a tone that swells does;
- they lie under the programme: what is as loud as everything else is more likely to be a tone that
  is meant to be there, unless it is faint and all there is.

Levels are read in that quietest part, where the programme disturbs them least.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from mixwright.faults.findings import Hum, TrackName, severity_of
from mixwright.meters.framing import framed, grouped, hann
from mixwright.units import Floats, db_to_power, power_to_db

WINDOW_S, SHORT_S = 2.0, 60.0
MAINS_HZ = (50, 60)
HARMONICS = 8
TOLERANCE_HZ = 0.3
EXCEEDED = 0.1
LEAST_FRAMES = 5
QUIETEST, LEAST_QUIET = 0.15, 3
STANDS_OUT_DB, LEAST_OUT_DB, WITHIN_DB = 8.0, 4.0, 40.0
NEAR_HZ, FAR_HZ = 1.5, 12.0
HIGHEST_HZ = HARMONICS * MAINS_HZ[-1] + FAR_HZ + 4.0
LARGEST_SPREAD_DB, LARGEST_SWELL_DB = 6.0, 9.0
# Hum that is less than this under the programme has to be faint to be believed.
CLEARLY_UNDER_DB, FAINT_DBFS = 6.0, -45.0
FAULT_DB, LOOK_DB, NOTE_DB, LEAST_DBFS = 45.0, 60.0, 75.0, -100.0
NOTCHES, NOTCH_WITHIN_DB, NOTCH_WIDTH_HZ = 4, 20.0, 6.25


class SteadyLine(NamedTuple):
    """A steady narrow line: its power as a mean square and by how much it stands out.

    `spread_db` is by how much its level varies in the quietest part of the time, `swell_db` how far
    it rises over that level at times at which it still stands out.
    """

    freq_hz: float
    power: float
    stands_out_db: float
    spread_db: float
    swell_db: float = 0.0


@dataclass(frozen=True)
class SteadySpectrum:
    """Power spectra of two seconds each, shape ``(frames, bins)``, a sine counting its square mean.

    >>> t = np.arange(15000) / 1500
    >>> spectrum = SteadySpectrum.of(0.1 * np.sin(2 * np.pi * 50.1 * t), 1500.0)
    >>> [(round(line.freq_hz, 2), round(line.power, 6)) for line in spectrum.lines()]
    [(50.11, 0.005037)]
    """

    powers: Floats
    bin_hz: float

    @classmethod
    def of(cls, signal: Floats, rate_hz: float) -> SteadySpectrum:
        """Return the spectra of a signal, leaving out frames that hold digital silence."""
        size = round(WINDOW_S * rate_hz)
        # A short file is looked at more closely: what pauses it has may be short too.
        overlap = 2 if len(signal) > SHORT_S * rate_hz else 4
        hop = size // overlap
        if len(signal) < size:
            return cls(np.empty((0, size // 2 + 1)), rate_hz / size)
        loudest = np.abs(grouped(signal, hop)).max(axis=1)
        frames = framed(signal, size, hop)
        sounding = framed(loudest, overlap).min(axis=1) > 0.0
        window = hann(size)
        top = min(size // 2 + 1, math.ceil(HIGHEST_HZ * size / rate_hz))
        spectra = np.fft.rfft(frames[sounding[: len(frames)]] * window, axis=1)[:, :top]
        return cls(2.0 * np.abs(spectra / window.sum()) ** 2, rate_hz / size)

    def lines(self) -> list[SteadyLine]:
        """Return the steady lines, from the lowest frequency up."""
        if len(self.powers) < LEAST_FRAMES:
            return []
        rank = int(EXCEEDED * (len(self.powers) - 1))
        lasting = np.partition(np.ascontiguousarray(self.powers.T), rank, axis=1)[:, rank]
        near, far = round(NEAR_HZ / self.bin_hz), round(FAR_HZ / self.bin_hz)
        inner = lasting[1:-1]
        peaks = 1 + np.flatnonzero((inner >= lasting[:-2]) & (inner > lasting[2:]))
        found = []
        for peak in peaks[(peaks >= far) & (peaks < len(lasting) - far)]:
            beside = np.r_[peak - far : peak - near + 1, peak + near : peak + far + 1]
            if lasting[peak] >= lasting[beside].max() * db_to_power(LEAST_OUT_DB):
                found.append(self._line(lasting, int(peak), beside))
        return found

    def _line(self, lasting: Floats, peak: int, beside: NDArray[np.int64]) -> SteadyLine:
        # The main lobe of the window is close to a parabola in decibels.
        below, at, above = np.log(np.maximum(lasting[peak - 1 : peak + 2], 1e-300))
        shift = float(0.5 * (below - above) / min(below - 2.0 * at + above, -1e-9))
        around = self.powers[:, beside].mean(axis=1)
        quiet = np.argsort(around, kind="stable")[: max(LEAST_QUIET, round(QUIETEST * len(around)))]
        low, level, high = np.quantile(self.powers[quiet, peak], (0.1, 0.5, 0.9))
        lobe = float(np.sinc(shift)) / (1.0 - shift**2)
        here = self.powers[:, peak]
        alone = here[here >= around * db_to_power(STANDS_OUT_DB)]
        return SteadyLine(
            freq_hz=(peak + shift) * self.bin_hz,
            power=float(level) / lobe**2,
            stands_out_db=_decibels(lasting[peak], lasting[beside].max()),
            spread_db=_decibels(high, low),
            swell_db=_decibels(float(np.quantile(alone, 0.9)), level) if len(alone) else 0.0,
        )


def _decibels(power: float, other: float) -> float:
    return power_to_db(power / other) if other > 0.0 else math.inf


def mains_lines(lines: list[SteadyLine]) -> tuple[int, float, dict[int, SteadyLine]] | None:
    """Return the mains, the exact fundamental in Hz and the lines by harmonic, if they are a hum.

    >>> steady = [SteadyLine(hz, 1e-6, 20.0, 0.5) for hz in (60.02, 98.0, 120.04, 180.06)]
    >>> mains, fundamental, found = mains_lines(steady)
    >>> mains, round(fundamental, 2), list(found)
    (60, 60.02, [1, 2, 3])
    """
    best: tuple[int, float, dict[int, SteadyLine]] | None = None
    for mains in MAINS_HZ:
        for line in lines:
            order = round(line.freq_hz / mains)
            if not 1 <= order <= HARMONICS:
                continue
            fundamental = line.freq_hz / order
            if abs(fundamental - mains) > TOLERANCE_HZ:
                continue
            found = _comb(lines, fundamental)
            if _is_hum(found, mains, lines) and (best is None or len(found) > len(best[2])):
                weights = [order * math.sqrt(line.power) for order, line in found.items()]
                singles = [line.freq_hz / order for order, line in found.items()]
                best = mains, float(np.average(singles, weights=weights)), found
    return best


def _comb(lines: list[SteadyLine], fundamental: float) -> dict[int, SteadyLine]:
    found: dict[int, SteadyLine] = {}
    for line in lines:
        order = round(line.freq_hz / fundamental)
        if 1 <= order <= HARMONICS and abs(line.freq_hz - order * fundamental) <= TOLERANCE_HZ:
            found[order] = line
    strongest = max((line.power for line in found.values()), default=0.0)
    least = strongest * db_to_power(-WITHIN_DB)
    return {order: line for order, line in found.items() if 0.0 < line.power >= least}


def _is_hum(found: dict[int, SteadyLine], mains: int, lines: list[SteadyLine]) -> bool:
    shared = all(order * mains % 300 == 0 for order in found)
    clear = sum(line.stands_out_db >= STANDS_OUT_DB for line in found.values())
    if clear < 2 or shared or min(found) > 3:
        return False
    strongest = max(found.values(), key=lambda line: line.power)
    most = 2.0 * sum(line.power for line in found.values()) >= sum(line.power for line in lines)
    swell_db = min(line.swell_db for line in found.values())
    return most and strongest.spread_db <= LARGEST_SPREAD_DB and swell_db <= LARGEST_SWELL_DB


def hum_finding(track: TrackName, spectrum: SteadySpectrum, programme_dbfs: float) -> Hum | None:
    """Return the mains hum in a spectrum of the low end, or None.

    `programme_dbfs` is the RMS level of everything on the track while it sounds, hum included.
    """
    if (comb := mains_lines(spectrum.lines())) is None:
        return None
    mains, fundamental, found = comb
    orders = tuple(found)
    levels = tuple(power_to_db(found[order].power) for order in orders)
    level = power_to_db(sum(line.power for line in found.values()))
    under = programme_dbfs - level
    if under > NOTE_DB or level < LEAST_DBFS:
        return None
    if under < CLEARLY_UNDER_DB and level > FAINT_DBFS:
        return None
    names = ", ".join(f"{order * mains}" for order in orders)
    return Hum(
        track=track,
        severity=severity_of(under, FAULT_DB, LOOK_DB),
        message=f"hums at {mains} Hz: steady lines at {names} Hz, together {level:.1f} dBFS, "
        f"{under:.0f} dB under the programme",
        fix=_notches(mains, dict(zip(orders, levels, strict=True))),
        mains_hz=mains,
        fundamental_hz=fundamental,
        level_dbfs=level,
        under_programme_db=under,
        harmonics=orders,
        harmonic_dbfs=levels,
    )


def _notches(mains: int, levels: dict[int, float]) -> str:
    """A notch for each of the harmonics that matter, all about equally wide in Hz."""
    loudest = max(levels.values())
    chosen = [order for order in levels if levels[order] >= loudest - NOTCH_WITHIN_DB]
    chosen = sorted(sorted(chosen, key=lambda order: -levels[order])[:NOTCHES])
    return "\n".join(
        f"{{type: notch, freq_hz: {order * mains}, "
        f"q: {min(40, round(order * mains / NOTCH_WIDTH_HZ))}, why: mains hum}}"
        for order in chosen
    )
