"""The late tail of a room: noise in octave bands that each decay at their own rate.

The model is J. A. Moorer's ("About This Reverberation Business", Computer Music Journal 3(2),
1979): exponentially decaying Gaussian noise. Three things are added so that a tail measures as it
was asked for. What octave filters will read is worked out beforehand, and the decays are set so
that the readings, not the bands, are those asked for (a filter hears its neighbours too, and the
slower one in the end). Each band is noise whose energy and correlation between the sides have been
evened out over a tenth of its decay: chance would otherwise bend short low decays by a third of
their length. And bands are made at no higher rate than they need, so that this costs no time.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.units import Floats

# Exact octaves about 1 kHz; the nominal names 31.5 ... 16000 are in the order of these.
OCTAVES_HZ = tuple(1000.0 * 2.0**octave for octave in range(-5, 5))
# Amplitude falls by 60 dB as exp(-DECAY_60 t / T).
DECAY_60 = 3.0 * math.log(10.0)
# Bands overlap by a sixth of an octave. Where neighbours differ, the edge moves into the slower one
# by an octave for each doubling, up to a third: its skirt would hide the faster one's decay.
SLOPES_PER_OCTAVE, MOST_SHIFT = 6.0, 1.0 / 3.0
# Evened out over a tenth of the decay but at least three periods of the band's width; not at all
# where bandwidth times decay is so large that chance does not matter (1 % of the decay).
EVENED_SHARE, EVENED_PERIODS, ENOUGH_CHANCE = 0.1, 3.0, 2000.0
# Bands start so long before the tail does, and their beginnings are cut away.
LEAD_S = 0.05
LOWEST_RATE = 256


@dataclass(frozen=True)
class DecayBand:
    """One band of the tail: its decay in seconds, its edges and nominal width in Hz.

    An edge of None is the end of the spectrum.
    """

    decay_s: float
    low_hz: float | None
    high_hz: float | None
    width_hz: float

    def power_at(self, hz: Floats) -> Floats:
        """Return the share of the noise power at each frequency that is this band's, 0 to 1."""
        share = np.ones_like(hz)
        if self.high_hz is not None:
            share = _below(hz, self.high_hz)
        if self.low_hz is not None:
            share = share - _below(hz, self.low_hz)
        return np.maximum(share, 0.0)


def factor_at(hz: Floats, factors: tuple[tuple[float, float], ...]) -> Floats:
    """Return the decay factors at frequencies: straight lines over log frequency between bands.

    1 kHz is 1 unless it is given.

    >>> factor_at(np.array([1000.0, 2000.0, 8000.0]), ((4000.0, 0.5),)).tolist()
    [1.0, 0.75, 0.5]
    """
    if not factors:
        return np.ones_like(hz)
    known = sorted({1000.0: 1.0, **dict(factors)}.items())
    return np.interp(np.log(hz), [math.log(f) for f, _ in known], [v for _, v in known])


