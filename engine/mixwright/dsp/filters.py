"""Filter design: settings to second-order sections, float64.

A section is a row ``b0 b1 b2 a1 a2`` with a0 = 1. What a band is meant to do is written down as
analogue prototypes: bells, shelves and notches are those of R. Bristow-Johnson's Audio EQ Cookbook
(W3C Note, 2021), passes are Butterworth (S. Butterworth, "On the theory of filter amplifiers",
1930). Where the bilinear transform keeps their magnitude, the section is the cookbook's; where it
does not, sections are fitted to the prototypes, see :mod:`mixwright.dsp.fit`. A cut is the inverse
of its boost, so that both cancel. The K-weighting is that of ITU-R BS.1770-5.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache
from typing import cast

import numpy as np

from mixwright.dsp.band import PASSES, BandSettings, BandType
from mixwright.dsp.fit import Fit, FitTarget, Prototype, analogue_power, target_of
from mixwright.units import Floats

Sections = Floats
Candidates = Callable[[BandSettings, int], Iterator[tuple[float, Sections]]]

# Analogue parameters behind BS.1770-5 tables 1 and 2; at 48 kHz they reproduce the printed
# coefficients (values as in libebur128's filter initialisation).
K_SHELF_HZ, K_SHELF_DB, K_SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
K_SHELF_BAND_EXPONENT = 0.4996667741545416
K_PASS_HZ, K_PASS_Q = 38.13547087602444, 0.5003270373238773
# From this share of the sample rate on, the bilinear transform is of no use.
HIGHEST_PLAIN_SHARE = 0.49
DESIGNS_KEPT = 8192


@lru_cache(DESIGNS_KEPT)
def design_band(band: BandSettings, rate_hz: int) -> Sections:
    """Return the sections of one band, shape ``(n, 5)``; n is 0 for a band that does nothing.

    From 44.1 kHz on their magnitude is that of :func:`analogue_response_db` to 0.1 dB up to 16 kHz
    and 0.25 dB up to 20 kHz. Designs are kept, so the array is read-only. `on` plays no part.

    >>> design_band(BandSettings("bell", 1000.0, gain_db=6.0, q=1.0), 48000).shape
    (1, 5)
    """
    return _read_only(
        np.empty((0, 5)) if band.does_nothing else _designed(band, _candidates, rate_hz)
    )


@lru_cache(DESIGNS_KEPT)
def design_moving_band(band: BandSettings, rate_hz: int) -> Sections:
    """Return one section for each prototype of a band, as close to them as that many can come.

    For bands that move: the number of sections is the same for every frequency and gain, and 0 dB
    is a section that does nothing. Read-only, as :func:`design_band`.

    >>> design_moving_band(BandSettings("high_shelf", 9000.0), 48000).shape
    (1, 5)
    """
    if band.does_nothing:
        return _read_only(cookbook_sections(_within_reach(band, rate_hz), rate_hz))
    return _read_only(_designed(band, _moving_candidates, rate_hz))


def design_bands(bands: tuple[BandSettings, ...], rate_hz: int) -> Sections:
    """Return all sections of several bands in order, shape ``(n, 5)``."""
    return np.concatenate([np.empty((0, 5)), *(design_band(band, rate_hz) for band in bands)])


def design_pass(kind: str, freq_hz: float | None, slope_db_per_oct: int, rate_hz: int) -> Sections:
    """Return a Butterworth ``high_pass`` or ``low_pass``; no sections when `freq_hz` is None."""
    if freq_hz is None:
        return np.empty((0, 5))
    band = BandSettings(cast(BandType, kind), freq_hz, slope_db_per_oct=slope_db_per_oct)
    return design_band(band, rate_hz)


def prototypes_of(band: BandSettings) -> tuple[Prototype, ...]:
    """Return what a band is meant to do, as analogue filters at its frequency."""
    if band.type in PASSES:
        return _butterworth_prototypes(band.type == "high_pass", band.slope_db_per_oct // 6)
    a, q = 10.0 ** (band.gain_db / 40.0), _shelf_q(band)
    if band.type == "notch":
        return (Prototype((1.0, 0.0, 1.0), (1.0, 1.0 / q, 1.0)),)
    if band.type == "bell":
        return (Prototype((1.0, a / q, 1.0), (1.0, 1.0 / (a * q), 1.0)),)
    middle = math.sqrt(a) / q
    if band.type == "low_shelf":
        return (Prototype((a * a, a * middle, a), (1.0, middle, a)),)
    return (Prototype((a, a * middle, a * a), (a, middle, 1.0)),)


def analogue_response_db(band: BandSettings, freq_hz: Floats) -> Floats:
    """Return the magnitude in dB that a band is meant to have at each frequency in Hz.

    >>> band = BandSettings("bell", 10000.0, gain_db=6.0, q=1.0)
    >>> analogue_response_db(band, np.array([5000.0, 10000.0, 20000.0])).round(3).tolist()
    [1.884, 6.0, 1.884]
    """
    ratio = np.asarray(freq_hz, dtype=np.float64) / band.freq_hz
    power = analogue_power(prototypes_of(band), ratio**2)
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-300)))


def cookbook_sections(band: BandSettings, rate_hz: int) -> Sections:
    """Return the prototypes through the bilinear transform: the cookbook's own formulas."""
    if band.type in PASSES:
        return _butterworth(band.type == "high_pass", band.freq_hz, band.slope_db_per_oct, rate_hz)
    cos_w, alpha = _angle(band.freq_hz, _shelf_q(band), rate_hz)
    row: tuple[float, ...]
    if band.type == "notch":
        row = (1.0, -2.0 * cos_w, 1.0, 1.0 + alpha, -2.0 * cos_w, 1.0 - alpha)
    else:
        row = _gain_section(band.type, 10.0 ** (band.gain_db / 40.0), cos_w, alpha)
    return _normalised([row])


