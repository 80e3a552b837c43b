"""Whether two close microphones cancel one another where the sound begins.

A drum rings at one pitch, and there a delay can't be told from a change of polarity by the ringing:
half a period later the curve looks the same upside down. What can be told is what happens as the
tracks lie: around joint beginnings of sound, 40 ms each, the normalised correlation in a band of
two octaves is clearly negative at no delay, and it is negative too at the nearest delay that fits,
within 1 ms, about what two microphones on one drum are apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixwright.units import Floats

PIECE_S, LEAD_S, HEARD_S, NEAR_S, REACH_S = 0.1, 0.03, 0.04, 0.001, 0.015
BANDS_HZ = ((40.0, 160.0), (80.0, 320.0), (160.0, 640.0), (320.0, 1280.0))
LEAST_BEGINNINGS = 6
AT_ONCE, NEARBY, AGAINST, AGREEING = -0.45, -0.6, 0.9, 0.8
# A band that holds less than this of either track is not what is heard.
LEAST_SHARE = 0.1


@dataclass(frozen=True)
class Cancelling:
    """In which band, the correlation as the tracks lie, and that at the nearest delay that fits."""

    low_hz: float
    high_hz: float
    at_once: float
    nearby: float
    lag_samples: float


def cancelling(pieces: list[tuple[Floats, Floats]], rate_hz: int) -> Cancelling | None:
    """Return where two tracks cancel, from pieces of PIECE_S with a beginning LEAD_S into each.

    >>> t = np.arange(4800) / 48000
    >>> hit = np.sin(2 * np.pi * 200 * t) * np.exp(-t / 0.02)
    >>> hit = np.concatenate([np.zeros(1440), hit[:3360]])
    >>> round(cancelling([(hit, -0.5 * hit)] * 8, 48000).at_once, 3)
    -1.0
    """
    if len(pieces) < LEAST_BEGINNINGS:
        return None
    frames = len(pieces[0][0])
    size = 2 * frames
    both = np.array(pieces)
    spectra = np.fft.rfft(both, size, axis=2)
    found = []
    for band in BANDS_HZ:
        filtered = np.fft.irfft(spectra * _gain(band, size, rate_hz), size, axis=2)[:, :, :frames]
        share = (filtered**2).sum(axis=2) / np.maximum((both**2).sum(axis=2), 1e-300)
        heard = filtered[share.min(axis=1) >= LEAST_SHARE]
        if len(heard) >= LEAST_BEGINNINGS:
            found.append(_in_band(heard, band, rate_hz))
    return min((one for one in found if one), key=lambda one: one.at_once, default=None)


def _in_band(pieces: Floats, band: tuple[float, float], rate_hz: int) -> Cancelling | None:
    """What pieces (n, 2, frames) in a band say."""
    heard, reach = round(HEARD_S * rate_hz), round(REACH_S * rate_hz)
    start = round(LEAD_S * rate_hz) - heard // 4
    products, energies = np.zeros((2, 2 * reach + 1))
    at_once = []
    for near, far in pieces:
        part = near[start : start + heard]
        wide = far[start - reach : start + heard + reach]
        own = float(part @ part)
        scale = own * float(wide[reach : reach + heard] @ wide[reach : reach + heard])
        if scale <= 0.0:
            continue
        product = np.correlate(wide, part, mode="valid") / np.sqrt(scale)
        running = np.concatenate([[0.0], np.cumsum(wide**2)])
        energies += (running[heard:] - running[:-heard]) * own / scale
        products += product
        at_once.append(float(product[reach]))
    if len(at_once) < LEAST_BEGINNINGS:
        return None
    curve = products / np.sqrt(np.maximum(energies * len(at_once), 1e-300))
    near_by = round(NEAR_S * rate_hz)
    lag = int(np.argmin(curve[reach - near_by : reach + near_by + 1])) - near_by
    nearby = float(curve[reach + lag])
    against = curve[reach] <= AT_ONCE and np.mean(np.array(at_once) < 0.0) >= AGREEING
    if not against or nearby > NEARBY or -nearby < AGAINST * curve.max():
        return None
    return Cancelling(band[0], band[1], float(curve[reach]), nearby, float(lag))


def _gain(band: tuple[float, float], size: int, rate_hz: int) -> Floats:
    """The gain of a band at each frequency, without a change of phase."""
    freq_hz = np.maximum(np.fft.rfftfreq(size, 1.0 / rate_hz), 1e-9)
    power = 1.0 / ((1.0 + (band[0] / freq_hz) ** 8) * (1.0 + (freq_hz / band[1]) ** 8))
    return np.asarray(np.sqrt(power))
