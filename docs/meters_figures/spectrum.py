"""Spectrum by band: tones, class limits, noise, and the sum of it all."""

from __future__ import annotations

import math
from functools import cache, partial

import numpy as np
import scipy.signal
from matplotlib.figure import Figure

import test_spectrum as spectra
from meters_figures.tables import AT_EACH_RATE, Row, at_each_rate, farthest, results, within
from mixwright.meters.bands import octaves, third_octaves

SINE_DB = 10.0 * math.log10(0.5)
THIRDS, OCTAVES = (0, 1, 2, 5, 16), (0, 1, 5)
INFINITE = 1000.0  # dB: where a limit is none
NOISES = {"white": (0.0, 0.0), "pink": (1.0, -3.0103), "red": (2.0, -6.0206)}


@cache
def tones(rate_hz: int) -> tuple[float, float]:
    """Return the worst level error of tones at midbands, and the loudest far band re the tone."""
    errors, leaks = [], []
    for index, band in enumerate(third_octaves(rate_hz)):
        levels = np.array(
            spectra.steady(spectra.sine(band.midband_hz, rate_hz), rate_hz).third_octave_db
        )
        errors.append(float(levels[index]) - SINE_DB)
        far = np.abs(np.arange(len(levels)) - index) >= 2
        leaks.append(float(levels[far].max()) - SINE_DB)
    return farthest(errors), max(leaks)


def least_margin(of_octaves: bool, rate_hz: int) -> float:
    """Return how far within class 1 the attenuation stays, in dB, at every point of the table."""
    limits = spectra.OCTAVE_LIMITS if of_octaves else spectra.THIRD_LIMITS
    bands = octaves(rate_hz) if of_octaves else third_octaves(rate_hz)
    margins = []
    for index in OCTAVES if of_octaves else THIRDS:
        for ratio, least, most in limits:
            for hz in (bands[index].midband_hz * ratio, bands[index].midband_hz / ratio):
                if hz >= rate_hz / 2:
                    continue
                found = attenuation(hz, index, of_octaves, rate_hz)
                margins += [found - least, most - found]
    return min(margins)


def attenuation(hz: float, index: int, of_octaves: bool = False, rate_hz: int = 48000) -> float:
    """Return how much less than the tone a band reads, in dB."""
    found = spectra.steady(spectra.sine(hz, rate_hz, 2.6), rate_hz)
    return SINE_DB - (found.octave_db if of_octaves else found.third_octave_db)[index]