def design_cuts(
    high_pass_hz: float | None,
    low_pass_hz: float | None,
    rate_hz: int,
    slope_db_per_oct: int = 12,
) -> Sections:
    """Return a high-pass and a low-pass in a row, each left out where its corner is None.

    >>> design_cuts(200.0, None, 48000).shape
    (1, 5)
    """
    passes = (("high_pass", high_pass_hz), ("low_pass", low_pass_hz))
    return np.concatenate([design_pass(k, hz, slope_db_per_oct, rate_hz) for k, hz in passes])


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


def response_db(sections: Sections, freq_hz: Floats, rate_hz: int) -> Floats:
    """Return the magnitude in dB at each frequency, same shape as `freq_hz`."""
    z1 = np.exp(-2j * np.pi * np.asarray(freq_hz, dtype=np.float64) / rate_hz)
    gain = np.ones_like(z1)
    for b0, b1, b2, a1, a2 in sections:
        gain = gain * (b0 + b1 * z1 + b2 * z1**2) / (1.0 + a1 * z1 + a2 * z1**2)
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(gain), 1e-300)))


def _designed(band: BandSettings, candidates: Candidates, rate_hz: int) -> Sections:
    """The first candidate that is good, or else the best one; a cut is its boost undone."""
    if band.type == "notch":
        return cookbook_sections(_within_reach(band, rate_hz), rate_hz)
    best_score, best = math.inf, np.empty((0, 5))
    for score, sections in candidates(replace(band, gain_db=abs(band.gain_db)), rate_hz):
        if score < best_score:
            best_score, best = score, sections
        if score <= 1.0:
            break
    return _inverse(best) if band.gain_db < 0.0 else best


def _candidates(band: BandSettings, rate_hz: int) -> Iterator[tuple[float, Sections]]:
    """Designs with how far off they are (1 is good), from the simplest on."""
    prototypes = prototypes_of(band)
    target = target_of(prototypes, band.freq_hz, rate_hz)
    yield from _plain_candidate(band, target, rate_hz)
    fit = Fit(prototypes, target)
    fit.run()
    yield fit.score, fit.rows()
    # From where the fit ended up, and if that was a dead end, from the start.
    for longer in (fit, Fit(prototypes, target)):
        longer.extend()
        longer.run()
        yield longer.score, longer.rows()