def late_tail(bands: list[DecayBand], age_s: float, rate_hz: int, seed: int, length: int) -> Floats:
    """Return decaying noise ``(length, 2)`` in the bands that :func:`bands_for` gives.

    At sample 0 it has decayed for `age_s` from white noise of power 1 per sample. It begins there
    without any fade.

    >>> late_tail(bands_for(np.full(10, 0.5)), 0.0, 48000, 1, 24000).shape
    (24000, 2)
    """
    from scipy import fft

    lead = round(LEAD_S * rate_hz)
    size = LOWEST_RATE * fft.next_fast_len(-(-(length + lead) // LOWEST_RATE), real=True)
    random = np.random.default_rng(seed)
    total = np.zeros((2, size // 2 + 1), dtype=np.complex64)
    for band in _merged(bands):
        if band.low_hz is None or band.low_hz < 0.45 * rate_hz:
            spectrum = _band_spectrum(band, age_s, rate_hz, size, random)
            total[:, : spectrum.shape[1]] += spectrum
    tail = fft.irfft(total, size, axis=1)[:, lead : lead + length]
    return np.ascontiguousarray(tail.T, dtype=np.float64)


def bands_for(decays_s: Floats) -> list[DecayBand]:
    """Return ten bands which octave filters read as decaying in `decays_s`.

    Where a neighbour is so much slower that no decay would read as asked, the band has the decay
    that was asked for.
    """
    edges = _edges(decays_s)
    width = [hz / math.sqrt(2.0) for hz in OCTAVES_HZ]
    bands = [
        DecayBand(*each)
        for each in zip(decays_s, [None, *edges], [*edges, None], width, strict=True)
    ]
    if np.ptp(decays_s) == 0.0:
        return bands
    heard = _heard_energy(bands)
    set_s = decays_s.copy()
    for _ in range(10):
        read_s = np.array(
            [_read_decay(row, set_s, t) for row, t in zip(heard, decays_s, strict=True)]
        )
        set_s *= np.clip(decays_s / read_s, 0.7, 1.4) ** 0.8
        set_s = np.clip(set_s, 0.75 * decays_s, 1.25 * decays_s)
    set_s = np.where(set_s <= 0.75 * decays_s, decays_s, set_s)
    return [
        DecayBand(t, b.low_hz, b.high_hz, b.width_hz) for t, b in zip(set_s, bands, strict=True)
    ]


def _below(hz: Floats, edge_hz: float) -> Floats:
    octaves = np.log2(np.maximum(hz, 1e-3) / edge_hz)
    angle = np.clip(0.5 - SLOPES_PER_OCTAVE * octaves, 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * angle) ** 2)


def _edges(decays_s: Floats) -> list[float]:
    middle = np.array(OCTAVES_HZ[:-1]) * math.sqrt(2.0)
    shift = np.log2(decays_s[1:] / decays_s[:-1])
    return [float(hz) for hz in middle * 2.0 ** np.clip(shift, -MOST_SHIFT, MOST_SHIFT)]


def _heard_energy(bands: list[DecayBand]) -> Floats:
    """The power of each band (columns) behind each octave filter (rows): 24 dB per octave."""
    hz = 1000.0 * 2.0 ** np.arange(-5.6, 4.6, 1.0 / 48.0)
    power = np.stack([band.power_at(hz) * hz for band in bands])
    centre = np.array(OCTAVES_HZ)[:, None]
    passed = 1.0 / (1.0 + (math.sqrt(2.0) * (hz / centre - centre / hz)) ** 8)
    return np.asarray(np.einsum("jf,kf->jk", passed, power))


def _read_decay(power: Floats, decays_s: Floats, about_s: float) -> float:
    """T30 of a sum of exponential decays, as ISO 3382-1 has it read."""
    seconds = np.linspace(0.0, 1.5 * about_s, 300)
    falling = np.exp(-2.0 * DECAY_60 * seconds / decays_s[:, None])
    energy = np.sum((power * decays_s)[:, None] * falling, axis=0)
    level = 10.0 * np.log10(energy / energy[0])
    part = (level <= -5.0) & (level >= -35.0)
    at, level = seconds[part] - seconds[part].mean(), level[part]
    return float(-60.0 * np.sum(at * at) / np.sum(at * (level - level.mean())))


def _merged(bands: list[DecayBand]) -> Iterator[DecayBand]:
    """Neighbours of equal decay that need no evening out are made as one."""
    held: DecayBand | None = None
    for band in bands:
        if held is not None and held.decay_s == band.decay_s and not (_rough(held) or _rough(band)):
            held = DecayBand(held.decay_s, held.low_hz, band.high_hz, held.width_hz + band.width_hz)
            continue
        if held is not None:
            yield held
        held = band
    if held is not None:
        yield held


def _rough(band: DecayBand) -> bool:
    return band.width_hz * band.decay_s < ENOUGH_CHANCE


def _band_spectrum(
    band: DecayBand, age_s: float, rate_hz: int, size: int, random: np.random.Generator
) -> NDArray[np.complex64]:
    """The spectrum of one decaying band, up to half the rate that it needs."""
    from scipy import fft

    from mixwright.dsp.kernels.room import decay, even_out

    reach = 2.0 ** (0.5 / SLOPES_PER_OCTAVE)
    low_hz = 0.0 if band.low_hz is None else band.low_hz / reach
    high_hz = 0.5 * rate_hz if band.high_hz is None else band.high_hz * reach
    step = 1
    while step < LOWEST_RATE and rate_hz >= 2 * step * 2.6 * high_hz:
        step *= 2
    first = max(1, math.ceil(low_hz / rate_hz * size))
    last = min(size // 2, math.floor(high_hz / rate_hz * size) + 1)
    power = band.power_at(np.arange(first, last) * (rate_hz / size))
    spectrum = np.zeros((2, size // step // 2 + 1), dtype=np.complex64)
    noise = random.standard_normal((2, last - first, 2), dtype=np.float32).view(np.complex64)
    spectrum[:, first:last] = noise[:, :, 0] * np.sqrt(0.5 * size * power).astype(np.float32)
    sides = fft.irfft(spectrum, size // step, axis=1)
    if _rough(band):
        width_s = max(EVENED_PERIODS / band.width_hz, EVENED_SHARE * band.decay_s)
        mean_power = 2.0 * step * step * float(power.sum()) / size
        even_out(sides, max(1, round(width_s * rate_hz / step / 4.0)), mean_power)
    fall = DECAY_60 / band.decay_s
    lead = round(LEAD_S * rate_hz) / step
    decay(sides, lead, math.exp(-fall * age_s), fall * step / rate_hz)
    return np.asarray(fft.rfft(sides, axis=1))
