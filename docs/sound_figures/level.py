"""Dither and its noise shaping, width and the way to mono."""

from __future__ import annotations

import math

import numpy as np
import scipy.signal

from mixwright.dsp.dither import MOST_GAIN_DB, Quantiser, hearing_threshold_db, shaping_filter
from mixwright.dsp.pan import width_matrix
from mixwright.meters import SoundMeter
from noise_measures import (
    filter_gain_db,
    iso_226_weighting_db,
    level_dbfs,
    noise_spectrum,
    quantising_error,
    weighted_level_dbfs,
)
from sound_figures.drawing import COLOURS, DASHES, IDEAL, Pictures, frequency_axis, panels, thinned
from sound_figures.page import Chapter, Measure, Picture
from sound_figures.signals import RATE_HZ, Samples, both_sides, column, decibels, sine

SURVEY = "Lipshitz, Wannamaker, Vanderkooy 1992"
TOTALS_DBFS = {16: -96.3296, 20: -120.412, 24: -144.4944}


def chapter(pictures: Pictures) -> Chapter:
    """Measure quantising noise, width and the mono sum."""
    return Chapter(
        "Dither, width and mono",
        (
            """Files of 16 and 24 bits get triangular dither of 2 LSB peak to peak (S. P. Lipshitz,
            R. A. Wannamaker, J. Vanderkooy, "Quantization and Dither: A Theoretical Survey", JAES
            40(5), 1992). Right means: the noise is LSB²/4 whatever the signal, and no trace of the
            signal is in it. Shaped, for 16 bits, it is moved to where the ear is dull: less audible
            by the threshold of hearing (E. Terhardt, Hearing Research 1(2), 1979), more in total.
            The mean of its level in dB over frequency can't change (M. A. Gerzon, P. G. Craven, AES
            87th Convention, 1989).""",
            _noise_picture(pictures),
            [*_total_measures(), *_shaped_measures()],
            """What dither is for: a 1 kHz tone at -90 dBFS in 16 bits. Rounded, it becomes a square
            wave with harmonics; dithered, it stays a tone in even noise.""",
            _soft_tone_picture(pictures),
            _soft_tone_measures(),
            """Width scales what differs between left and right and leaves their sum alone; mono is
            half of it on both sides. The correlation of a middle and a side that have nothing in
            common is (1 - k²)/(1 + k²), k being side over middle.""",
            _width_measures(),
        ),
    )


def _tone(rate_hz: int = RATE_HZ, seconds: float = 8.0) -> Samples:
    return column(sine(997.0, round(seconds * rate_hz), -12.0, rate_hz))


# --- noise


def _noise_picture(pictures: Pictures) -> Picture:
    figure, (axes,) = panels(1, 1, 3.0)
    for look, (label, rate_hz, shaped) in enumerate(
        (("plain, 48 kHz", 48000, False), ("shaped, 44.1 kHz", 44100, True),
         ("shaped, 48 kHz", 48000, True))
    ):  # fmt: skip
        error = quantising_error(_tone(rate_hz), 16, shaped=shaped, rate_hz=rate_hz)[:, 0]
        hz, density = noise_spectrum(error, rate_hz, 2048)
        level = 10.0 * np.log10(density[3:])
        axes.plot(*thinned(hz[3:], level, 350), color=COLOURS[look], linestyle=DASHES[look],
                  label=label, linewidth=1.2)  # fmt: skip
        white = 10.0 * math.log10(2.0**-32 / (rate_hz / 2.0))
        fine = np.geomspace(50.0, 20000.0, 200)
        ideal = filter_gain_db(shaping_filter(rate_hz), fine, rate_hz) if shaped else 0.0 * fine
        axes.plot(fine, white + ideal, **IDEAL)
    fine = np.geomspace(50.0, 20000.0, 200)
    ear = hearing_threshold_db(fine)
    axes.plot(fine, ear - ear.min() - 165.0, color="#777777", linestyle="-", linewidth=1.0,
              label="threshold of hearing, its shape")  # fmt: skip
    axes.set(ylabel="dB re full scale² per Hz", ylim=(-172.0, -95.0))
    frequency_axis(axes, 50.0)
    axes.legend(loc="upper left")
    return pictures.save(
        figure,
        "level_dither",
        "spectra of plain and shaped dither noise with what the filter predicts",
        "Quantising noise of 16 bits under a tone; dashed, what theory and filter predict.",
    )


def _total_measures() -> list[Measure]:
    rows = []
    for bits, dbfs in TOTALS_DBFS.items():
        found = level_dbfs(quantising_error(_tone(), bits)[:, 0])
        what = f"{bits} bits, plain: total noise"
        rows.append(Measure(what, found, "dBFS", 0.05, "about", dbfs, f"{SURVEY}: LSB²/4"))
    levels = np.arange(0.05, 1.0, 0.1) * 2.0**-15
    errors = [quantising_error(np.full((200000, 1), x), 16)[:, 0] for x in levels]
    powers = np.array([level_dbfs(error) for error in errors])
    means = max(abs(float(error.mean())) for error in errors) / 2.0**-15
    return [
        *rows,
        Measure("16 bits, plain: noise under constants of 0.05 to 0.95 LSB, power differs by",
                float(np.ptp(powers)), "dB", 0.1, source=f"{SURVEY}: independent of the signal"),
        Measure("16 bits, plain: the same, mean error", means, "LSB", 0.0056,
                source=f"{SURVEY}: none; five standard deviations of 200 000 samples"),
        Measure("digital silence: samples that are not zero", float(np.count_nonzero(
            Quantiser(16, 3).quantise(np.zeros((5000, 2))))), "", 0.0, source="by design"),
    ]  # fmt: skip


