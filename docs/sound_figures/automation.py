"""Automation: a short song is rendered as a whole, and its gains are read from the file."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from unittest import mock

import numpy as np
import soundfile

import mixwright
from mixwright.dsp.curve import MOST_STEP_DB, MOST_STEP_OCTAVES, MOST_STEP_PLAIN, Curve, CurveMove
from mixwright.dsp.pan import pan_gains
from sound_figures.drawing import IDEAL, Pictures, panels, thinned
from sound_figures.page import Chapter, Measure, Picture
from sound_figures.signals import RATE_HZ, Samples, decibels

LEVEL = 0.1
MOVE_S, DROP_DB, DECLICK_S = 0.5, -12.0, 0.010
LINE_S, SMOOTH_S, HOLD_S, SECONDS = 0.5, 1.5, 2.5, 3.5
GAINS = (
    f"pan: L100, automation: {{gain_db: ["
    f"{{s: {LINE_S}, value: {DROP_DB}, over_ms: 500}}, "
    f"{{s: {SMOOTH_S}, value: 0, over_ms: 500, shape: smooth}}, "
    f"{{s: {HOLD_S}, value: {DROP_DB}, over_ms: 500, shape: hold}}]}}"
)
PAN_FROM_S, PAN_OVER_S = 0.5, 2.0
PANS = "pan: L100, automation: {pan: [{s: 0.5, value: R100, over_ms: 2000}]}"
MUTES = "pan: L100, automation: {mute: [{s: 1, value: true}, {s: 2, value: false}]}"


def chapter(pictures: Pictures) -> Chapter:
    """Measure moves of fader, pan and mute."""
    gains, pans, mutes = (_rendered(settings) for settings in (GAINS, PANS, MUTES))
    moves = gains[:, 0] / LEVEL
    return Chapter(
        "Automation",
        (
            """A fader, a send or a band's gain moves straight in dB, a frequency straight in
            octaves, a pan straight in its own unit (`line`); or along a raised cosine of the same
            unit, level at both ends (`smooth`); or it stays where it is and steps at the end of
            its time (`hold`). Right means: on that line, and no click. What clicks is a step from
            one sample to the next, so all steps are bounded, and a move that was asked to be faster
            takes as long as that needs. The curves are `engine/mixwright/dsp/curve.py`; here they
            are read from a rendered file of a constant, with all that lies on the way.""",
            _moves_picture(pictures, moves),
            [*_move_measures(moves), *_step_measures(moves, mutes[:, 0] / LEVEL)],
            """Pan: a mono track keeps its power wherever it is, by the sine and cosine of an angle
            (common practice). A ride from one side to the other goes through all of them.""",
            _pan_picture(pictures, pans / LEVEL),
            _pan_measures(pans / LEVEL),
        ),
    )


def _rendered(settings: str) -> Samples:
    """Render a song of one constant track and return the mix."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        flat = np.full((round(SECONDS * RATE_HZ), 1), LEVEL)
        soundfile.write(folder / "flat.wav", flat, RATE_HZ, subtype="DOUBLE")
        sheet = folder / "mix.yaml"
        sheet.write_text(
            f"format: 1\nsong: {{title: Constant, sample_rate_hz: {RATE_HZ}}}\n"
            f"tracks:\n  flat: {{file: flat.wav, {settings}}}\n",
            "utf-8",
        )
        with mock.patch.dict(os.environ, {"MIXWRIGHT_CACHE": str(folder / "cache")}):
            done = mixwright.render(sheet, folder / "mix.wav", format="wav32f")
        return np.asarray(soundfile.read(done.path, dtype="float64")[0])


def _ideal_db(seconds: Samples) -> Samples:
    """Where the fader is meant to be, in dB."""
    line = np.clip((seconds - LINE_S) / MOVE_S, 0.0, 1.0)
    smooth = np.clip((seconds - SMOOTH_S) / MOVE_S, 0.0, 1.0)
    hold = np.clip((seconds - HOLD_S - MOVE_S) / DECLICK_S, 0.0, 1.0)
    return np.asarray(DROP_DB * (line - (0.5 - 0.5 * np.cos(np.pi * smooth)) + hold))


def _moves_picture(pictures: Pictures, moves: Samples) -> Picture:
    seconds = np.arange(1, len(moves) + 1) / RATE_HZ
    figure, (axes,) = panels(1, 1, 2.4)
    axes.plot(*thinned(seconds, decibels(moves)), label="measured")
    axes.plot(*thinned(seconds, _ideal_db(seconds)), **IDEAL, label="ideal")
    for at, name in ((LINE_S, "line"), (SMOOTH_S, "smooth"), (HOLD_S, "hold")):
        axes.axvspan(at, at + MOVE_S, color="#eeeeee", linewidth=0.0)
        axes.text(at + 0.02, -13.9, name, fontsize=8.0)
    axes.set(xlabel="s", ylabel="gain, dB", xlim=(0.3, 3.3), ylim=(-15.5, 1.0))
    axes.legend(loc="lower center", ncols=2)
    return pictures.save(
        figure,
        "automation_moves",
        "gain over time of a line, a smooth move and a hold",
        "A line, a smooth move and a hold, each asked to take the half second that is shaded.",
    )


