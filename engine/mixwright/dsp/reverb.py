"""Reverb: convolution with an impulse response synthesised from decay figures.

Late tail: Gaussian noise, independent left and right, in octave bands that each decay at their
own rate (the noise model of J. A. Moorer, "About This Reverberation Business", 1979). The level is
set so that a send of 0 dB gives pink noise the same K-weighted loudness wet as dry.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.contract import TAIL_DB, bounded, check_bounds
from mixwright.dsp.convolution import RunningConvolution
from mixwright.dsp.eq import RunningCascade
from mixwright.dsp.filters import design_pass, k_weighting, response_db


@dataclass(frozen=True)
class ReverbSettings:
    """A room by its figures: time to decay by 60 dB, and factors on it by octave band."""

    decay_s: float = bounded(0.1, 20.0)
    pre_delay_ms: float = bounded(0.0, 500.0, default=0.0)
    decay_by_band: tuple[tuple[float, float], ...] = ()
    high_pass_hz: float | None = bounded(10.0, 2000.0, default=None)
    low_pass_hz: float | None = bounded(500.0, 22000.0, default=None)
    seed: int = bounded(0, 2**31 - 1, default=1)

    def __post_init__(self) -> None:
        check_bounds(self)

    def start(self, rate_hz: int, channels: int) -> RunningConvolution:
        """Return a running stereo convolution; mono input is not taken."""
        if channels != 2:
            raise ValueError("a reverb takes stereo blocks")
        return RunningConvolution(
            synthesise_impulse(self, rate_hz), self.tail_samples(rate_hz), CROSSFEED
        )

    def tail_samples(self, rate_hz: int) -> int:
        """Samples until the slowest band is `TAIL_DB` down, pre-delay included."""
        slowest = max([1.0, *(factor for _, factor in self.decay_by_band)])
        ring_s = self.decay_s * slowest * TAIL_DB / 60.0
        return math.ceil((ring_s + self.pre_delay_ms / 1000.0) * rate_hz)


OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
ONSET_MS = 1.5
# A source panned hard is heard in both sides of a room, nearer its own.
CROSSFEED = 0.3


def synthesise_impulse(settings: ReverbSettings, rate_hz: int) -> NDArray[np.float64]:
    """Return the impulse response, shape ``(samples, 2)``, the same bits for the same settings.

    >>> synthesise_impulse(ReverbSettings(0.5), 48000).shape[1]
    2
    """
    factors = dict(settings.decay_by_band)
    decays = np.array([settings.decay_s * _factor_at(hz, factors) for hz in OCTAVES_HZ])
    length = math.ceil(decays.max() * TAIL_DB / 60.0 * rate_hz)
    noise = np.random.default_rng(settings.seed).standard_normal((length, 2))
    seconds = np.arange(length) / rate_hz
    tail = np.zeros((length, 2))
    for decay_s, band in _octaves(noise, decays, rate_hz):
        tail += band * np.exp(-3.0 * math.log(10.0) * seconds / decay_s)[:, None]
    onset = max(1, int(ONSET_MS * rate_hz / 1000.0))
    tail[:onset] *= (np.arange(onset) / onset)[:, None]
    tail = _filtered(_faded(tail), settings, rate_hz)
    tail /= _pink_gain(tail, rate_hz)
    wait = np.zeros((round(settings.pre_delay_ms * rate_hz / 1000.0), 2))
    return np.ascontiguousarray(np.concatenate([wait, tail]))


def _factor_at(hz: float, factors: dict[float, float]) -> float:
    """The decay factor of a band: given ones, straight lines between them over log frequency."""
    if not factors:
        return 1.0
    known = sorted({**{1000.0: 1.0}, **factors}.items())
    return float(np.interp(math.log(hz), [math.log(f) for f, _ in known], [v for _, v in known]))


def _octaves(
    noise: NDArray[np.float64], decays: NDArray[np.float64], rate_hz: int
) -> Iterator[tuple[float, NDArray[np.float64]]]:
    """Yield the noise by decay time: octave bands with smooth slopes that sum to one.

    Bands of equal decay are kept together. The noise is split on a circle: it has no ends to smear.
    """
    from scipy import fft

    size = fft.next_fast_len(len(noise), real=True)
    spectrum = fft.rfft(noise, size, axis=0)
    octave = np.log2(np.maximum(fft.rfftfreq(size, 1.0 / rate_hz), 1e-3) / 1000.0)
    weights: dict[float, NDArray[np.float64]] = {}
    below = np.zeros_like(octave)
    for hz, decay_s in zip(OCTAVES_HZ, decays, strict=True):
        slope = np.clip((math.log2(hz / 1000.0) + 0.5 - octave) * 3.0 + 0.5, 0.0, 1.0)
        up_to = np.ones_like(octave) if hz == OCTAVES_HZ[-1] else np.sin(0.5 * np.pi * slope) ** 2
        weights[decay_s] = weights.get(decay_s, 0.0) + up_to - below
        below = up_to
    for decay_s, weight in weights.items():
        yield decay_s, fft.irfft(spectrum * weight[:, None], size, axis=0)[: len(noise)]


def _faded(tail: NDArray[np.float64]) -> NDArray[np.float64]:
    count = max(1, len(tail) // 20)
    tail[-count:] *= (np.cos(0.5 * np.pi * np.arange(count) / count) ** 2)[:, None]
    return tail


def _filtered(
    tail: NDArray[np.float64], settings: ReverbSettings, rate_hz: int
) -> NDArray[np.float64]:
    """The return's own low and high cut, applied to the response once instead of to the sound."""
    cuts = [
        design_pass("high_pass", settings.high_pass_hz, 12, rate_hz),
        design_pass("low_pass", settings.low_pass_hz, 12, rate_hz),
    ]
    return RunningCascade(np.concatenate(cuts), 2).process(np.ascontiguousarray(tail))


def _pink_gain(tail: NDArray[np.float64], rate_hz: int) -> float:
    """The gain in K-weighted loudness that the response gives to centred pink noise."""
    from scipy import fft

    size = fft.next_fast_len(len(tail), real=True)
    hz = fft.rfftfreq(size, 1.0 / rate_hz)
    audible = (hz >= 20.0) & (hz <= min(20000.0, 0.49 * rate_hz))
    power = np.mean(np.abs(fft.rfft(tail, size, axis=0)) ** 2, axis=1)[audible]
    weight = 10.0 ** (response_db(k_weighting(rate_hz), hz[audible], rate_hz) / 10.0) / hz[audible]
    return float(math.sqrt(np.sum(power * weight) / np.sum(weight)))
