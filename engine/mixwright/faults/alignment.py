"""How two recordings of one source lie to each other: delay, polarity, and how much they share.

The cross-spectrum of two tracks is averaged over many short frames. What they share keeps its
phase from frame to frame and adds up; what they do not cancels. The magnitude-squared coherence
(G. Carter, C. Knapp and A. Nuttall, "Estimation of the magnitude-squared coherence function via
overlapped fast Fourier transform processing", IEEE Trans. Audio Electroacoustics 21(4), 1973, pp.
337-344) says how much that is at each frequency.

The delay is where the generalised cross-correlation with phase transform has its peak (C. Knapp
and G. Carter, "The generalized correlation method for estimation of time delay", IEEE Trans. ASSP
24(4), 1976): magnitudes are thrown away, so that different equalisers do not matter, and
frequencies count by their coherence. 1 is a pure delay, -1 one upside down, and two different
sounds that are merely played together come nowhere near either.

Between samples the peak is found on the band-limited curve itself, where frequencies count as in
the same paper's maximum-likelihood processor, by C / (1 - C). Equalisers turn the phase as well:
where it makes the peak higher, the phase that a minimum-phase filter has with the ratio of both
spectra is taken off first. What lies below the noise can't be known of that ratio: after a low-pass
the delay then includes some of the filter's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.meters.framing import framed, hann
from mixwright.units import Floats

Complex = NDArray[np.complex128]

FRAME_S = 0.17
REACH_S = 0.015
LOW_HZ, HIGH_HZ = 30.0, 20000.0
OVERSAMPLED = 4
# Frames fainter than this against the strongest do not get an equal vote.
FAINTEST = 0.01
# Coherence of frames that share nothing is 1/n: what counts has to be well above it.
CHANCE, LEAST_COHERENCE = 4.0, 0.1
LARGEST_COHERENCE = 0.98
# How far apart two readings of a delay, with and without the phase of equalisers, may lie.
CLOSE = 2.0
CEPSTRUM_S = 0.01
KNOWN, STEEPEST = 0.3, 3.0


@dataclass(frozen=True)
class Delay:
    """How the second of two signals lies to the first.

    `samples` is how much later it is; `peak` the height of the correlation there, negative if it is
    upside down, and `other` the largest height of the other sign. `share` is how much of both is
    common, 0 to 1, `bandwidth_hz` over how wide a band, `residual` the share of the energy of the
    second that a delay and a gain of the first leave over, and `gain` that gain.
    """

    samples: float
    peak: float
    other: float
    share: float
    bandwidth_hz: float
    residual: float
    gain: float


class CrossSpectra:
    """Cross-spectra of pairs of signals (n,), fed piece by piece.

    >>> noise = np.random.default_rng(1).standard_normal(48100)
    >>> spectra = CrossSpectra(48000)
    >>> spectra.feed(noise[100:], -0.5 * noise[70:-30])
    >>> found = spectra.delay()
    >>> round(found.samples, 3), round(found.peak, 2), round(found.gain, 2)
    (30.0, -1.0, -0.5)
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.size = 2 ** round(math.log2(FRAME_S * rate_hz))
        self._window = hann(self.size)
        self._first: list[Complex] = []
        self._second: list[Complex] = []

    def feed(self, first: Floats, second: Floats) -> None:
        """Take a piece of each, of the same place and length."""
        if len(first) < self.size:
            return
        for signal, kept in ((first, self._first), (second, self._second)):
            frames = framed(signal, self.size, self.size // 2)
            kept.append(np.fft.rfft(frames * self._window, axis=1))

    def delay(self) -> Delay | None:
        """Return the delay over everything fed, None if there was not enough of both."""
        if not self._first:
            return None
        first, second = np.concatenate(self._first), np.concatenate(self._second)
        powers = _power(first), _power(second)
        joint = np.sqrt(powers[0].sum(axis=1) * powers[1].sum(axis=1))
        if not joint.max() > 0.0:
            return None
        weights = 1.0 / np.maximum(joint, FAINTEST * joint.max())
        own, other = (weights @ power for power in powers)
        cross = np.einsum("i,ij,ij->j", weights, first.conj(), second)
        votes = weights * joint
        frames = 0.6 * float(votes.sum() ** 2 / (votes**2).sum())
        return self._delay(own, other, cross, frames)

    def _delay(self, own: Floats, other: Floats, cross: Complex, frames: float) -> Delay | None:
        freq_hz = np.arange(len(cross)) * self.rate_hz / self.size
        inside = (freq_hz >= LOW_HZ) & (freq_hz <= min(HIGH_HZ, 0.45 * self.rate_hz))
        coherence = np.abs(cross) ** 2 / np.maximum(own * other, 1e-300)
        chance = max(LEAST_COHERENCE, CHANCE / frames)
        weight = np.where(inside, np.clip((coherence - chance) / (1.0 - chance), 0.0, None), 0.0)
        total = float(weight.sum())
        if total <= 0.0:
            return None
        phase = cross / np.maximum(np.abs(cross), 1e-300)
        peak, opposite, samples = self._peak(phase, weight / total)
        corrected = phase * np.exp(-1j * _minimum_phase(own, other, weight, self.rate_hz))
        better = self._peak(corrected, weight / total)
        if better[0] * math.copysign(1.0, peak) > abs(peak) and abs(better[2] - samples) < CLOSE:
            samples = better[2]
        turned = cross * np.exp(2j * np.pi * np.arange(len(cross)) * samples / self.size)
        # Next to half the sample rate a turn of the phase is no delay: positive and negative meet.
        both = float(turned.real[inside].sum())
        energies = float(own[inside].sum()), float(other[inside].sum())
        return Delay(
            samples=samples,
            peak=peak,
            other=opposite,
            share=float(np.abs(cross[weight > 0.0]).sum()) / math.sqrt(energies[0] * energies[1]),
            bandwidth_hz=total**2 / float((weight**2).sum()) * self.rate_hz / self.size,
            residual=max(0.0, 1.0 - both**2 / (energies[0] * energies[1])),
            gain=both / energies[0],
        )

    def _peak(self, phase: Complex, weight: Floats) -> tuple[float, float, float]:
        """The height of the correlation at its peak, the largest of the other sign, and the lag."""
        size = OVERSAMPLED * self.size
        reach = round(REACH_S * self.rate_hz * OVERSAMPLED)
        lags = np.arange(-reach, reach + 1)
        curve = np.fft.irfft(weight * phase, size)[lags] * (size / 2.0)
        at = int(np.argmax(np.abs(curve)))
        sign = math.copysign(1.0, curve[at])
        opposite = -sign * max(0.0, float((-sign * curve).max()))
        likely = weight / (1.0 - np.minimum(weight / weight.max(), LARGEST_COHERENCE))
        samples = _sharpen(sign * phase, likely, float(lags[at] / OVERSAMPLED), self.size)
        return float(curve[at]), opposite, samples


def _power(spectra: Complex) -> Floats:
    return spectra.real**2 + spectra.imag**2


def _minimum_phase(own: Floats, other: Floats, weight: Floats, rate_hz: int) -> Floats:
    """Return the phase in radians that goes with the ratio of two power spectra.

    By the real cepstrum, folded onto positive times (A. Oppenheim and R. Schafer, Discrete-Time
    Signal Processing, 3rd edition, chapter 13, on cepstrum analysis), which is cut to smooth it.
    Where too little is common the ratio is taken to go on as it did, by the octave. Noise of both
    recordings largely drops out.
    """
    at = np.flatnonzero(weight >= KNOWN * weight.max())
    ratio = 0.5 * np.log(np.maximum(other[at], 1e-300) / np.maximum(own[at], 1e-300))
    whole = np.interp(np.arange(len(own)), at, ratio)
    for edge, beyond in (
        (at <= 2 * at[0], slice(0, at[0])),
        (2 * at >= at[-1], slice(at[-1], None)),
    ):
        octaves = np.log2(np.maximum(np.arange(len(own)), 1))
        x, y = octaves[at[edge]], ratio[edge]
        if len(x) >= 8:
            x = x - x.mean()
            slope = np.clip(float(x @ y / (x @ x)), -STEEPEST, STEEPEST)
            level = float(y.mean()) + slope * (octaves - octaves[at[edge]].mean())
            whole[beyond] = level[beyond]
    cepstrum = np.fft.irfft(whole)
    kept = round(CEPSTRUM_S * rate_hz)
    folded = np.zeros(len(cepstrum))
    folded[1:kept] = 2.0 * cepstrum[1:kept]
    return np.asarray(np.fft.rfft(folded).imag)


def _sharpen(phase: Complex, weight: Floats, samples: float, size: int) -> float:
    """Climb from a sample near the peak of Σ w cos(phase + 2π k t / size) to the peak itself.

    Newton's steps on the slope; a step of more than half the grid is not believed.
    """
    turn = 2.0 * np.pi * np.arange(len(phase)) / size
    used = weight > 0.0
    turn, phase, weight = turn[used], phase[used], weight[used]
    start = samples
    for _ in range(6):
        rotated = phase * np.exp(1j * turn * samples)
        slope = -float((weight * turn * rotated.imag).sum())
        bend = -float((weight * turn**2 * rotated.real).sum())
        if bend >= 0.0:
            break
        samples -= slope / bend
    return samples if abs(samples - start) <= 0.5 else start
