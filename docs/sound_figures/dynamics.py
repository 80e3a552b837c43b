"""Compressor, expander and de-esser: curves, times, link, and the shelf that moves."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.de_esser import DeEsserSettings
from mixwright.dsp.expander import ExpanderSettings
from sound_figures.drawing import IDEAL, Pictures, frequency_axis, panels, thinned
from sound_figures.page import Chapter, Measure, Picture
from sound_figures.signals import RATE_HZ, Samples, column, decibels, played, sine

PAPER = "Giannoulis, Massberg, Reiss 2012, eq. 4"
TIMES = "63.2 % of a step in dB, same paper"
LEVELS_DB = np.arange(-60.0, 0.1, 0.5)
# Each level is held so long that its exponential is over.
HELD = RATE_HZ // 5
COMPRESSORS = (
    CompressorSettings(-20.0, 2.0, 0.05, 5.0, 6.0),
    CompressorSettings(-20.0, 4.0, 0.05, 5.0, 0.0),
    CompressorSettings(-20.0, 4.0, 0.05, 5.0, 12.0),
    CompressorSettings(-35.0, 10.0, 0.05, 5.0, 6.0),
)
EXPANDERS = (
    ExpanderSettings(-30.0, 2.0, 80.0, 0.05, 0.0, 5.0, 6.0),
    ExpanderSettings(-30.0, 2.0, 20.0, 0.05, 0.0, 5.0, 12.0),
    ExpanderSettings(-20.0, 10.0, 40.0, 0.05, 0.0, 5.0, 0.0),
)


def chapter(pictures: Pictures) -> Chapter:
    """Measure compressor, expander and de-esser."""
    return Chapter(
        "Dynamics",
        (
            """The compressor is the feed-forward one of D. Giannoulis, M. Massberg and J. D. Reiss
            ("Digital Dynamic Range Compressor Design - A Tutorial and Analysis", JAES 60(6), 2012):
            level in dB, static curve with a soft knee, then attack and release as exponentials of
            the gain reduction in dB. The expander (gate) mirrors its curve below the threshold.
            Right means: a steady level comes out where the formula puts it, and a step is 63.2 %
            done after the time that was asked for.""",
            _curves_picture(pictures),
            _curve_measures(),
            """Attack and release: a step that asks for 10 dB, heard by its peak or by its RMS. The
            ideal is the same detector as a differential equation, solved independently and not in
            samples. The mean square has a time of its own, 10 ms here, which comes before the
            attack; RMS is re amplitude 1.0, so a full-scale sine counts as -3.01 dB.""",
            _steps_picture(pictures),
            [*_time_measures(), *_expander_times(), *_link_measures()],
            """The de-esser hears the band above a frequency (24 dB per octave) and turns down only
            that: a first-order shelf whose corner sinks as it works, so that it takes half of the
            reduction at the frequency itself and nearly all of it above. To see the shelf, a loud
            tone near 12 kHz holds the reduction, and faint tones beside it are read.""",
            *_shelf(pictures),
        ),
    )


# --- static curves


def _staircase_db(settings: Any) -> Samples:
    """Output level in dB of each of `LEVELS_DB`, once settled."""
    steps = np.repeat(10.0 ** (LEVELS_DB / 20.0), HELD)
    return decibels(played(settings, column(steps))[HELD - 1 :: HELD, 0])


def _above_db(level: Samples, threshold: float, slope: float, knee: float) -> Samples:
    """Eq. 4 of the paper: how much a level is turned down that is over the threshold."""
    over = level - threshold
    within = (over + knee / 2.0) ** 2 / (2.0 * max(knee, 1e-9))
    return np.asarray(slope * np.where(2.0 * np.abs(over) <= knee, within, np.maximum(over, 0.0)))


def _compressed_db(s: CompressorSettings, level: Samples) -> Samples:
    return level - _above_db(level, s.threshold_db, 1.0 - 1.0 / s.ratio, s.knee_db)


def _expanded_db(s: ExpanderSettings, level: Samples) -> Samples:
    wanted = _above_db(-level, -s.threshold_db, s.ratio - 1.0, s.knee_db)
    return np.asarray(level - np.minimum(wanted, s.range_db))


def _curves_picture(pictures: Pictures) -> Picture:
    figure, (left, right) = panels(1, 2, 3.4)
    for s in COMPRESSORS:
        label = f"{s.threshold_db:.0f} dB, {s.ratio:.0f}:1, knee {s.knee_db:.0f}"
        left.plot(LEVELS_DB, _staircase_db(s), label=label)
        left.plot(LEVELS_DB, _compressed_db(s, LEVELS_DB), **IDEAL)
    for e in EXPANDERS:
        label = f"{e.threshold_db:.0f} dB, 1:{e.ratio:.0f}, range {e.range_db:.0f}"
        right.plot(LEVELS_DB, _staircase_db(e), label=label)
        right.plot(LEVELS_DB, _expanded_db(e, LEVELS_DB), **IDEAL)
    left.set(title="compressor", ylabel="out, dB", ylim=(-60.0, 0.0))
    right.set(title="expander", ylim=(-100.0, 0.0))
    for axes in (left, right):
        axes.set(xlabel="in, dB", xlim=(-60.0, 0.0))
        axes.legend(loc="lower right" if axes is left else "upper left")
    return pictures.save(
        figure,
        "dynamics_curves",
        "static curves of compressor and expander, measured over their formulas",
        "Steady levels in and out; the formula lies in each curve as a thin dashed line.",
    )


def _curve_measures() -> list[Measure]:
    rows = []
    cases: tuple[tuple[str, tuple[Any, ...], Any], ...] = (
        ("compressor", COMPRESSORS, _compressed_db),
        ("expander", EXPANDERS, _expanded_db),
    )
    for name, settings, ideal in cases:
        off = [np.abs(_staircase_db(s) - ideal(s, LEVELS_DB)).max() for s in settings]
        what = f"{name}: furthest from its curve, steady levels from -60 to 0 dBFS"
        rows.append(Measure(what, float(max(off)), "dB", 0.05, source=PAPER))
    # Worked from the formula: -20 dB, 2:1, 6 dB of knee.
    for level_db, out_db in ((-22.0, -22.0417), (-20.0, -20.375), (-17.0, -18.5)):
        at = int(np.argmin(np.abs(LEVELS_DB - level_db)))
        found = float(_staircase_db(COMPRESSORS[0])[at])
        what = f"compressor, -20 dB, 2:1, knee 6 dB: {level_db:.0f} dBFS comes out at"
        rows.append(Measure(what, found, "dB", 0.05, "about", out_db, PAPER))
    return rows


# --- times


def _reduction_db(settings: Any, signal: Samples) -> Samples:
    out = played(settings, column(signal))[:, 0]
    return -decibels(out / signal)


def _detected(
    signal_db: tuple[float, float], settings: CompressorSettings, seconds: Samples
) -> Samples:
    """Reduction in dB after a step between two levels: the detector as differential equations.

    It has settled at the first level. Peak: dg/dt = (c - g) / tau. RMS: the mean square first.
    """
    before, after = (10.0 ** (level / 10.0) for level in signal_db)
    is_rms = settings.detector == "rms"

    def asked(square: float) -> float:
        level = np.array([10.0 * np.log10(square)])
        return float(level[0] - _compressed_db(settings, level)[0])

    def slope(_: float, state: Samples) -> list[float]:
        square, reduction = state
        wanted = asked(square if is_rms else after)
        time_ms = settings.attack_ms if wanted > reduction else settings.release_ms
        return [(after - square) / (settings.rms_ms / 1000.0), (wanted - reduction) / time_ms * 1e3]

    found = solve_ivp(
        slope, (0.0, float(seconds[-1])), [before, asked(before)], t_eval=seconds,
        rtol=1e-8, atol=1e-9, max_step=1e-3,
    )  # fmt: skip
    return np.asarray(found.y[1])


def _step_pair(detector: Any) -> tuple[CompressorSettings, Samples, Samples]:
    """Settings, and reduction over time: measured and ideal; 0.3 s up, 0.7 s down."""
    settings = CompressorSettings(-20.0, 2.0, 10.0, 100.0, 0.0, detector=detector)
    loud, quiet = np.full(int(0.3 * RATE_HZ), 1.0), np.full(int(0.7 * RATE_HZ), 10.0**-1.5)
    found = _reduction_db(settings, np.concatenate([quiet, loud, quiet]))[len(quiet) :]
    ideal = [
        _detected(levels, settings, np.arange(1, count + 1) / RATE_HZ)
        for levels, count in (((-30.0, 0.0), len(loud)), ((0.0, -30.0), len(quiet)))
    ]
    return settings, found, np.concatenate(ideal)


def _steps_picture(pictures: Pictures) -> Picture:
    figure, (left, right) = panels(1, 2, 2.7, sharey=True, width_ratios=[1, 1.6])
    milliseconds = np.arange(1, RATE_HZ + 1) * 1000.0 / RATE_HZ
    for detector in ("peak", "rms"):
        _, found, ideal = _step_pair(detector)
        for axes in (left, right):
            axes.plot(*thinned(milliseconds, found, 900), label=detector)
            axes.plot(*thinned(milliseconds, ideal, 900), **IDEAL)
    left.set(title="attack 10 ms", xlim=(0.0, 80.0), ylabel="reduction, dB", xlabel="ms")
    right.set(title="release 100 ms", xlim=(250.0, 1000.0), xlabel="ms")
    for axes, at, up in ((left, 10.0, 1.0), (right, 400.0, 0.0)):
        axes.plot([at], [10.0 * (up - (2.0 * up - 1.0) / np.e)], "k+", markersize=9.0)
    left.legend(loc="lower right")
    return pictures.save(
        figure,
        "dynamics_steps",
        "gain reduction over time after a step up and down, for peak and RMS detectors",
        "A step of 10 dB of reduction up and down; the crosses are 63.2 % after 10 and 100 ms.",
    )


def _time_measures() -> list[Measure]:
    rows = []
    for attack_ms, release_ms in ((1.0, 50.0), (10.0, 100.0), (50.0, 500.0)):
        settings = CompressorSettings(-20.0, 2.0, attack_ms, release_ms, 0.0)
        seconds = 20.0 * attack_ms / 1000.0, 3.0 * release_ms / 1000.0
        loud, quiet = (
            np.full(int(s * RATE_HZ), level) for s, level in zip(seconds, (1.0, 0.03), strict=True)
        )
        found = _reduction_db(settings, np.concatenate([loud, quiet])) / 10.0
        up = _passes(found[: len(loud)], 1.0 - 1.0 / np.e)
        down = _passes(-found[len(loud) :], -1.0 / np.e)
        for name, asked_ms, at in (("attack", attack_ms, up), ("release", release_ms, down)):
            what = f"peak detector, {name} of {asked_ms:g} ms: 63.2 % after"
            ms = at * 1000.0 / RATE_HZ
            rows.append(Measure(what, ms, "ms", 0.03 * asked_ms, "about", asked_ms, TIMES))
    rows.append(_rms_of_a_sine())
    for detector in ("peak", "rms"):
        _, found, ideal = _step_pair(detector)
        what = f"{detector} detector, 10 and 100 ms: furthest from the exponential"
        source = "the detector as a differential equation"
        rows.append(Measure(what, float(np.abs(found - ideal).max()), "dB", 0.05, source=source))
    return rows


def _rms_of_a_sine() -> Measure:
    """The level at which the RMS detector hears a full-scale sine, from what it turns down."""
    settings = CompressorSettings(-20.0, 100.0, 10.0, 10.0, 0.0, detector="rms", rms_ms=300.0)
    signal = sine(1000.0, 3 * RATE_HZ)
    running = settings.start(RATE_HZ, 1)
    running.process(column(signal[: 2 * RATE_HZ]).copy())
    running.forget_readings()
    running.process(column(signal[2 * RATE_HZ :]).copy())
    heard = running.reduction.mean_db / 0.99 - 20.0
    what = "RMS detector: a full-scale sine of 1 kHz is heard at"
    return Measure(what, heard, "dBFS", 0.05, "about", -3.0103, "RMS of a sine (computed)")


def _passes(values: Samples, level: float) -> float:
    """At which count of samples a rising curve passes a level, with fractions."""
    after = int(np.argmax(values >= level))
    share = (level - values[after - 1]) / (values[after] - values[after - 1])
    return after + float(share)


def _expander_times() -> list[Measure]:
    settings = ExpanderSettings(-30.0, 10.0, 40.0, 0.5, 50.0, 120.0)
    loud, quiet = np.full(RATE_HZ // 2, 0.5), np.full(RATE_HZ, 5e-4)
    reduction = _reduction_db(settings, np.concatenate([quiet, loud, quiet]))
    opening = _passes(-reduction[RATE_HZ : RATE_HZ + len(loud)] / 40.0, -1.0 / np.e)
    after = reduction[RATE_HZ + len(loud) :]
    held = int(np.argmax(after > 0.0))
    closing = _passes(after[held - 1 :] / 40.0, 1.0 - 1.0 / np.e)
    ms = 1000.0 / RATE_HZ
    own = "the expander's own definition"
    return [
        Measure("expander, attack of 0.5 ms: open by 63.2 % after", opening * ms, "ms",
                0.03 * 0.5, "about", 0.5, TIMES),
        Measure("expander, hold of 50 ms: held for", held * ms, "ms", ms, "about", 50.0, own),
        Measure("expander, release of 120 ms: closed by 63.2 % after", closing * ms, "ms",
                0.03 * 120.0, "about", 120.0, TIMES),
    ]  # fmt: skip


def _link_measures() -> list[Measure]:
    rows = []
    block = np.column_stack([np.full(RATE_HZ, 0.5), np.full(RATE_HZ, 0.15)])
    asks = [
        float(level - _compressed_db(COMPRESSORS[1], np.array([level]))[0])
        for level in 20.0 * np.log10(block[0])
    ]
    for link in (0.0, 50.0, 100.0):
        settings = CompressorSettings(-20.0, 4.0, 0.05, 5.0, 0.0, link_percent=link)
        found = float(-decibels(played(settings, block)[-1, 1] / block[-1, 1]))
        what = f"link {link:.0f} %: the quieter side is turned down by"
        ideal = asks[1] + link / 100.0 * (asks[0] - asks[1])
        rows.append(Measure(what, found, "dB", 0.05, "about", ideal, "the share that was asked"))
    return rows


# --- de-esser

PROBES_HZ = np.unique(np.round(np.geomspace(50.0, 20000.0, 90))).astype(int)
HOLDER_HZ, FREQ_HZ = 11997, 6000.0


def _shelf_db(reduction_db: float) -> Samples:
    """Gain in dB at `PROBES_HZ` while the band is turned down by so much."""
    settings = DeEsserSettings(-60.0, FREQ_HZ, 20.0, reduction_db, 0.05, 500.0)
    frames = 3 * RATE_HZ
    faint = np.sum(
        [(-1.0) ** k * sine(hz, frames, -90.0) for k, hz in enumerate(PROBES_HZ)], axis=0
    )
    block = column(sine(HOLDER_HZ, frames, -6.0) + faint)
    out = played(settings, block)
    before, after = (np.fft.rfft(x[-RATE_HZ:, 0])[PROBES_HZ] for x in (block, out))
    return decibels(np.abs(after / before))


def _first_order_db(hz: Samples, reduction_db: float, warped: bool) -> Samples:
    """The shelf (1 + s sqrt g) / (1 + s / sqrt g), s from its frequency, in dB."""
    half = 10.0 ** (-reduction_db / 40.0)
    s = np.tan(np.pi * hz / RATE_HZ) / np.tan(np.pi * FREQ_HZ / RATE_HZ) if warped else hz / FREQ_HZ
    return np.asarray(decibels(np.abs((1.0 + 1j * s * half) / (1.0 + 1j * s / half))))


def _shelf(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    figure, (axes,) = panels(1, 1, 2.7)
    rows, worst = [], 0.0
    for reduction_db in (3.0, 6.0, 12.0, 20.0):
        found = _shelf_db(reduction_db)
        axes.plot(PROBES_HZ, found, label=f"{reduction_db:.0f} dB")
        ideal = _first_order_db(PROBES_HZ.astype(float), reduction_db, warped=False)
        axes.plot(PROBES_HZ, ideal, **IDEAL)
        meant = _first_order_db(PROBES_HZ.astype(float), reduction_db, warped=True)
        worst = max(worst, float(np.abs(found - meant).max()))
        at = float(np.interp(FREQ_HZ, PROBES_HZ, found))
        rows.append(
            Measure(
                f"turned down by {reduction_db:.0f} dB: gain at its frequency",
                at,
                "dB",
                0.1,
                "about",
                -reduction_db / 2.0,
                "half of the reduction",
            )
        )
        rows.append(
            Measure(
                f"turned down by {reduction_db:.0f} dB: gain at 300 Hz",
                float(np.interp(300.0, PROBES_HZ, found)),
                "dB",
                -0.1,
                "least",
                source="ours",
            )
        )
    axes.set(ylabel="gain, dB", ylim=(-21.0, 1.0))
    frequency_axis(axes)
    axes.legend(title="turned down by", loc="lower left")
    source = "first-order shelf by the bilinear transform"
    rows.append(
        Measure("furthest from the shelf, 50 Hz to 20 kHz", worst, "dB", 0.05, source=source)
    )
    shows = "gain over frequency of the de-esser at four reductions"
    caption = "Dashed: the analogue shelf; above 10 kHz the digital one reaches its floor sooner."
    return pictures.save(figure, "dynamics_de_esser", shows, caption), rows
