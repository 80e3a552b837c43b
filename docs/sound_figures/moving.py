"""Filters on the move, and filters on what two sides share or differ in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import scipy.signal
from matplotlib.axes import Axes
from numpy.typing import NDArray

from mixwright.dsp.band import BandSettings
from mixwright.dsp.curve import Curve, CurveMove
from mixwright.dsp.eq import BandRide, EqSettings
from mixwright.dsp.filters import design_moving_band
from mixwright.dsp.sweep import STEP
from sound_figures.drawing import IDEAL, Pictures, frequency_axis, panels, thinned
from sound_figures.filters import CENTRES_HZ, FAMILIES, LOOSE_HZ, RATES_HZ, analogue_db, swept
from sound_figures.page import Chapter, Measure, Picture
from sound_figures.signals import (
    RATE_HZ,
    Samples,
    column,
    decibels,
    frequencies,
    played,
    power_db,
    sine,
)

SWEEP_S = 4.0
SWEPT = {
    "bell, +18 dB, Q 4": (BandSettings("bell", 200.0, 18.0, 4.0), 8000.0),
    "low-pass, 24 dB per octave": (BandSettings("low_pass", 200.0, slope_db_per_oct=24), 8000.0),
}


def chapter(pictures: Pictures) -> Chapter:
    """Measure moving bands, and bands on mid or side."""
    return Chapter(
        "Moving filters, mid and side",
        (
            """A band whose frequency or gain moves is a trapezoidal state-variable filter whose
            values go in straight lines between points 256 samples apart (A. Wishnick,
            "Time-Varying Filters for Musical Applications", DAFx-14, 2014). Right means: it is
            where it was sent, it sounds there as the band at rest does, and moving it adds nothing
            of its own. Seen on noise, which has all frequencies at all times:""",
            _spectrograms(pictures),
            """A tone of 1 kHz while a bell of 12 dB passes over it. The ideal is the analogue
            bell's gain at 1 kHz for the frequency it has at that moment.""",
            *_passing(pictures),
            f"""Clicks: a tone of 200 Hz while a filter is swept over the whole range in 50 ms, and
            what appears above 16 kHz, where the tone has nothing. Stepped, for comparison, is the
            same filter set anew every {STEP} samples, with its state kept.""",
            *_clicks(pictures),
            """A band that moves somewhere in the song has one section for each of its prototypes,
            so near the top it can't be as close to the analogue one as the designs of bands at
            rest. That is the price of moving, and it has no limit here. The worst are shelves with
            a Q of 10, which ring, and steep passes near 20 kHz.""",
            _resting_measures(),
            """A band on the side of a stereo signal leaves the middle alone, and the other way
            round.""",
            *_mid_side(pictures),
        ),
    )


def _ride(band: BandSettings, to_hz: float, start_s: float, over_s: float) -> EqSettings:
    """An EQ of one band that goes up and comes back down after it has arrived."""
    start, length = round(start_s * RATE_HZ), round(over_s * RATE_HZ)
    moves = (CurveMove(start, length, to_hz), CurveMove(start + length, length, band.freq_hz))
    return EqSettings((band,), (BandRide(0, Curve("octaves", band.freq_hz, moves)),))


def _frequency_at(settings: EqSettings, seconds: Samples) -> Samples:
    """Where the band of :func:`_ride` is meant to be."""
    curve = settings.rides[0].freq_hz
    if curve is None:
        raise ValueError("the band has no ride")
    return np.array([curve.values(round(s * RATE_HZ), 1)[0] for s in seconds])


# --- spectrograms

LINES_HZ = 100.0 * 2.0 ** np.linspace(0.0, 7.3, 90)
FRAME = 4096


def _powers(block: Samples) -> tuple[Samples, NDArray[np.float64]]:
    """Times, and power (lines, times) about each of `LINES_HZ`, mean of all channels."""
    hz, seconds, found = scipy.signal.spectrogram(
        block, RATE_HZ, "hann", FRAME, FRAME - 1200, axis=0, detrend=False
    )
    power = found.mean(axis=1)
    edges = LINES_HZ[:, None] * 2.0 ** (np.array([-0.5, 0.5]) / 9.0)
    rows = [
        power[(hz >= low) & (hz <= high)].mean(axis=0)
        if np.any((hz >= low) & (hz <= high))
        else power[int(np.argmin(np.abs(hz - (low + high) / 2.0)))]
        for low, high in edges
    ]
    return np.asarray(seconds), np.array(rows)