def sum_error(rate_hz: int) -> float:
    """Return the worst difference in dB between all bands together and the power of the signal."""
    errors = []
    for frames in (1, 3001, 100003):
        random = np.random.default_rng(frames)
        level = random.uniform(0, 1, (frames, 1)) ** 4
        samples = random.standard_normal((frames, 2)) * level + 0.02
        samples[frames // 2] = 0.9
        found = spectra.fed(samples, rate_hz).readings()
        parts = spectra.powers((*found.third_octave_db, found.below_db, found.above_db)).sum()
        errors.append(10 * math.log10(float(parts) / ((samples**2).sum() / frames)))
    return farthest(errors)


def other_filters(exponent: float) -> float:
    """Return the worst difference in dB from Butterworth band-passes of order 3, on noise.

    These pass (π/6)/sin(π/6) = 1.0472 of the width, 0.200 dB more.
    """
    noise = spectra.coloured(1, 30.0, 48000, exponent)
    errors = []
    for band, level in zip(
        third_octaves(), spectra.fed(noise).readings().third_octave_db, strict=True
    ):
        edges = [band.low_hz, band.high_hz]
        sections = scipy.signal.butter(3, edges, "bandpass", fs=48000, output="sos")
        passed = float(np.mean(scipy.signal.sosfilt(sections, noise) ** 2))
        errors.append(level - 10 * math.log10(passed) + 0.2)
    return farthest(errors)


def by_rate() -> list[Row]:
    """Return what is checked at each rate."""
    errors, leaks = zip(*(tones(rate_hz) for rate_hz in spectra.RATES_HZ), strict=True)
    margins = at_each_rate(partial(least_margin, False)), at_each_rate(partial(least_margin, True))
    sums = at_each_rate(sum_error)
    return [
        within("tone at each midband: worst error", "dB", errors, 0.0, 0.05, 4),
        Row(
            "the same two or more bands away: loudest",
            "dB re tone",
            leaks,
            -60.0,
            -math.inf,
            0.0,
            1,
        ),
        Row("third octaves, class 1: least margin", "dB", margins[0], 0.0, 0.0, math.inf),
        Row("octaves, class 1: least margin", "dB", margins[1], 0.0, 0.0, math.inf),
        within("all bands and the rest less the signal's power", "dB", sums, 0.0, 1e-6, None),
    ]


def of_noise() -> list[Row]:
    """Return levels and slopes of noise at 48 kHz."""
    rows = [
        within(f"{name} noise less Butterworth filters, worst band", "dB", error, 0.0, 0.1)
        for name, error in (("white", other_filters(0.0)), ("pink", other_filters(1.0)))
    ]
    for name, (exponent, slope) in NOISES.items():
        found = spectra.fed(spectra.coloured(3, 30.0, 48000, exponent)).readings()
        reading = farthest([found.slope_db_per_octave])
        rows.append(within(f"slope of {name} noise", "dB/octave", reading, slope, 0.03, 3))
    return rows


def picture() -> Figure:
    """Draw the shape of two bands and the limits of class 1."""
    figure = Figure(figsize=(7.2, 4.0), layout="constrained")
    whole, near = figure.subplots(1, 2, width_ratios=(3, 2))
    shapes = {}
    for index, name, style in ((16, "1 kHz", "-"), (0, "25 Hz", (0, (5, 1.6)))):
        ratios = np.concatenate([np.geomspace(0.18, 0.85, 36), np.linspace(0.86, 1.16, 51)])
        ratios = np.concatenate([ratios, np.geomspace(1.18, 5.4, 36)])
        midband = third_octaves()[index].midband_hz
        shapes[name] = ratios, [attenuation(midband * ratio, index) for ratio in ratios], style
    ratio, least, most = (np.array(column) for column in zip(*spectra.THIRD_LIMITS, strict=True))
    inside = np.isfinite(most)
    for axes in (whole, near):
        for side in (ratio, 1.0 / ratio):
            axes.fill_between(side, np.minimum(least, 200.0), -5.0, color="0.87", lw=0)
            axes.fill_between(side[inside], most[inside], 200.0, color="0.87", lw=0)
        for (name, (at, values, style)), colour in zip(
            shapes.items(), ("#0072B2", "#D55E00"), strict=True
        ):
            axes.plot(at, values, linestyle=style, color=colour, lw=1.4, label=f"{name} band")
        axes.set_xscale("log")
        axes.minorticks_off()
        axes.set_xlabel("frequency over midband")
    whole.set(xlim=(0.18, 5.5), ylim=(100.0, -5.0), ylabel="relative attenuation, dB")
    whole.set_xticks([0.2, 0.5, 1.0, 2.0, 5.0], ["0.2", "0.5", "1", "2", "5"])
    near.set(xlim=(0.86, 1.16), ylim=(6.0, -0.8))
    near.set_xticks([0.9, 1.0, 1.1], ["0.9", "1", "1.1"])
    whole.legend(loc="upper right")
    return figure


def chapter() -> tuple[str, Figure]:
    """Return what was found of the spectrum, as Markdown, and its picture."""
    text = TEXT.format(
        by_rate=results(by_rate(), AT_EACH_RATE),
        of_noise=results(of_noise()),
        thirds=", ".join(third_octaves()[index].name for index in THIRDS),
        octaves=", ".join(octaves()[index].name for index in OCTAVES),
    )
    return text, picture()


TEXT = """\
## Spectrum: IEC 61260-1:2014

Tones at the exact midbands of every third octave, full scale in one channel: -3.01 dB. Class 1
limits relative attenuation at the points of its Table 1 (from a transcription of the standard),
tried on either side of the bands of {thirds} Hz and the octaves of {octaves} Hz: low bands are
the hard ones, their skirts being a few bins wide. These are limits of filters; that bands are cut
out of Fourier transforms here doesn't excuse them. The energies of all bands and of what lies
outside them add up to that of the signal.

{by_rate}
![Two third-octave bands against class 1](meters/third_octave.svg)

The grey is out of bounds; on the right the middle of the same.

Noise at 48 kHz: levels against filters of another make, Butterworth band-passes of order 3
corrected for their width; and the slope, 10 lg 2 dB an octave for each power of 1/f.

{of_noise}"""
