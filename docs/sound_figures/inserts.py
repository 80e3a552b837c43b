"""Inserts: chorus and phaser against the library that runs them, saturation, pitch shift."""

from __future__ import annotations

import importlib.metadata
import math
from typing import Any

import numpy as np
import pedalboard

from mixwright.dsp.grid import CHUNK
from mixwright.dsp.inserts import (
    ChorusSettings,
    PhaserSettings,
    PitchShiftSettings,
    SaturationSettings,
)
from mixwright.dsp.saturation import KEPT_DBFS
from sound_figures.drawing import COLOURS, DASHES, LIMIT, Pictures, panels, thinned
from sound_figures.page import Chapter, Measure, Picture
from sound_figures.signals import (
    FLOOR_DB,
    RATE_HZ,
    Samples,
    column,
    decibels,
    difference_db,
    played,
    sine,
)

EACH: dict[str, Any] = {
    "chorus": ChorusSettings(1.7, 60.0, 9.0, 40.0, 50.0),
    "phaser": PhaserSettings(0.9, 80.0, 700.0, 60.0, 50.0),
    "saturation": SaturationSettings(12.0, 70.0),
    "pitch shift": PitchShiftSettings(3.7, 60.0),
}
DRIVES_DB = (0.0, 6.0, 12.0, 18.0, 24.0, 30.0, 40.0)
SEMITONES = (-24, -19, -12, -7, -5, -3, -1, -0.1, 0.1, 1, 3, 5, 7, 12, 19, 24)


def chapter(pictures: Pictures) -> Chapter:
    """Measure the effects within a strip."""
    return Chapter(
        "Inserts",
        (
            f"""Inserts work on chunks of {CHUNK} samples, whatever blocks the sound comes in. Right
            means: the blocks leave no trace, the untouched sound stays in time with the effect, and
            the effect is the one it claims to be. Chorus and phaser are run by the pedalboard
            library in single precision, so what is compared is our running effect with one call of
            that library on the whole signal. {FLOOR_DB:.0f} dB stands for no difference at all.""",
            _hosted_measures(),
            """Saturation is a tanh, worked at eight times the rate between linear-phase filters, so
            that harmonics above half the rate are taken out before they fold back. For comparison
            the same curve at the rate itself. Alias means every line that is no harmonic of the
            tone.""",
            *_saturation(pictures),
            """The pitch shift is a phase vocoder with locked phases (M. Puckette 1995; J. Laroche
            and M. Dolson 1999). Right means, on a steady tone: moved by equal temperament, as loud
            as before, and nothing beside it. Tones are its easy case; the last two lines are of
            hard ones: partials too close for its window of 64 ms to part, and a click.""",
            *_pitch(pictures),
        ),
    )


def _noise(seconds: float, seed: int = 4) -> Samples:
    return np.random.default_rng(seed).standard_normal((round(seconds * RATE_HZ), 2)) * 0.2


# --- blocks, and the library


def _hosted_measures() -> list[Measure]:
    signal, rows = _noise(1.0), []
    for name, settings in EACH.items():
        whole = played(settings, signal, size=len(signal) + 100000)
        pieces = max(
            float(np.abs(played(settings, signal, size=size) - whole).max()) for size in (97, 5000)
        )
        what = f"{name}: blocks of 97 and 5000 samples minus the whole, largest difference"
        rows.append(Measure(what, float(decibels(pieces)), "dB", FLOOR_DB, source="the same bits"))
    for name, settings in EACH.items():
        dry = played(type(settings)(**{**vars(settings), "mix_percent": 0.0}), signal)
        what = f"{name}: a mix of 0 minus the untouched sound, largest difference"
        off = float(decibels(float(np.abs(dry - signal).max())))
        rows.append(Measure(what, off, "dB", FLOOR_DB, source="the same bits"))
    version = importlib.metadata.version("pedalboard")
    for mix in (50.0, 100.0):
        chorus = pedalboard.Chorus(1.7, 0.6, 9.0, 0.4, mix / 100.0)
        phaser = pedalboard.Phaser(0.9, 0.8, 700.0, 0.6, mix / 100.0)
        for name, plugin in (("chorus", chorus), ("phaser", phaser)):
            settings = type(EACH[name])(**{**vars(EACH[name]), "mix_percent": mix})
            off = difference_db(played(settings, signal), _by_library(plugin, signal))
            what = f"{name}, mix {mix:.0f} %: difference from the library's own whole-file output"
            source = f"pedalboard {version}, in single precision"
            rows.append(Measure(what, off, "dB", -140.0, source=source))
    return rows


