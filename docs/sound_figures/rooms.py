"""Reverbs, synthesised and recorded: decays, reflections, density, correlation, loudness."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

import room_acoustics as acoustics
from mixwright.dsp.late import factor_at
from mixwright.dsp.reverb import ReverbSettings, synthesise_impulse
from sound_figures.drawing import (
    COLOURS,
    DASHES,
    IDEAL,
    LIMIT,
    Pictures,
    frequency_axis,
    panels,
)
from sound_figures.page import Chapter, Measure, Picture
from sound_figures.reflections import reflections
from sound_figures.signals import RATE_HZ, Samples
from sound_figures.wet_and_dry import loudness, recorded

ISO = "ISO 3382-1:2009, T30; 5 % is its just noticeable difference"
FLAT: tuple[tuple[float, float], ...] = ()
TYPICAL, TILTED = ((125.0, 1.2), (4000.0, 0.7)), ((125.0, 1.5), (8000.0, 0.5))
BY_BAND = (("even", FLAT), ("typical", TYPICAL), ("steep", TILTED))
DECAYS_S, SEEDS = (0.3, 0.6, 1.0, 2.2, 4.0), (1, 2, 3)


def chapter(pictures: Pictures) -> Chapter:
    """Measure rooms by their impulse responses."""
    return Chapter(
        "Reverb",
        (
            """A room is a response that the sound is convolved with: early reflections of a
            rectangular room (image sources: J. B. Allen, D. A. Berkley, JASA 65(4), 1979) and
            decaying noise by octave (J. A. Moorer, Computer Music Journal 3(2), 1979). Right means:
            it decays as it was asked to in every octave, starts with reflections where mirrors put
            them, becomes dense soon and stays so, is different left and right, does not ring, and
            is as loud as the dry sound at a send of 0 dB.""",
            *_decays(pictures),
            """Early reflections: the response's first part and the image sources that fall into it.
            Times are read from the response, between its samples, and compared with the lengths of
            the paths over the six walls, mirrored by hand.""",
            *reflections(pictures),
            """Echo density is the share of samples beyond one standard deviation, over that of
            Gaussian noise (J. Abel, P. Huang, AES 121st Convention, 2006): near 0 for single
            echoes, 1 for what can't be told from noise.""",
            *_density(pictures),
            """Left and right of the late part, by octave, and the strongest spectral line of a tail
            whose decay was undone, against what chance gives Gaussian noise.""",
            *_sides(pictures),
            """Loudness: pink noise through the room once it has filled, against the dry noise
            (ITU-R BS.1770-5).""",
            *loudness(pictures),
            """A recorded room is cut to its onset and to where it sinks into its own noise, and set
            to the same loudness. The recording here is made up: noise that decays by 60 dB in 0.6
            s, after 200 ms of near silence, in noise 50 dB under its start.""",
            *recorded(pictures),
        ),
    )


# --- decays


