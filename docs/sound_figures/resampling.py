"""Recordings at other rates: what the stem reader does to them."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import soxr

from resampling_measures import rejection_db, tone_response
from sound_figures.drawing import COLOURS, DASHES, LIMIT, Pictures, frequency_axis, panels
from sound_figures.page import Chapter, Measure, Picture
from sound_figures.signals import Samples

PAIRS = ((44100, 48000), (48000, 44100), (96000, 48000), (88200, 44100))
PASSED_HZ = (20, 50, 100, 200, 500, 1000, 2000, 3000, 5000, 7000, 10000, 13000, 16000, 18000, 19000,
             19500, 19840)  # fmt: skip
TONES_HZ = (1000, 5000, 10000, 15000, 19000)
# Above half of the lower rate: nothing of these may be left.
GONE_HZ = {
    (48000, 44100): (22500, 23000, 23500),
    (96000, 48000): (24500, 28000, 31000, 40000, 47000),
    (88200, 44100): (22500, 25000, 31000, 43000),
}


def chapter(pictures: Pictures) -> Chapter:
    """Measure passband, place, images and aliases of the conversion."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        passed = {pair: tone_response(folder, PASSED_HZ, *pair) for pair in PAIRS}
        images = {pair: [rejection_db(folder, hz, *pair) for hz in TONES_HZ] for pair in PAIRS}
        aliases = {
            pair: [rejection_db(folder, hz, *pair) for hz in tones]
            for pair, tones in GONE_HZ.items()
        }
    return Chapter(
        "Recordings at other rates",
        (
            f"""A stem whose rate is not the song's is converted by soxr {soxr.__version__} at its
            very high quality, in double precision. Right means: what can be heard keeps its level
            and its place in time, and nothing is left of images above the old range nor of aliases
            of what the lower rate can't hold. Tones go the way of a stem, through a file and the
            reader; the strongest line that was not there counts.""",
            _picture(pictures, images, aliases),
            [*_passed_measures(passed), *_gone_measures(images, aliases)],
        ),
    )


Rejections = dict[tuple[int, int], list[float]]


def _name(pair: tuple[int, int]) -> str:
    return " to ".join(f"{hz / 1000:g}" for hz in pair) + " kHz"


def _picture(pictures: Pictures, images: Rejections, aliases: Rejections) -> Picture:
    figure, (axes,) = panels(1, 1, 2.6)
    for look, pair in enumerate(PAIRS):
        tones = (*TONES_HZ, *GONE_HZ.get(pair, ()))
        axes.plot(
            tones,
            -np.array([*images[pair], *aliases.get(pair, [])]),
            color=COLOURS[look],
            linestyle=DASHES[look],
            marker="o",
            markersize=3.5,
            label=_name(pair),
        )
    axes.axhline(-120.0, **LIMIT)
    axes.set(ylabel="strongest other line, dB", ylim=(-265.0, -100.0))
    frequency_axis(axes, 900.0, 50000.0)
    axes.set_xlabel("Hz of the tone")
    axes.legend(loc="lower left", ncols=2)
    return pictures.save(
        figure,
        "level_resampling",
        "level of the strongest image or alias against the frequency of the tone",
        "Beyond half of the lower rate the tone itself has to go, and counts as an alias.",
    )


def _passed_measures(passed: dict[tuple[int, int], tuple[Samples, Samples]]) -> list[Measure]:
    rows = []
    for pair, (gain_db, delay) in passed.items():
        off, late = float(np.abs(gain_db).max()), float(np.abs(delay).max())
        what = f"{_name(pair)}: level off by, 20 Hz to 19.8 kHz"
        rows.append(Measure(what, off, "dB", 0.01, source="ours: below any audible step"))
        what = f"{_name(pair)}: place off by, 20 Hz to 19.8 kHz"
        rows.append(Measure(what, late, "samples", 0.001, source="ours"))
    return rows


def _gone_measures(images: Rejections, aliases: Rejections) -> list[Measure]:
    source = "ours: what 20 bits hold (6.02 dB a bit)"
    return [
        Measure(f"{_name(pair)}: weakest rejection of {kind}", min(found), "dB", 120.0, "least",
                source=source)
        for kind, table in (("images", images), ("aliases", aliases))
        for pair, found in table.items()
    ]  # fmt: skip
