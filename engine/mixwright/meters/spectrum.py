"""Spectrum and stereo width by band, kept over time so that any stretch can be read afterwards.

Frames of two thirds of a second overlap by half. The window is power-complementary (its square and
that of its neighbour add up to one, the condition of J. Princen and A. Bradley, "Analysis/Synthesis
Filter Bank Design Based on Time Domain Aliasing Cancellation", IEEE Trans. ASSP 34(5), 1986), where
a Hann window would weigh samples between 0.5 and 1. With Parseval's theorem in each frame, **the
energies of all bands and of what lies outside them add up to the energy of the signal**, to
rounding. Its form, ``sin(π/2 sin²)``, falls off fast enough for every band from 25 Hz up to keep
the class 1 limits of IEC 61260-1:2014 on relative attenuation, which the tests hold it to.

A bin that an edge passes through is shared between the bands in proportion. Transforms are float64:
in float32 they would save a third of the time, but put a floor of their own some 145 dB under the
strongest band. Energies take 1 kB a frame, 3 kB a second.

With a shorter hop, for the way a spectrum goes in time, the limits hold from a band as much higher:
at 1/24 s, an eighth, from 200 Hz up. Bands below are no narrower than the window lets them be, and
the lowest share bins. Sums over bands stay exact at every hop.

Before its start and after its end the signal is silence: one that is cut off in full sound has the
click of that cut in its spectrum, as it has when played.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.meters.bands import THIRDS_PER_OCTAVE, FrequencyBand, octaves, third_octaves
from mixwright.meters.history import History
from mixwright.units import Block, Floats, or_silence, power_to_db, unless_silent

HOP_S = 1.0 / 3.0
# Frames transformed at once: the library does several with vector instructions, and the allocator
# keeps an array of this size, instead of mapping it afresh each time (three times as fast). Short
# frames go by more, so that calls cost little, but no more than the processor's cache holds.
BATCH, BATCH_SAMPLES = 4, 32768
SLOPE_LOW_HZ, SLOPE_HIGH_HZ = 63.0, 8000.0
LEFT, RIGHT, MID, SIDE = range(4)


@dataclass(frozen=True)
class SpectrumReadings:
    """Levels by band, from the lowest band up, and the width of the stereo image by octave.

    Levels are mean powers *added over channels* as in ITU-R BS.1770, in dB re 1.0: a full-scale
    sine reads -3.01 in one channel and 0.00 in both, and levels compare with LUFS; silence is None.
    The bands are those of `bands.third_octaves(rate_hz)` and `bands.octaves(rate_hz)`; `below_db`
    (DC included) and `above_db` are what lies outside the third octaves.

    `slope_db_per_octave` is that of the power density, least squares over the octaves from 63 Hz to
    8 kHz, in the way slopes of noise are given: white 0, pink -3.01. The slope of the octave levels
    themselves is 3.01 more. None if one of these octaves is silent.

    `correlation` is Σ L·R / √(Σ L²·Σ R²), None if a channel is silent; `side_to_mid_db` is the
    power of (L-R)/2 over that of (L+R)/2, inf without mid, -inf without side, None in silence. One
    channel counts as left and right alike.
    """

    seconds: float
    total_db: float | None
    below_db: float | None
    above_db: float | None
    third_octave_db: tuple[float | None, ...]
    octave_db: tuple[float | None, ...]
    slope_db_per_octave: float | None
    side_to_mid_db: float | None
    correlation: float | None
    octave_side_to_mid_db: tuple[float | None, ...]
    octave_correlation: tuple[float | None, ...]


class SpectrumMeter:
    """Fed blocks of one or two channels, any sizes; asked for any stretch.

    Frames are two hops long, and frame k is centred k hops after the start of what is fed. `hop_s`
    is rounded up to a length that transforms fast.

    >>> meter = SpectrumMeter(48000, 1)
    >>> meter.feed(np.sin(2 * np.pi * 1000 / 48000 * np.arange(96000))[:, None])
    >>> round(meter.readings().third_octave_db[16], 2)
    -3.01
    >>> meter.band_powers().shape, round(meter.hop_s, 4)
    ((7, 30), 0.3333)
    """

    def __init__(self, rate_hz: int, channels: int, hop_s: float = HOP_S) -> None:
        from scipy import fft

        self._fft = fft
        self._rate_hz, self._channels = rate_hz, channels
        if hop_s * rate_hz < 2.0:
            raise ValueError(f"hop_s is {hop_s:g}, expected two samples or more")
        # That or a little more: lengths made of twos, threes and fives are fast.
        self._hop = int(fft.next_fast_len(math.ceil(rate_hz * hop_s - 1e-6), real=True))
        self._batch = max(BATCH, min(BATCH_SAMPLES // self._hop, 64))
        self._window = _power_complementary(self._hop)
        self._edge_bins, self._into, self._out_of = _shares(rate_hz, self._hop)
        # The hop before and those under way; frame k is centred on sample k * hop.
        self._held = np.zeros((channels, (1 + self._batch) * self._hop))
        self._filled = 0
        self._windowed = np.empty((1 + self._batch, channels, 2 * self._hop))
        self._energies = History(len(self._into) - 1, 4, room=256)

    def feed(self, block: Block) -> None:
        """Take a block (frames, channels)."""
        done, hop = 0, self._hop
        while done < len(block):
            count = min(len(block) - done, self._batch * hop - self._filled)
            start = hop + self._filled
            self._held[:, start : start + count] = block[done : done + count].T
            self._filled += count
            done += count
            if self._filled == self._batch * hop:
                self._turn_over()

    def readings(
        self, start_s: float = 0.0, end_s: float | None = None, gain: float = 1.0
    ) -> SpectrumReadings:
        """Return what was measured from `start_s` to `end_s`, as if multiplied by `gain`.

        Nothing outside the stretch is heard: only frames that lie in it count, so its first and
        last hop fade in and out. Where the stretch reaches to an end of the signal, that end counts
        in full. A stretch that holds no frame (one of more than three hops always does) is read
        from the frame nearest to its middle, a hop either side.
        """
        chosen = self._chosen(start_s, end_s)
        weight = self._weights()[chosen].sum()
        power = self._energies_of(chosen).sum(axis=0) * (gain**2 / max(weight, 1.0))
        return _readings(power, self._channels, self._rate_hz, float(weight) / self._rate_hz)

    @property
    def hop_s(self) -> float:
        """The time from frame to frame as it is, in seconds."""
        return self._hop / self._rate_hz

    def band_powers(
        self, start_s: float = 0.0, end_s: float | None = None, gain: float = 1.0
    ) -> Floats:
        """Return the mean power of each third octave in each frame, shape ``(frames, bands)``.

        Added over channels, as if multiplied by `gain`. The columns are the 30 bands of
        `bands.third_octaves()`; those that the rate has no room for are zero. Rows are the frames
        that `readings` reads from the stretch, in order, centred on whole multiples of `hop_s`:
        from 0 if the stretch begins with the signal, else from the first whose frame lies in the
        stretch, one to two hops after `start_s`. There are none after the end of the signal. A
        frame that reaches beyond an end of the signal hears silence there: a steady tone begins and
        ends with half its power, and powers times `hop_s` add up to the energy.

        >>> meter = SpectrumMeter(48000, 2, hop_s=1 / 24)
        >>> meter.feed(np.full((48000, 2), 0.1) * np.sin(np.arange(48000) / 7.0)[:, None])
        >>> powers = meter.band_powers(0.25, 0.75)
        >>> powers.shape, round(float(powers[5].sum()), 4)
        ((11, 30), 0.01)
        """
        powers = self.band_powers_by_channel(start_s, end_s, gain)
        return np.asarray(powers.sum(axis=2))

    def band_powers_by_channel(
        self, start_s: float = 0.0, end_s: float | None = None, gain: float = 1.0
    ) -> Floats:
        """Return what `band_powers` does by channel, shape ``(frames, bands, channels)``."""
        return self.band_powers_all_ways(start_s, end_s, gain)[:, :, : self._channels]

    def band_powers_all_ways(
        self, start_s: float = 0.0, end_s: float | None = None, gain: float = 1.0
    ) -> Floats:
        """Return the same for left, right, (L+R)/2 and (L-R)/2, shape ``(frames, bands, 4)``.

        One channel counts as left and right alike.
        """
        energies = self._energies_of(self._chosen(start_s, end_s))
        powers = energies[:, 1 : 1 + len(third_octaves())] * (gain**2 / self._hop)
        powers[:, len(third_octaves(self._rate_hz)) :] = 0.0
        return np.asarray(powers)

    @property
    def _samples(self) -> int:
        return self._energies.index * self._hop + self._filled

    def _energies_of(self, chosen: NDArray[np.int64]) -> Floats:
        """The energies of these frames, shape ``(n, segments, 4)``."""
        known = self._energies.complete
        if not len(chosen) or chosen[-1] < len(known):
            return known[chosen]
        return np.concatenate([known, self._pending()])[chosen]

    def _turn_over(self) -> None:
        """A batch of hops is complete, and with it as many frames."""
        self._energies.window(self._batch - 1)[:] = self._analyse(self._held, self._batch)
        self._energies.advance(self._batch)
        self._held[:, : self._hop] = self._held[:, -self._hop :]
        self._filled = 0

    def _analyse(self, signal: Floats, frames: int) -> Floats:
        """Return the energies of the first frames of `signal` (channels, samples)."""
        from mixwright.meters.spectrum_kernels import band_powers

        size = 2 * self._hop
        windowed = self._windowed[:frames]
        for index in range(frames):
            start = index * self._hop
            np.multiply(signal[:, start : start + size], self._window, out=windowed[index])
        energies = np.empty((frames, *self._energies.rows.shape[1:]))
        spectra = self._fft.rfft(windowed, axis=2)
        for spectrum, into in zip(spectra, energies, strict=True):
            band_powers(spectrum, self._edge_bins, self._into, self._out_of, 1.0 / size, into)
        return energies

    def _pending(self) -> Floats:
        """The energies of the frames that reach beyond what has been fed, silence assumed there."""
        signal = np.zeros((self._channels, (2 + self._batch) * self._hop))
        known = self._hop + self._filled
        signal[:, :known] = self._held[:, :known]
        return self._analyse(signal, len(self._centres()) - self._energies.index)

    def _centres(self) -> NDArray[np.int64]:
        """Where all frames are centred, in samples; every sample lies in two of them."""
        frames = -(-self._samples // self._hop) + 1 if self._samples else 0
        return np.arange(frames) * self._hop

    def _chosen(self, start_s: float, end_s: float | None) -> NDArray[np.int64]:
        """The indices of the frames that a stretch is read from, shape ``(n,)``."""
        if end_s is not None and end_s <= start_s:
            raise ValueError(f"end_s is {end_s:g}, expected more than start_s, {start_s:g}")
        start = max(round(start_s * self._rate_hz), 0)
        end = self._samples
        if end_s is not None:
            end = min(end, round(end_s * self._rate_hz))
        if end <= start:
            return np.empty(0, dtype=np.int64)
        centres = self._centres()
        inside = (centres - self._hop >= start) | (start == 0)
        inside &= (centres + self._hop <= end) | (end == self._samples)
        if inside.any():
            return np.flatnonzero(inside)
        return np.array([np.abs(centres - (start + end) / 2).argmin()])

    def _weights(self) -> Floats:
        """The samples that each frame stands for: the window's energy over what there is."""
        energy = np.concatenate([[0.0], np.cumsum(self._window**2)])
        first = self._centres() - self._hop
        low, high = (np.clip(end - first, 0, 2 * self._hop) for end in (0, self._samples))
        return np.asarray(energy[high] - energy[low])