def _decays(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    figure, (left, right) = panels(1, 2, 3.0)
    octaves, rows = np.array(acoustics.OCTAVES_HZ), []
    cases = [(name, factors, decay_s) for name, factors in BY_BAND for decay_s in DECAYS_S]
    for at, (name, factors, decay_s) in enumerate(cases):
        asked = decay_s * factor_at(octaves, factors)
        found = np.array([_read_decays(decay_s, factors, seed) for seed in SEEDS])
        off = 100.0 * (found / asked[None, :, None] - 1.0)
        what = f"decay {decay_s:g} s, {name}: T30 off by, worst of 7 octaves, 3 seeds, 2 sides"
        rows.append(Measure(what, float(np.abs(off).max()), "%", 5.0, source=ISO))
        look = at % len(DECAYS_S)
        if name == "steep":
            mark: Any = {"color": COLOURS[look], "marker": "osD^v"[look], "linestyle": "none"}
            left.plot(octaves, asked, **IDEAL)
            first = found[0].mean(axis=1)
            left.plot(octaves, first, label=f"{decay_s:g} s", markersize=4.0, **mark)
        beside = np.repeat(octaves * 2.0 ** ((at - 7.0) / 22.0), 6)
        of_name = at // len(DECAYS_S)
        mark = {"color": COLOURS[of_name], "marker": ".+x"[of_name], "linestyle": "none"}
        right.plot(beside, off.transpose(1, 0, 2).ravel(), markersize=2.5, **mark)
    left.set(title="T30, steep: asked and measured", ylabel="s", yscale="log", ylim=(0.1, 40.0))
    left.set_yticks([0.1, 0.2, 0.5, 1, 2, 5], ["0.1", "0.2", "0.5", "1", "2", "5"])
    left.legend(loc="upper right", ncols=3, columnspacing=1.0, handlelength=1.0)
    for limit in (-5.0, 5.0):
        right.axhline(limit, **LIMIT)
    right.set(title="T30 off by, all rooms, %", ylim=(-6.5, 6.5))
    for axes in (left, right):
        frequency_axis(axes, 80.0, 12500.0)
        axes.set_yticks([], minor=True)
    shows = "decay times by octave as asked and as measured, and how far they are off"
    caption = (
        "Right: every octave, side and seed of fifteen rooms, even (blue dots), typical (orange "
        "crosses) and steep (green x) over frequency."
    )
    return pictures.save(figure, "reverb_decays", shows, caption), [*rows, *_other_rates()]


def _other_rates() -> list[Measure]:
    rows, asked = [], 0.6 * factor_at(np.array(acoustics.OCTAVES_HZ), TYPICAL)
    for rate_hz in (44100, 96000):
        off = _read_decays(0.6, TYPICAL, 1, rate_hz) / asked[:, None] - 1.0
        what = f"decay 0.6 s, typical, at {rate_hz / 1000:g} kHz: T30 off by"
        rows.append(Measure(what, 100.0 * float(np.abs(off).max()), "%", 5.0, source=ISO))
    return rows


def _read_decays(
    decay_s: float, factors: tuple[tuple[float, float], ...], seed: int, rate_hz: int = RATE_HZ
) -> Samples:
    """T30 in seconds, shape (octaves, sides)."""
    settings = ReverbSettings(decay_s, decay_by_band=factors, seed=seed)
    times = acoustics.octave_decay_times_s(synthesise_impulse(settings, rate_hz), rate_hz)
    return np.array(list(times.values()))


# --- density


def _density(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    figure, (axes,) = panels(1, 1, 2.5)
    rows = []
    for decay_s in (0.6, 2.2, 6.0):
        impulse = synthesise_impulse(ReverbSettings(decay_s), RATE_HZ)
        reached, means, least = 0.0, [], []
        for side, channel in enumerate(impulse.T):
            flat = acoustics.without_decay(channel, decay_s, RATE_HZ)
            flat = flat[: int(min(0.9 * decay_s, 2.0) * RATE_HZ)]
            density = acoustics.echo_density(flat, RATE_HZ)
            reached = max(reached, _dense_after_ms(density))
            means.append(float(density[100:-20].mean()))
            least.append(float(density[100:-20].min()))
            if side == 0:
                axes.plot(
                    np.arange(10, 400), density[10:400], label=f"decay {decay_s:g} s", linewidth=1.2
                )
        source = "Abel, Huang 2006; Gaussian noise is 1"
        rows += [
            Measure(
                f"decay {decay_s:g} s: density is 0.9 after", reached, "ms", 100.0, source=source
            ),
            Measure(
                f"decay {decay_s:g} s: mean density from 100 ms on",
                min(means),
                "",
                0.03,
                "about",
                1.0,
                source,
            ),
            Measure(
                f"decay {decay_s:g} s: least density from 100 ms on",
                min(least),
                "",
                0.8,
                "least",
                source="Gaussian noise varies by 0.037 (SD)",
            ),
        ]
    axes.axhline(0.9, **LIMIT)
    axes.set(xlabel="ms", ylabel="echo density", xlim=(0.0, 400.0), ylim=(0.0, 1.2))
    axes.legend(loc="lower right")
    shows = "normalised echo density over the first 400 ms of three rooms"
    caption = "Left sides; a window of 20 ms moves over the response."
    return pictures.save(figure, "reverb_density", shows, caption), rows  # fmt: skip


def _dense_after_ms(density: Samples) -> float:
    """When it first reaches 0.9 after its lowest point; two equal echoes may look dense before."""
    # The first 10 ms see the edge of what is measured.
    lowest = 10 + int(np.argmin(density[10:200]))
    dense = np.flatnonzero(density[lowest:] >= 0.9)
    return float(lowest + dense[0]) if len(dense) else math.inf


# --- sides and lines


def _sides(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    figure, (axes,) = panels(1, 1, 2.2)
    rows = []
    cases = [
        (d, f, n, s)
        for d, f, n in ((0.8, FLAT, "even"), (2.2, TYPICAL, "typical"), (5.0, TILTED, "steep"))
        for s in SEEDS
    ]
    worst: dict[str, float] = {}
    broad = 0.0
    for decay_s, factors, name, seed in cases:
        settings = ReverbSettings(decay_s, decay_by_band=factors, seed=seed)
        late = synthesise_impulse(settings, RATE_HZ)[int(0.1 * decay_s * RATE_HZ) :]
        found = acoustics.octave_correlations(late, RATE_HZ)
        look = ("even", "typical", "steep").index(name)
        axes.plot(
            list(found),
            list(found.values()),
            color=COLOURS[look],
            linestyle=DASHES[look],
            marker="o",
            markersize=3.0,
            linewidth=0.9,
            label=f"decay {decay_s:g} s" if seed == 1 else None,
        )
        label = f"decay {decay_s:g} s"
        worst[label] = max(worst.get(label, 0.0), *(abs(value) for value in found.values()))
        broad = max(broad, abs(acoustics.channel_correlation(late)))
    for limit in (-0.2, 0.2):
        axes.axhline(limit, **LIMIT)
    axes.set(ylabel="correlation", ylim=(-0.3, 0.3))
    frequency_axis(axes, 200.0, 10000.0)
    axes.legend(loc="upper right", ncols=3)
    shows = "correlation of left and right by octave for three rooms and three seeds"
    picture = pictures.save(figure, "reverb_sides", shows)
    rows = [
        Measure(
            f"{label}: correlation of the sides, worst octave of 250 Hz to 8 kHz, 3 seeds",
            value,
            "",
            0.2,
            source="ours; 0 is independent",
        )
        for label, value in worst.items()
    ]
    rows.append(
        Measure("all of these: correlation of the sides, whole band", broad, "", 0.1, source="ours")
    )
    return picture, [*rows, *_lines()]  # fmt: skip


def _lines() -> list[Measure]:
    found, limit_db = [], 0.0
    for seed in (9, 10, 11):
        late = synthesise_impulse(ReverbSettings(4.0, seed=seed), RATE_HZ)[int(0.4 * RATE_HZ) :]
        for side in late[: 2 * RATE_HZ].T:
            flat = acoustics.without_decay(side, 4.0, RATE_HZ)
            found.append(acoustics.loudest_line_db(flat, RATE_HZ))
            limit_db = acoustics.line_limit_db(len(flat), RATE_HZ)
    return [
        Measure("decay 4 s, 3 seeds: strongest line over its third-octave", max(found), "dB",
                round(limit_db, 2), source="Gaussian noise exceeds this once in 1000"),
    ]  # fmt: skip