def _move_measures(moves: Samples) -> list[Measure]:
    level = decibels(moves)
    # A move has done its first part at the sample where it starts.
    away = np.abs(level - _ideal_db(np.arange(1, len(level) + 1) / RATE_HZ))
    found = []
    for name, start_s in (("line", LINE_S), ("smooth", SMOOTH_S), ("hold", HOLD_S)):
        first, last = round((start_s - 0.1) * RATE_HZ), round((start_s + 0.7) * RATE_HZ)
        what = f"`{name}`: furthest from where it is meant to be"
        worst = float(away[first:last].max())
        found.append(Measure(what, worst, "dB", 1e-3, source="the shape; the file is 32-bit float"))
    early = level[round(HOLD_S * RATE_HZ) : round((HOLD_S + MOVE_S) * RATE_HZ) - 1]
    return [
        *found,
        Measure("`hold`: moves before its time is over", float(np.ptp(early)), "dB", 1e-5),
    ]


def _step_measures(moves: Samples, mutes: Samples) -> list[Measure]:
    most_db, octaves, plain = MOST_STEP_DB, MOST_STEP_OCTAVES, MOST_STEP_PLAIN
    hard = Curve("dB", 0.0, (CurveMove(100, 1, -60.0),)).values(0, 4000)
    pitch = Curve("octaves", 20.0, (CurveMove(100, 1, 20000.0),)).values(0, 4000)
    side = Curve("plain", -100.0, (CurveMove(100, 1, 100.0),)).values(0, 4000)
    source = "ours: 0.1 dB is below what is heard as a step"
    return [
        Measure("largest step in these moves", _step(decibels(moves)), "dB/sample", most_db + 1e-4),
        Measure(
            "fader asked to fall 60 dB in one sample: largest step",
            _step(decibels(hard)),
            "dB/sample",
            most_db * 1.0001,
            source=source,
        ),
        Measure(
            "muted and back: largest step, of the full level",
            100.0 * _step(mutes),
            "%/sample",
            1.16,
            source="0.1 dB as a share",
        ),
        Measure(
            "frequency asked to go from 20 Hz to 20 kHz in one sample: largest step",
            _step(np.log2(pitch)),
            "octaves/sample",
            octaves * 1.0001,
            source="ours",
        ),
        Measure(
            "pan asked to change sides in one sample: largest step of a side's gain",
            100.0 * max(_step(gain) for gain in pan_gains(side)),
            "%/sample",
            100.0 * plain * np.pi / 400.0,
            source="1 % of pan is at most so much of full amplitude",
        ),
    ]


def _step(values: Samples) -> float:
    return float(np.abs(np.diff(values)).max())


def _pan_picture(pictures: Pictures, pans: Samples) -> Picture:
    seconds = np.arange(len(pans)) / RATE_HZ
    figure, (axes,) = panels(1, 1, 2.2)
    for side, name in ((pans[:, 0], "left"), (pans[:, 1], "right")):
        axes.plot(*thinned(seconds, side), label=name)
    axes.plot(*thinned(seconds, (pans**2).sum(axis=1)), label="power of both")
    angle = 0.5 * np.pi * np.clip((seconds - PAN_FROM_S) / PAN_OVER_S, 0.0, 1.0)
    axes.plot(*thinned(seconds, np.cos(angle)), **IDEAL, label="ideal")
    axes.plot(*thinned(seconds, np.sin(angle)), **IDEAL)
    axes.set(xlabel="s", ylabel="amplitude, power", xlim=(0.0, 3.0), ylim=(-0.05, 1.1))
    axes.legend(loc="center right")
    return pictures.save(
        figure,
        "automation_pan",
        "left and right gain and their power during a ride from left to right",
        "A pan ride from hard left to hard right over two seconds.",
    )


def _pan_measures(pans: Samples) -> list[Measure]:
    power = (pans**2).sum(axis=1)
    law = "sine and cosine law (computed)"
    # The ride is linear in pan, so that these places are passed at these shares of its time.
    quarter, half = (
        pans[round((PAN_FROM_S + share * PAN_OVER_S) * RATE_HZ) - 1] for share in (0.25, 0.5)
    )
    return [
        Measure(
            "power during the ride: furthest from constant",
            10.0 * float(np.abs(np.log10(power)).max()),
            "dB",
            1e-4,
            source="left² + right² = 1",
        ),
        Measure(
            "half way to the left: left",
            decibels(quarter[0]).item(),
            "dB",
            1e-3,
            "about",
            -0.6877,
            law,
        ),
        Measure(
            "half way to the left: right",
            decibels(quarter[1]).item(),
            "dB",
            1e-3,
            "about",
            -8.3432,
            law,
        ),
        Measure("centre: each side", decibels(half[0]).item(), "dB", 1e-3, "about", -3.0103, law),
    ]