def _moving_candidates(band: BandSettings, rate_hz: int) -> Iterator[tuple[float, Sections]]:
    """Designs that change little where the band does: each prototype is fitted by itself."""
    prototypes = prototypes_of(band)
    target = target_of(prototypes, band.freq_hz, rate_hz)
    yield from _plain_candidate(band, target, rate_hz)
    rows, power = [], np.ones_like(target.power)
    for prototype in prototypes:
        fit = Fit((prototype,), target_of((prototype,), band.freq_hz, rate_hz))
        fit.run()
        rows.append(fit.rows())
        power = power * fit.power
    yield target.score(power), np.concatenate(rows)


def _plain_candidate(
    band: BandSettings, target: FitTarget, rate_hz: int
) -> Iterator[tuple[float, Sections]]:
    if band.freq_hz <= HIGHEST_PLAIN_SHARE * rate_hz:
        score = target.score(analogue_power(prototypes_of(band), target.warped))
        yield score, cookbook_sections(band, rate_hz)


def _inverse(sections: Sections) -> Sections:
    """Sections that undo others: zeros become poles. A boost's zeros are inside the circle."""
    b0, b1, b2, a1, a2 = sections.T
    return np.ascontiguousarray(np.stack([1.0 / b0, a1 / b0, a2 / b0, b1 / b0, b2 / b0], axis=1))


def _within_reach(band: BandSettings, rate_hz: int) -> BandSettings:
    """The band, its frequency brought below half the sample rate."""
    return replace(band, freq_hz=min(band.freq_hz, HIGHEST_PLAIN_SHARE * rate_hz))


def _read_only(sections: Sections) -> Sections:
    sections.setflags(write=False)
    return sections


def _shelf_q(band: BandSettings) -> float:
    """The band's Q; that of a shelf may be given as its slope, 1/Q² = (A + 1/A)(1/S - 1) + 2."""
    if band.slope is None:
        return band.q
    a = 10.0 ** (band.gain_db / 40.0)
    return 1.0 / math.sqrt((a + 1.0 / a) * (1.0 / band.slope - 1.0) + 2.0)


def _butterworth_angles(order: int) -> list[float]:
    """The angles of the pole pairs from the negative real axis: Q = 1/(2 cos θ)."""
    pairs = range(order // 2)
    return [math.pi * (index + 1 - 0.5 * (1 - order % 2)) / order for index in pairs]


def _butterworth_prototypes(high: bool, order: int) -> tuple[Prototype, ...]:
    found = []
    if order % 2:
        found.append(Prototype((0.0, 1.0, 0.0) if high else (1.0, 0.0, 0.0), (1.0, 1.0, 0.0)))
    for theta in _butterworth_angles(order):
        top = (0.0, 0.0, 1.0) if high else (1.0, 0.0, 0.0)
        found.append(Prototype(top, (1.0, 2.0 * math.cos(theta), 1.0)))
    return tuple(found)


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
    """Order n = slope/6: pole pairs, and before them a one-pole section when n is odd."""
    order = slope_db_per_oct // 6
    k = math.tan(math.pi * freq_hz / rate_hz)
    rows: list[tuple[float, ...]] = []
    if order % 2:
        b0, b1 = (1.0, -1.0) if high else (k, k)
        rows.append((b0, b1, 0.0, 1.0 + k, k - 1.0, 0.0))
    for theta in _butterworth_angles(order):
        kq = k * 2.0 * math.cos(theta)
        top = 1.0 if high else k * k
        middle = -2.0 * top if high else 2.0 * top
        rows.append((top, middle, top, 1.0 + kq + k * k, 2.0 * (k * k - 1.0), 1.0 - kq + k * k))
    return _normalised(rows)


def _normalised(rows: list[tuple[float, ...]]) -> Sections:
    table = np.array(rows, dtype=np.float64)
    return np.ascontiguousarray(np.delete(table, 3, axis=1) / table[:, 3:4])