def _spectrograms(pictures: Pictures) -> Picture:
    figure, axes = panels(2, 1, 4.6, sharex=True)
    random = np.random.default_rng(3)
    noises = [random.standard_normal((round(SWEEP_S * RATE_HZ), 2)) for _ in range(8)]
    for panel, (name, (band, to_hz)) in zip(axes, SWEPT.items(), strict=True):
        settings = _ride(band, to_hz, 0.5, 1.5)
        found = [_powers(played(settings, noise)) for noise in noises]
        plain = np.mean([_powers(noise)[1] for noise in noises], axis=0)
        seconds = found[0][0]
        level = 10.0 * np.log10(np.mean([power for _, power in found], axis=0) / plain)
        _draw(panel, level, seconds, _frequency_at(settings, seconds))
        panel.set_title(name)
    figure.colorbar(axes[0].images[0], ax=axes, label="dB", shrink=0.7, pad=0.015)
    axes[1].set_xlabel("s")
    return pictures.save(
        figure,
        "moving_spectrograms",
        "spectrograms of noise through a swept bell and a swept low-pass",
        "Noise through a bell and a low-pass that go from 200 Hz to 8 kHz and back; dashed, the "
        "frequency that was asked for.",
    )


def _draw(axes: Axes, level: Samples, seconds: Samples, asked_hz: Samples) -> None:
    octaves = np.log2(LINES_HZ)
    half = 0.5 * float(octaves[1] - octaves[0])
    extent = (float(seconds[0]), float(seconds[-1]), float(octaves[0]) - half,
              float(octaves[-1]) + half)  # fmt: skip
    axes.imshow(np.clip(level, -60.0, 18.0), origin="lower", aspect="auto", extent=extent,
                interpolation="none", cmap="viridis", vmin=-60.0, vmax=18.0)  # fmt: skip
    axes.plot(seconds, np.log2(asked_hz), color="white", linestyle=(0, (4, 3)), linewidth=1.0)
    ticks = (200, 500, 1000, 2000, 5000, 10000)
    axes.set_yticks(np.log2(ticks), ["200", "500", "1k", "2k", "5k", "10k"])
    axes.set_ylabel("Hz")
    axes.grid(visible=False)


# --- a tone that is passed