def _by_library(plugin: Any, signal: Samples) -> Samples:
    made = plugin(signal.T.astype(np.float32), RATE_HZ, reset=True)
    return np.asarray(made.T, dtype=np.float64)


# --- saturation


def _spectrum(channel: Samples) -> Samples:
    """Magnitudes by whole Hz of the middle second, through a window with side lobes at -180 dB."""
    start = (len(channel) - RATE_HZ) // 2
    return np.abs(np.fft.rfft(channel[start : start + RATE_HZ] * np.kaiser(RATE_HZ, 24.0)))


def _bent(hz: float, drive_db: float, level_db: float = 0.0) -> tuple[Samples, Samples]:
    """Spectra of a tone through the saturation, and through tanh at the rate itself."""
    tone = sine(hz, 3 * RATE_HZ // 2, level_db)
    ours = played(SaturationSettings(drive_db), column(tone))[:, 0]
    return _spectrum(ours), _spectrum(np.tanh(10.0 ** (drive_db / 20.0) * tone))


def _alias_db(found: Samples, hz: float) -> float:
    """The strongest line that is no harmonic, in dB re the tone."""
    at = np.arange(len(found)) / hz
    other = np.abs(at - np.round(at)) * hz > 30.0
    return float(decibels(found[other].max() / found[round(hz)]))


TONE_HZ = 5013


def _saturation(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    figure, (left, right) = panels(1, 2, 2.9, width_ratios=[1.6, 1.0])
    ours, plain = _bent(TONE_HZ, 12.0)
    hz = np.arange(len(ours)) / 1000.0
    for found, name in ((plain, "at the rate itself"), (ours, "ours")):
        level = np.maximum(decibels(found / found.max()), -190.0)
        # The two alternate in look as in the picture beside it.
        at = int(found is plain)
        left.plot(
            *thinned(hz, level, 900),
            color=COLOURS[at],
            linestyle=DASHES[at],
            linewidth=(1.3, 0.8)[at],
            label=name,
        )
    left.set(title="5 kHz, full scale, drive 12 dB", xlabel="kHz", ylabel="dB re the tone",
             ylim=(-190.0, 35.0), xlim=(0.0, 24.0))  # fmt: skip
    left.legend(loc="upper right", ncols=2)
    aliases = np.array([[_alias_db(s, TONE_HZ) for s in _bent(TONE_HZ, d)] for d in DRIVES_DB])
    right.plot(DRIVES_DB, aliases[:, 0], marker="o", markersize=3.5, label="ours")
    right.plot(DRIVES_DB, aliases[:, 1], marker="s", markersize=3.5, label="at the rate itself")
    right.plot([0.0, 12.0], [-80.0, -80.0], **LIMIT)
    right.set(title="strongest alias", xlabel="drive, dB", ylim=(-190.0, 35.0))
    right.legend(loc="upper left")
    shows = "spectrum of a saturated tone with and without oversampling, and alias against drive"
    caption = "What folds back of a saturated 5013 Hz tone, worked at eight times the rate or not."
    picture = pictures.save(figure, "inserts_saturation", shows, caption)
    rows = [
        Measure(f"drive {drive:.0f} dB: strongest alias of a full-scale tone at 5 kHz", alias, "dB",
                -80.0 if drive <= 12.0 else None, source="ours" if drive <= 12.0 else "")
        for drive, alias in zip(DRIVES_DB, aliases[:, 0], strict=True)
    ]  # fmt: skip
    return picture, [*rows, *_harmonic_measures()]


def _harmonic_measures() -> list[Measure]:
    """Harmonics of a tone at 500 Hz, -6 dBFS, against the Fourier series of tanh; level kept."""
    ours, _ = _bent(500.0, 12.0, -6.0)
    turn = 2.0 * np.pi * (np.arange(65536) + 0.5) / 65536
    series = np.fft.rfft(np.tanh(10.0**0.6 * 10.0**-0.3 * np.sin(turn)))
    rows = []
    for order in (3, 5, 7):
        found = float(decibels(ours[500 * order] / ours[500]))
        meant = float(decibels(abs(series[order] / series[1])))
        what = f"500 Hz, -6 dBFS, drive 12 dB: harmonic {order}"
        rows.append(Measure(what, found, "dB", 0.01, "about", meant, "Fourier series of tanh"))
    for drive_db in (6.0, 24.0):
        tone = column(sine(1000.0, RATE_HZ, KEPT_DBFS))
        out = played(SaturationSettings(drive_db), tone)
        middle = slice(RATE_HZ // 4, RATE_HZ // 2)
        off = 10.0 * math.log10(float(np.mean(out[middle] ** 2) / np.mean(tone[middle] ** 2)))
        what = f"drive {drive_db:.0f} dB: change of level of a tone at {KEPT_DBFS:.0f} dBFS"
        rows.append(Measure(what, off, "dB", 0.05, "about", 0.0, "ours: a bend adds no level"))
    return rows


# --- pitch shift


def _shifted(semitones: float) -> tuple[float, float, float]:
    """Pitch error in cents, side energy in dB re the tone, and change of level in dB."""
    tone = sine(441.0, 2 * RATE_HZ, -10.0)
    before = _spectrum(tone) ** 2
    power = _spectrum(played(PitchShiftSettings(semitones), column(tone))[:, 0]) ** 2
    hz = np.arange(float(len(power)))
    meant = 441.0 * 2.0 ** (semitones / 12.0)
    near = np.abs(hz - meant) < 12.0
    centre = float((power[near] * hz[near]).sum() / power[near].sum())
    side = 10.0 * math.log10(float(power[~near].sum() / power[near].sum()))
    level = 10.0 * math.log10(float(power.sum() / before.sum()))
    return 1200.0 * math.log2(centre / meant), side, level


def _pitch(pictures: Pictures) -> tuple[Picture, list[Measure]]:
    found = np.array([_shifted(s) for s in SEMITONES])
    figure, (left, right) = panels(1, 2, 2.5)
    tone = sine(441.0, 2 * RATE_HZ, -10.0)
    power = _spectrum(played(PitchShiftSettings(7.0), column(tone))[:, 0])
    level = np.maximum(decibels(power / power.max()), -190.0)[300:1000]
    left.plot(*thinned(np.arange(300.0, 1000.0), level, 700), linewidth=1.1)
    left.axvline(441.0 * 2.0 ** (7.0 / 12.0), **LIMIT)
    left.set(title="441 Hz up 7 semitones: 661 Hz", xlabel="Hz", ylabel="dB re the tone")
    right.plot(SEMITONES, found[:, 1], marker="o", markersize=3.5)
    right.axhline(-90.0, **LIMIT)
    right.set(title="all that is beside the tone, dB", ylim=(-170.0, -70.0))
    right.set(xlabel="semitones", xticks=range(-24, 25, 6))
    shows = "spectrum of a shifted tone, and energy beside the tone over the interval"
    caption = "A steady tone of 441 Hz, shifted by up to two octaves each way."
    picture = pictures.save(figure, "inserts_pitch", shows, caption)
    return picture, [
        Measure("pitch furthest from equal temperament", float(np.abs(found[:, 0]).max()), "cents",
                1.0, source="factor 2^(1/12) a semitone; ours"),
        Measure("most energy beside the tone", float(found[:, 1].max()), "dB", -90.0,
                source="ours"),
        Measure("largest change of level", float(np.abs(found[:, 2]).max()), "dB", 0.05,
                source="ours"),
        *_hard_cases(),
    ]  # fmt: skip


def _hard_cases() -> list[Measure]:
    """What a phase vocoder is bad at: partials closer than its window can part, and a click."""
    chord = [220.0, 261.63, 329.63]
    made = sum(sine(hz, 2 * RATE_HZ, -20.0) for hz in chord)
    power = _spectrum(played(PitchShiftSettings(4.0), column(np.asarray(made)))[:, 0]) ** 2
    hz = np.arange(float(len(power)))
    near = np.any([np.abs(hz - f * 2.0 ** (4.0 / 12.0)) < 12.0 for f in chord], axis=0)
    beside = 10.0 * math.log10(float(power[~near].sum() / power[near].sum()))
    click = np.zeros((RATE_HZ, 1))
    click[RATE_HZ // 2] = 1.0
    energy = played(PitchShiftSettings(4.0), click)[:, 0] ** 2
    share = np.cumsum(energy) / energy.sum()
    first, last = np.searchsorted(share, [0.05, 0.95])
    spread = float(last - first) * 1000.0 / RATE_HZ
    return [
        Measure("a close chord (220, 262, 330 Hz) up 4 semitones: energy beside its tones", beside,
                "dB"),
        Measure("a click up 4 semitones: nine tenths of its energy lie within", spread, "ms"),
    ]  # fmt: skip
