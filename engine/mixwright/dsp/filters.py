"""Filter design: settings to second-order sections, float64.

A section is a row ``b0 b1 b2 a1 a2`` with a0 = 1. Bells, shelves and notches follow R.
Bristow-Johnson's Audio EQ Cookbook (W3C Note), passes are Butterworth cascades by the bilinear
transform; the K-weighting is that of ITU-R BS.1770-5.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.band import BandSettings

Sections = NDArray[np.float64]

# Analogue parameters behind BS.1770-5 tables 1 and 2; at 48 kHz they reproduce the printed
# coefficients (values as in libebur128's filter initialisation).
K_SHELF_HZ, K_SHELF_DB, K_SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
K_SHELF_BAND_EXPONENT = 0.4996667741545416
K_PASS_HZ, K_PASS_Q = 38.13547087602444, 0.5003270373238773


def design_band(band: BandSettings, rate_hz: int) -> Sections:
    """Return the sections of one band, shape ``(n, 5)``; n is 0 for a band that does nothing.

    >>> design_band(BandSettings("bell", 1000.0, gain_db=6.0, q=1.0), 48000).shape
    (1, 5)
    """
    if band.type in ("high_pass", "low_pass"):
        return _butterworth(band.type == "high_pass", band.freq_hz, band.slope_db_per_oct, rate_hz)
    if band.type != "notch" and band.gain_db == 0.0:
        return np.empty((0, 5))
    cos_w, alpha = _angle(band.freq_hz, band.q, rate_hz)
    row: tuple[float, ...]
    if band.type == "notch":
        row = (1.0, -2.0 * cos_w, 1.0, 1.0 + alpha, -2.0 * cos_w, 1.0 - alpha)
    else:
        row = _gain_section(band.type, 10.0 ** (band.gain_db / 40.0), cos_w, alpha)
    return _normalised([row])


def design_bands(bands: tuple[BandSettings, ...], rate_hz: int) -> Sections:
    """Return all sections of several bands in order, shape ``(n, 5)``."""
    return np.concatenate([np.empty((0, 5)), *(design_band(band, rate_hz) for band in bands)])


def design_pass(kind: str, freq_hz: float | None, slope_db_per_oct: int, rate_hz: int) -> Sections:
    """Return a Butterworth ``high_pass`` or ``low_pass``; no sections when `freq_hz` is None."""
    if freq_hz is None:
        return np.empty((0, 5))
    return _butterworth(kind == "high_pass", freq_hz, slope_db_per_oct, rate_hz)


def k_weighting(rate_hz: int) -> Sections:
    """Return the K-weighting of BS.1770-5 for a sample rate, shape ``(2, 5)``.

    At rates other than 48 kHz the same analogue response is transformed, and the high-pass is
    scaled so that its gain far above the corner is the one it has at 48 kHz.
    """
    shelf_gain = 10.0 ** (K_SHELF_DB / 20.0)
    band_gain = shelf_gain**K_SHELF_BAND_EXPONENT
    k, kq = _warped(K_SHELF_HZ, K_SHELF_Q, rate_hz)
    shelf = (
        shelf_gain + band_gain * kq + k * k,
        2.0 * (k * k - shelf_gain),
        shelf_gain - band_gain * kq + k * k,
        1.0 + kq + k * k,
        2.0 * (k * k - 1.0),
        1.0 - kq + k * k,
    )
    k48, kq48 = _warped(K_PASS_HZ, K_PASS_Q, 48000)
    k, kq = _warped(K_PASS_HZ, K_PASS_Q, rate_hz)
    scale = (1.0 + kq48 + k48 * k48) / (1.0 + kq + k * k)
    a0 = 1.0 + kq + k * k
    high_pass = (
        scale * a0,
        -2.0 * scale * a0,
        scale * a0,
        a0,
        2.0 * (k * k - 1.0),
        1.0 - kq + k * k,
    )
    return _normalised([shelf, high_pass])


def response_db(
    sections: Sections, freq_hz: NDArray[np.float64], rate_hz: int
) -> NDArray[np.float64]:
    """Return the magnitude in dB at each frequency, same shape as `freq_hz`."""
    z1 = np.exp(-2j * np.pi * np.asarray(freq_hz, dtype=np.float64) / rate_hz)
    gain = np.ones_like(z1)
    for b0, b1, b2, a1, a2 in sections:
        gain = gain * (b0 + b1 * z1 + b2 * z1**2) / (1.0 + a1 * z1 + a2 * z1**2)
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(gain), 1e-300)))


def _angle(freq_hz: float, q: float, rate_hz: int) -> tuple[float, float]:
    w0 = 2.0 * math.pi * freq_hz / rate_hz
    return math.cos(w0), math.sin(w0) / (2.0 * q)


def _warped(freq_hz: float, q: float, rate_hz: int) -> tuple[float, float]:
    k = math.tan(math.pi * freq_hz / rate_hz)
    return k, k / q


def _gain_section(kind: str, a: float, cos_w: float, alpha: float) -> tuple[float, ...]:
    """The cookbook's bell and shelves; `a` is the square root of the gain."""
    if kind == "bell":
        return (1 + alpha * a, -2 * cos_w, 1 - alpha * a, 1 + alpha / a, -2 * cos_w, 1 - alpha / a)
    sign = 1.0 if kind == "low_shelf" else -1.0
    ap, am, c, r = a + 1.0, a - 1.0, sign * cos_w, 2.0 * math.sqrt(a) * alpha
    return (
        a * (ap - am * c + r),
        sign * 2.0 * a * (am - ap * c),
        a * (ap - am * c - r),
        ap + am * c + r,
        sign * -2.0 * (am + ap * c),
        ap + am * c - r,
    )


def _butterworth(high: bool, freq_hz: float, slope_db_per_oct: int, rate_hz: int) -> Sections:
    """Order n = slope/6: biquads with Q = 1/(2 cos θ), and a one-pole section when n is odd."""
    order = slope_db_per_oct // 6
    k = math.tan(math.pi * freq_hz / rate_hz)
    rows: list[tuple[float, ...]] = []
    if order % 2:
        b0, b1 = (1.0, -1.0) if high else (k, k)
        rows.append((b0, b1, 0.0, 1.0 + k, k - 1.0, 0.0))
    for index in range(order // 2):
        theta = math.pi * (index + 1 - 0.5 * (1 - order % 2)) / order
        kq = k * 2.0 * math.cos(theta)
        top = 1.0 if high else k * k
        middle = -2.0 * top if high else 2.0 * top
        rows.append((top, middle, top, 1.0 + kq + k * k, 2.0 * (k * k - 1.0), 1.0 - kq + k * k))
    return _normalised(rows)


def _normalised(rows: list[tuple[float, ...]]) -> Sections:
    table = np.array(rows, dtype=np.float64)
    return np.ascontiguousarray(np.delete(table, 3, axis=1) / table[:, 3:4])