def _power_complementary(hop: int) -> Floats:
    """Return the window of two hops, shape ``(2 * hop,)``."""
    at = (np.arange(2 * hop) + 0.5) / (2 * hop)
    return np.asarray(np.sin(np.pi / 2 * np.sin(np.pi * at) ** 2))


def _shares(rate_hz: int, hop: int) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Where the edges of all segments lie among the bins, and how their bins are shared out.

    Segments are what lies below the third octaves, each of these, and what lies above. Bin k
    reaches from k - 1/2 to k + 1/2; the first and the last are half as wide and count once instead
    of twice.
    """
    bands = third_octaves()
    edges_hz = [0.0, bands[0].low_hz, *(band.high_hz for band in bands), math.inf]
    edges = np.clip(np.array(edges_hz) * 2 * hop / rate_hz, 0.0, hop)
    bins = np.minimum(np.floor(edges + 0.5).astype(np.int64), hop)
    # Twice the part of its bin that lies below an edge, bins 0 and `hop` having but half a bin.
    below = 2.0 * (edges - np.maximum(bins - 0.5, 0.0))
    whole = np.where((bins == 0) | (bins == hop), 1.0, 2.0)
    same = np.diff(bins, prepend=-1) == 0
    out_of = below - np.where(same, np.roll(below, 1), 0.0)
    # Where both edges of a segment share a bin, all of it is counted at the upper edge.
    into = np.where(np.diff(bins, append=hop + 1) == 0, 0.0, whole - below)
    return bins, into, out_of


def _readings(power: Floats, channels: int, rate_hz: int, seconds: float) -> SpectrumReadings:
    """Turn mean powers (segments, 4) into readings."""
    thirds, octave_bands = third_octaves(rate_hz), octaves(rate_hz)
    count = len(third_octaves())
    by_octave = power[1 : 1 + count].reshape(-1, THIRDS_PER_OCTAVE, 4).sum(axis=1)
    by_octave = by_octave[: len(octave_bands)]
    levels = power[:, LEFT] + (power[:, RIGHT] if channels == 2 else 0.0)
    octave_levels = by_octave[:, LEFT] + (by_octave[:, RIGHT] if channels == 2 else 0.0)
    octave_db = tuple(_level_db(level) for level in octave_levels)
    whole = power.sum(axis=0)
    return SpectrumReadings(
        seconds=seconds,
        total_db=_level_db(levels.sum()),
        below_db=_level_db(levels[0]),
        above_db=_level_db(levels[1 + len(thirds) :].sum()),
        third_octave_db=tuple(_level_db(level) for level in levels[1 : 1 + len(thirds)]),
        octave_db=octave_db,
        slope_db_per_octave=_slope(octave_db, octave_bands),
        side_to_mid_db=_side_to_mid_db(whole),
        correlation=_correlation(whole),
        octave_side_to_mid_db=tuple(_side_to_mid_db(band) for band in by_octave),
        octave_correlation=tuple(_correlation(band) for band in by_octave),
    )


def _level_db(power: float) -> float | None:
    return unless_silent(power_to_db(power))


def _slope(octave_db: tuple[float | None, ...], bands: tuple[FrequencyBand, ...]) -> float | None:
    """The least-squares slope of the density in dB per octave; None without a line to draw."""
    within = [
        (
            math.log2(band.midband_hz),
            or_silence(level) - 10.0 * math.log10(band.high_hz - band.low_hz),
        )
        for band, level in zip(bands, octave_db, strict=True)
        if SLOPE_LOW_HZ <= band.nominal_hz <= SLOPE_HIGH_HZ
    ]
    if len(within) < 2 or any(math.isinf(density) for _, density in within):
        return None
    octave, density = np.array(within).T
    octave -= octave.mean()
    return float(octave @ density / (octave @ octave))


def _side_to_mid_db(power: Floats) -> float | None:
    mid, side = float(power[MID]), float(power[SIDE])
    if mid <= 0.0:
        return math.inf if side > 0.0 else None
    return power_to_db(side / mid)


def _correlation(power: Floats) -> float | None:
    """Mid power less side power is the mean of left times right."""
    norm = math.sqrt(power[LEFT]) * math.sqrt(power[RIGHT])
    return float(np.clip((power[MID] - power[SIDE]) / norm, -1.0, 1.0)) if norm > 0.0 else None