def _shaped_measures() -> list[Measure]:
    rows = []
    for rate_hz in (44100, 48000):
        plain, shaped = (
            quantising_error(_tone(rate_hz), 16, shaped=way, rate_hz=rate_hz)[:, 0]
            for way in (False, True)
        )
        place = f"shaped, {rate_hz / 1000:g} kHz"
        for name, weighting, least in (
            ("by the threshold of hearing", lambda hz: -hearing_threshold_db(hz), 16.0),
            ("by ISO 226 to 12.5 kHz", iso_226_weighting_db, 15.0),
        ):
            levels = [weighted_level_dbfs(noise, rate_hz, weighting) for noise in (plain, shaped)]
            what = f"{place}: less audible than plain, {name}, by"
            rows.append(Measure(what, levels[0] - levels[1], "dB", least, "least", source="ours"))
        total = level_dbfs(shaped) - level_dbfs(plain)
        rows.append(Measure(f"{place}: more in total, by", total, "dB", MOST_GAIN_DB + 0.2,
                            source="ours: 15 dB, and chance"))  # fmt: skip
        hz = np.asarray((np.arange(1 << 15) + 0.5) * rate_hz / 2.0**16, dtype=np.float64)
        mean = float(np.abs(filter_gain_db(shaping_filter(rate_hz), hz, rate_hz).mean()))
        rows.append(Measure(f"{place}: mean of the filter's gain over frequency is off 0 by", mean,
                            "dB", 1e-6, source="Gerzon, Craven 1989"))  # fmt: skip
    return rows


# --- a soft tone


def _soft_tone() -> dict[str, tuple[Samples, Samples]]:
    """Spectra of 1 kHz at -90 dBFS in 16 bits: level in dBFS of each line, by frequency."""
    frames = 16 * RATE_HZ
    tone = column(sine(1000.0, frames, -90.0))
    made = {
        "rounded": np.round(tone * 2.0**15) / 2.0**15,
        "dithered": Quantiser(16, 7).quantise(tone) / 2.0**31,
        "dithered, shaped": Quantiser(16, 7, True, RATE_HZ).quantise(tone) / 2.0**31,
    }
    found = {}
    for name, block in made.items():
        hz, power = scipy.signal.welch(
            block[:, 0], RATE_HZ, "hann", 4800, scaling="spectrum", detrend=False
        )
        found[name] = (np.asarray(hz), np.asarray(10.0 * np.log10(2.0 * power + 1e-30)))
    return found


def _soft_tone_picture(pictures: Pictures) -> Picture:
    figure, (axes,) = panels(1, 1, 2.6)
    for name, (hz, level) in _soft_tone().items():
        axes.plot(*thinned(hz / 1000.0, level, 700), linewidth=1.0, label=name)
    axes.set(xlabel="kHz", ylabel="dBFS a line of 10 Hz", xlim=(0.0, 16.0), ylim=(-160.0, -70.0))
    axes.legend(loc="upper right", ncols=3)
    return pictures.save(
        figure,
        "level_soft_tone",
        "spectra of a soft tone in 16 bits, rounded, dithered and with shaped dither",
        "1 kHz at -90 dBFS in 16 bits.",
    )


def _soft_tone_measures() -> list[Measure]:
    rows = []
    for name, (_, level) in _soft_tone().items():
        # Lines are 10 Hz apart; the noise about a harmonic is the middle of its neighbourhood.
        harmonics = [3, 5, 7, 9, 11]
        above = max(
            float(level[100 * n] - np.median(level[100 * n - 20 : 100 * n + 21])) for n in harmonics
        )
        limit = None if name == "rounded" else 2.0
        source = "" if limit is None else "chance of 319 averages is within 1 dB"
        what = f"{name}: harmonics 3 to 11, most above the noise about them"
        rows.append(Measure(what, above, "dB", limit, source=source))
    return rows


# --- width


def _width_measures() -> list[Measure]:
    rows = []
    middle, side = (sine(hz, RATE_HZ, -10.0) for hz in (1000.0, 1500.0))
    block = np.column_stack([middle + side, middle - side])
    for width, meant in ((0.0, 1.0), (50.0, 0.6), (100.0, 0.0), (200.0, -0.6)):
        out = block @ width_matrix(width)
        meter = SoundMeter(RATE_HZ, 2)
        meter.feed(np.ascontiguousarray(out))
        found = meter.readings().correlation
        if found is None:
            raise ValueError("there is no correlation to read")
        source = "(1 - k²)/(1 + k²), computed"
        what = f"width {width:.0f} %: correlation"
        rows.append(Measure(what, found, "", 1e-3, "about", meant, source))
    noise = np.random.default_rng(2).standard_normal((RATE_HZ, 2))
    sums = [
        float(np.abs((noise @ width_matrix(width)).sum(axis=1) - noise.sum(axis=1)).max())
        for width in (0.0, 30.0, 150.0, 200.0)
    ]
    folded = both_sides(0.5 * noise.sum(axis=1)) - noise @ width_matrix(0.0)
    return [
        *rows,
        Measure("width 0 to 200 %: largest change of the mono sum", float(decibels(max(sums))),
                "dBFS", -280.0, source="rounding of float64"),
        Measure("width 0 minus half the sum on both sides", float(decibels(np.abs(folded).max())),
                "dBFS", -280.0, source="rounding of float64"),
    ]  # fmt: skip
