"""True peak against EBU Tech 3341 and ideal interpolation; its error over frequency."""

from __future__ import annotations

from fractions import Fraction
from functools import partial
from statistics import fmean

import numpy as np
import pyebur128
import scipy.signal
from matplotlib.figure import Figure
from numpy.typing import NDArray

import test_spectrum as spectra
import test_true_peak as peaks
from meters_figures.tables import AT_EACH_RATE, Row, at_each_rate, farthest, number, results, table

Samples = NDArray[np.float64]
# Divisor of the sample rate, phase in degrees, amplitude, expected dBTP.
TONES = {
    15: (4, 0.0, 0.50, -6.0),
    16: (4, 45.0, 0.50, -6.0),
    17: (6, 60.0, 0.50, -6.0),
    18: (8, 67.5, 0.50, -6.0),
    19: (4, 45.0, 1.41, 3.0),
}
KINDS = {
    "white": "white noise",
    "two levels": "noise of two levels",
    "pink": "pink noise",
    "clipped": "clipped pink noise",
    "hits": "hits over pink noise",
}
SEEDS, FRAMES = range(20), 8192
TO_20_KHZ = Fraction(20000, 44100)
PHASES = np.linspace(0.0, np.pi, 9)


def tone(divisor: int, phase_deg: float, amplitude: float, rate_hz: int) -> float:
    """Return the reading of cases 15 to 19."""
    n = np.arange(rate_hz // 5)
    signal = amplitude * np.sin(2 * np.pi * n / divisor + np.radians(phase_deg))
    return peaks.read(peaks.faded(signal, rate_hz))


def joined(offset: int, rate_hz: int) -> Samples:
    """Return the signal of cases 20 to 23: a period of rate/4 in the midst of rate/6."""
    around = 0.5 * np.sin(2 * np.pi * np.arange(24 * 400) / 24)
    signal = np.concatenate([around, np.sin(2 * np.pi * np.arange(16) / 16), around])
    low_pass = scipy.signal.firwin(641, 0.95 / 4, window=("kaiser", 8.0))
    signal = peaks.faded(np.convolve(signal, low_pass, "same"), rate_hz * 2)
    return signal[offset::4]


def tech_3341() -> list[Row]:
    """Return cases 15 to 23."""
    rows = []
    for case, (divisor, phase_deg, amplitude, expected) in TONES.items():
        found = at_each_rate(partial(tone, divisor, phase_deg, amplitude))
        what = f"{case}: rate/{divisor}, {phase_deg:g}°, amplitude {amplitude:.2f}"
        rows.append(Row(what, "dBTP", found, expected, -0.4, 0.2))
    for offset in range(4):
        found = tuple(peaks.read(joined(offset, rate_hz)) for rate_hz in peaks.RATES_HZ)
        what = f"{20 + offset}: rate/4 amid rate/6, offset {offset}"
        rows.append(Row(what, "dBTP", found, 0.0, -0.4, 0.2))
    return rows


def steady(fraction: Fraction, phase: float) -> Samples:
    """Return a full-scale tone of a fraction of the rate, faded in and out slowly."""
    n = np.arange(3000)
    fade = 0.5 - 0.5 * np.cos(np.pi * np.clip(np.minimum(n, n[::-1]) / 1000, 0, 1))
    return np.asarray(fade * np.sin(2 * np.pi * float(fraction) * n + phase))


def simple_fractions() -> list[Fraction]:
    """Return the frequencies whose phases never move: simple fractions, up to half the rate."""
    return sorted({Fraction(k, m) for m in range(2, 25) for k in range(1, m) if 2 * k < m})


def errors_of_tones() -> list[tuple[Fraction, float, float]]:
    """Return each frequency with its lowest and its highest error in dB, over the phases."""
    found = []
    for fraction in simple_fractions():
        read = [peaks.read(steady(fraction, phase)) for phase in PHASES]
        found.append((fraction, min(read), max(read)))
    return found


def of_libebur128(signal: Samples) -> float:
    """Return that library's true peak in dB."""
    state = pyebur128.R128State(1, 48000, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(signal), len(signal))
    return peaks.decibels(pyebur128.get_true_peak(state, 0))


def to_20_khz(tones: list[tuple[Fraction, float, float]]) -> list[Row]:
    """Return the lowest and the highest error of what lies below 20 kHz at 44.1 kHz."""
    below = [(low, high) for fraction, low, high in tones if fraction <= TO_20_KHZ]
    ends = min(low for low, _ in below), max(high for _, high in below)
    what = f"tones: {len(below)} simple fractions of the rate, {len(PHASES)} phases"
    rows = [Row(what, "dB", ends, 0.0, -0.05, 0.05, 3)]
    for kind, name in KINDS.items():
        signals = [peaks.like_music(seed, kind) for seed in SEEDS]
        found = [peaks.read(signal) - peaks.ideal(signal) for signal in signals]
        rows.append(Row(name, "dB", (min(found), max(found)), 0.0, -0.05, 0.05, 3))
    return rows


def white(seed: int) -> Samples:
    """Return Gaussian noise up to half the sample rate."""
    return np.random.default_rng(seed).standard_normal(FRAMES)


def two_levels(seed: int) -> Samples:
    """Return random signs: the most that full band can hide between full-scale samples."""
    return np.sign(white(seed))


def clipped(seed: int) -> Samples:
    """Return pink noise clipped as hard as above, with all that this adds up to half the rate."""
    noise = spectra.coloured(seed, FRAMES / 44100, 44100, 1.0)
    return np.clip(noise, -1.2 * noise.std(), 1.2 * noise.std())


def full_band() -> str:
    """Return a table without limits: ours and another library's, lowest, mean, highest."""
    rows = []
    kinds = {"clipped pink noise": clipped, "white noise": white, "noise of two levels": two_levels}
    for name, make in kinds.items():
        signals = [make(seed) for seed in SEEDS]
        ideal = [peaks.ideal(signal) for signal in signals]
        for meter, read in (("ours", peaks.read), ("libebur128", of_libebur128)):
            errors = [read(signal) - at for signal, at in zip(signals, ideal, strict=True)]
            figures = (min(errors), fmean(errors), max(errors))
            rows.append([name, meter, *(number(value, 2) for value in figures)])
    return table(("full band, dB re ideal", "meter", "lowest", "mean", "highest"), rows)


def picture(tones: list[tuple[Fraction, float, float]]) -> Figure:
    """Draw the error of tones over frequency, and once more from near by."""
    figure = Figure(figsize=(7.2, 4.6), layout="constrained")
    whole, near = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    at = [float(fraction) for fraction, _, _ in tones]
    lowest, highest = ([entry[column] for entry in tones] for column in (1, 2))
    line = np.linspace(0.0, 0.5, 200)
    alone = 20.0 * np.log10(np.cos(np.pi * line / 4))
    whole.axhspan(-0.3, 0.3, color="0.93", lw=0, label="±0.3 dB, EBU R 128 to 20 kHz")
    whole.plot(line, alone, color="#D55E00", ls=(0, (5, 1.6)), label="four times alone, at worst")
    ours = near.axhspan(-0.05, 0.05, color="0.93", lw=0, label="±0.05 dB, ours to 20 kHz")
    for axes in (whole, near):
        axes.vlines(at, lowest, highest, color="#0072B2", lw=1.2)
        axes.plot(at, lowest, "v", color="#0072B2", ms=3, mew=0, label="measured, lowest")
        axes.plot(at, highest, "^", color="#0072B2", ms=3, mew=0, label="measured, highest")
        axes.axvline(float(TO_20_KHZ), color="0.4", lw=0.8, ls=":", label="20 kHz at 44.1 kHz")
        axes.set_ylabel("error, dB")
    whole.set(xlim=(0.0, 0.5), ylim=(-0.72, 0.35))
    near.set(ylim=(-0.06, 0.06))
    near.set_xlabel("frequency of the tone over the sample rate")
    whole.legend(loc="lower left")
    near.legend(handles=[ours], loc="lower left")
    return figure


def chapter() -> tuple[str, Figure]:
    """Return what was found of true peak, as Markdown, and its picture."""
    tones = errors_of_tones()
    text = TEXT.format(
        tech_3341=results(tech_3341(), AT_EACH_RATE),
        below=results(to_20_khz(tones), ("lowest", "highest")),
        full_band=full_band(),
        seeds=len(SEEDS),
        ideal=number(peaks.ideal(joined(0, 48000)), 2),
        beyond=number(farthest(e for f, *ends in tones if f > TO_20_KHZ for e in ends), 3),
    )
    return text, picture(tones)


TEXT = """\
## True peak: EBU Tech 3341 (v4), Table 1

Cases 20 to 23 are 0.0 dBTP by name only: what is made for them here reads {ideal} by
ideal interpolation, as told below.

{tech_3341}
## True peak against ideal interpolation

The ideal is the signal at 32 times its rate by one Fourier transform, silence around it: error is
our reading less that. The interpolator is the same at all rates, so 44.1 kHz is the hard one: the
signals here hold nothing above 20 kHz there, {seeds} of each noise. EBU R 128 (by Tech 3343,
2023) allows ±0.3 dB to 20 kHz; ±0.05 dB is ours.

{below}
![Error of the true peak over frequency](meters/true_peak.svg)

Tones at simple fractions of the rate are the awkward ones, since their samples meet the same
phases for ever. Four times oversampling alone would leave the dashed line; the parabola through
each crest takes it away. Beyond 20 kHz the worst tone is off by {beyond} dB.

**Full band is another matter.** Noise that reaches half the sample rate has no limit to meet, and
the meter strays from the ideal on both sides:

{full_band}
The interpolator has 48 taps. Near half the rate it lets go of what it should keep (so crests read
low) and keeps some of the mirror image that it should let go of (so some read high), whereas each
point of the ideal depends there on hundreds of samples on either side. Converters, whose filters
let go there as well, don't follow it either. Noise of two levels is there as a hard case, not as
a sound; clipped pink noise is the nearest of the three to a mix. libebur128, with shorter
filters, is there for comparison."""