def _passing(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    band = BandSettings("bell", 250.0, 12.0, 1.0)
    settings = _ride(band, 4000.0, 0.5, 1.0)
    frames = 3 * RATE_HZ
    out = played(settings, column(sine(1000.0, frames)))[:, 0]
    # The middle of the analytic signal's spectrum: what changes slower than 100 Hz.
    sections = scipy.signal.butter(4, 100.0, fs=RATE_HZ, output="sos")
    carrier = np.exp(-2j * np.pi * 1000.0 * np.arange(frames) / RATE_HZ)
    found = decibels(np.abs(2.0 * scipy.signal.sosfiltfilt(sections, out * carrier)))
    at = np.arange(RATE_HZ // 4, frames - RATE_HZ // 4, 240)
    freqs = _frequency_at(settings, at / RATE_HZ)
    tone = np.array([1000.0])
    meant = np.array([float(analogue_db(replace(band, freq_hz=f), tone)[0]) for f in freqs])
    figure, (axes,) = panels(1, 1, 2.2)
    axes.plot(at / RATE_HZ, found[at], label="measured")
    axes.plot(at / RATE_HZ, meant, **IDEAL, label="ideal")
    axes.set(xlabel="s", ylabel="gain at 1 kHz, dB", ylim=(-0.5, 13.0))
    axes.legend(loc="upper left")
    shows = "gain of a tone over time while a bell passes over it twice"
    caption = "A bell goes from 250 Hz to 4 kHz and back, a second each way, over a tone of 1 kHz."
    picture = pictures.save(figure, "moving_tone", shows, caption)
    worst = float(np.abs(found[at] - meant).max())
    what = "gain of the tone furthest from the analogue bell's, four octaves a second"
    return picture, [Measure(what, worst, "dB", 0.1, source="ours: as for filters at rest")]


# --- clicks

CLICKED = {
    "bell, +18 dB, Q 10, 20 Hz to 18 kHz": (BandSettings("bell", 20.0, 18.0, 10.0), 18000.0),
    "low shelf, +18 dB, 20 Hz to 18 kHz": (BandSettings("low_shelf", 20.0, 18.0), 18000.0),
    "high-pass, 48 dB per octave, 20 Hz to 2 kHz": (
        BandSettings("high_pass", 20.0, slope_db_per_oct=48),
        2000.0,
    ),
}


def _click_spectrum(block: Samples) -> tuple[Samples, Samples]:
    """Frequencies and power by line of a signal that is windowed to its middle."""
    window = np.kaiser(len(block), 24.0)
    power = np.abs(np.fft.rfft(block * window)) ** 2
    return frequencies(len(block)), power / float(power.max())


def _stepped(settings: EqSettings, block: Samples) -> Samples:
    """The same band set anew every `STEP` samples: plain sections that keep their state."""
    band, out, state = settings.bands[0], block.copy(), None
    for start in range(0, len(block), STEP):
        freq_hz = float(_frequency_at(settings, np.array([start / RATE_HZ]))[0])
        rows = design_moving_band(replace(band, freq_hz=freq_hz), RATE_HZ)
        sections = np.insert(rows, 3, 1.0, axis=1)
        state = np.zeros((len(rows), 2)) if state is None else state
        out[start : start + STEP], state = scipy.signal.sosfilt(
            sections, block[start : start + STEP], zi=state
        )
    return out


def _clicks(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    tone = sine(200.0, RATE_HZ, -20.0)
    figure, (axes,) = panels(1, 1, 2.6)
    rows = []
    for name, (band, to_hz) in CLICKED.items():
        settings = _ride(band, to_hz, 0.45, 0.05)
        swept = played(settings, column(tone))[:, 0]
        for kind, out in (("swept", swept), ("stepped", _stepped(settings, tone))):
            hz, power = _click_spectrum(out)
            above = 10.0 * np.log10(float(power[hz >= 16000.0].sum() / power.sum()))
            limit = -100.0 if kind == "swept" else None
            rows.append(
                Measure(
                    f"{name} in 50 ms, {kind}: above 16 kHz",
                    above,
                    "dB",
                    limit,
                    source="ours" if limit else "for comparison",
                )
            )
            if band.type == "bell":
                level = 10.0 * np.log10(power + 1e-25)
                axes.plot(*thinned(hz[20:], level[20:], 700), label=kind, linewidth=1.2)
    axes.set(ylabel="dB re the strongest line", ylim=(-200.0, 5.0))
    frequency_axis(axes)
    axes.legend(loc="lower left")
    shows = "spectrum of a tone during a fast sweep, smooth and in steps"
    caption = "A tone of 200 Hz while a bell of 18 dB, Q 10, goes up and down within 100 ms."
    return pictures.save(figure, "moving_clicks", shows, caption), rows  # fmt: skip


# --- at rest again


def _resting_measures() -> list[Measure]:
    noise = np.random.default_rng(5).standard_normal((2 * RATE_HZ, 1))
    band = BandSettings("bell", 300.0, 9.0, 2.0)
    settings = EqSettings(
        (band,), (BandRide(0, Curve("octaves", 300.0, (CurveMove(9600, 9600, 3000.0),))),)
    )
    moved = played(settings, noise)[RATE_HZ:]
    rows = design_moving_band(replace(band, freq_hz=3000.0), RATE_HZ)
    still = scipy.signal.sosfilt(np.insert(rows, 3, 1.0, axis=1), noise, axis=0)[RATE_HZ:]
    off = power_db(moved - still) - power_db(still)
    found = [
        Measure("arrived at 3 kHz, minus the same section that never moved", off, "dB", -100.0,
                source="ours; scipy filters the other")
    ]  # fmt: skip
    for family, kinds in FAMILIES.items():
        for rate_hz in RATES_HZ:
            table = swept(kinds, rate_hz, design_moving_band, CENTRES_HZ[::2])
            for to, errors in ((16, table.tight_db), (20, table.loose_db)):
                what = f"moving {family} at {rate_hz / 1000:g} kHz: worst error to {to} kHz"
                source = "all settings as for filters at rest, half of the frequencies"
                found.append(Measure(what, float(errors.max()), "dB", source=source))
    return found


# --- mid and side


def _mid_side(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    band = BandSettings("bell", 3000.0, 6.0, 1.0)
    frames = 1 << 15
    figure, axes = panels(1, 2, 2.3, sharey=True)
    rows = []
    for panel, on, other in ((axes[0], "mid", "side"), (axes[1], "side", "mid")):
        settings = EqSettings((replace(band, on=on),))  # type: ignore[arg-type]
        found = {}
        for name, sign in (("mid", 1.0), ("side", -1.0)):
            block = np.zeros((frames, 2))
            block[0] = [1.0, sign]
            out = played(settings, block)
            hz = frequencies(frames)
            heard = (hz >= 50.0) & (hz <= LOOSE_HZ)
            half = 0.5 * (out[:, 0] + sign * out[:, 1])
            found[name] = decibels(np.abs(np.fft.rfft(half)))[heard]
            hz = hz[heard]
            panel.plot(*thinned(hz, found[name], 300), label=name)
        panel.plot(*thinned(hz, analogue_db(band, hz), 300), **IDEAL, label="analogue")
        panel.set(title=f"a bell on {on}", ylim=(-0.5, 7.0))
        frequency_axis(panel, 50.0)
        off = float(np.abs(found[on] - analogue_db(band, hz)).max())
        rows.append(
            Measure(
                f"on {on}: {on} off the analogue bell, to 20 kHz",
                off,
                "dB",
                0.25,
                source="as for filters",
            )
        )
        rows.append(
            Measure(
                f"on {on}: {other} changed by",
                float(np.abs(found[other]).max()),
                "dB",
                1e-9,
                source="rounding",
            )
        )
    axes[0].legend(loc="upper left")
    axes[0].set_ylabel("dB")
    shows = "responses of mid and side with a bell on one of them"
    return pictures.save(figure, "moving_mid_side", shows), rows  # fmt: skip
