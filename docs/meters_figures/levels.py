"""Stereo, peaks and levels, silence; and that blocks and threads change nothing."""

from __future__ import annotations

import dataclasses
import math
import os
import tempfile
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import soundfile
from numpy.typing import NDArray

import mixwright
import test_silence as silence
import test_spectrum as spectra
import test_true_peak as peaks
from meters_figures.tables import Row, farthest, results, within
from mixwright.meters import SoundMeter, SoundReadings
from mixwright.rendering.ears import Ear, Figures

Samples = NDArray[np.float64]
RATE_HZ = 48000
SHEET = """\
format: 1
song: {title: Threads, sample_rate_hz: 48000}
tracks:
  a: {file: a.wav, eq: [{type: bell, freq_hz: 900, gain_db: 3, q: 1}], sends_db: {hall: -10}}
  b: {file: b.wav, pan: L40, compressor: {threshold_db: -40, ratio: 2, key: a}, group: band}
  c: {file: c.wav, pan: R40, group: band, gain_db: -3}
groups: {band: {gain_db: -2}}
returns: {hall: {type: reverb, decay_s: 0.5}}
mix_bus: {compressor: {threshold_db: -30, ratio: 2}}
"""


def sound(samples: Samples) -> SoundReadings:
    """Return the readings of samples (frames,) or (frames, channels) at 48 kHz."""
    frames = samples[:, None] if samples.ndim == 1 else samples
    meter = SoundMeter(RATE_HZ, frames.shape[1])
    meter.feed(frames)
    return meter.readings()


def pair(left: Samples, right: Samples) -> Samples:
    """Return two channels, shape (frames, 2)."""
    return np.column_stack([left, right])


def middle_and_side(ratio: float) -> Samples:
    """Return noise whose side has nothing in common with its middle and `ratio` times its level."""
    mid, side = (spectra.coloured(seed, 10.0, RATE_HZ, 1.0) for seed in (5, 6))
    side = side - mid * (mid @ side) / (mid @ mid)
    side *= ratio * math.sqrt((mid @ mid) / (side @ side))
    return pair(mid + side, mid - side)


def stereo() -> list[Row]:
    """Return correlation and width, by the meter of levels and by that of spectra."""
    rows = []

    def check(
        what: str, samples: Samples, correlation: float, side_to_mid_db: float | None
    ) -> None:
        readings = sound(samples), spectra.fed(samples).readings()
        found = [farthest([one.correlation]) for one in readings]
        rows.append(within(f"correlation: {what}", "-", found, correlation, 0.001, 4))
        if side_to_mid_db is not None:
            found = [farthest([one.side_to_mid_db]) for one in readings]
            rows.append(within(f"side to mid: {what}", "dB", found, side_to_mid_db, 0.01, 3))

    left = spectra.sine(1000.0, RATE_HZ)
    check("both sides alike", pair(left, left), 1.0, None)
    check("one upside down", pair(left, -left), -1.0, None)
    for angle in (30, 60, 90, 120):
        right = spectra.sine(1000.0, RATE_HZ, 4.0, 0.3 + math.radians(angle))
        half = math.radians(angle / 2)
        ratio_db = 20 * math.log10(math.tan(half))
        check(f"tones {angle}° apart", pair(left, right), math.cos(2 * half), ratio_db)
    for ratio in (0.5, 1.0, 2.0):
        expected = (1 - ratio**2) / (1 + ratio**2)
        what = f"unlike middle and sides, {ratio:g} times"
        check(what, middle_and_side(ratio), expected, 20 * math.log10(ratio))
    return rows


def levels() -> list[Row]:
    """Return peaks, levels and ratios of signals whose figures are known."""
    n = np.arange(20 * RATE_HZ)
    tone, nothing = np.sin(2 * np.pi * 997 * n / RATE_HZ), np.zeros(len(n))
    triangle = 2.0 * np.abs((n / 480.0) % 1.0 * 2.0 - 1.0) - 1.0
    square = np.where(n % 480 < 240, 0.5, -0.5)
    one, both = sound(pair(tone, nothing)), sound(pair(tone, tone))
    apart = sound(silence.gaussian(3, 20.0, -20.0))
    # An end that is cut off rings in the interpolator, so true peaks are read of what fades.
    faded = peaks.faded(tone, RATE_HZ)
    ratio_one, ratio_both = sound(pair(faded, nothing)), sound(pair(faded, faded))
    clipped = 0.5 * tone[:RATE_HZ]
    clipped[100:105] = 1.0
    offset = sound(0.5 * tone + 0.01)
    known: list[tuple[str, str, float | None, float, float]] = [
        ("RMS of a full-scale sine", "dBFS", sound(tone).rms_dbfs, -3.0103, 0.001),
        ("crest of a sine", "dB", sound(tone).crest_db, 3.0103, 0.001),
        ("crest of a square wave", "dB", sound(square).crest_db, 0.0, 0.001),
        ("crest of a triangle", "dB", sound(triangle).crest_db, 4.7712, 0.001),
        ("I of 997 Hz at 0 dBFS in one channel", "LUFS", one.integrated_lufs, -3.0103, 0.002),
        ("I of 997 Hz at 0 dBFS in both", "LUFS", both.integrated_lufs, 0.0, 0.002),
        ("peak to loudness of it in one channel", "LU", ratio_one.plr_lu, 3.0103, 0.01),
        ("peak to loudness of it in both", "LU", ratio_both.plr_lu, 0.0, 0.01),
        ("peak to short-term of it in both", "LU", ratio_both.psr_lu, 0.0, 0.01),
        ("mono loses of it in one channel", "LU", one.mono_loss_lu, -3.0103, 0.002),
        ("mono loses of it in both", "LU", both.mono_loss_lu, 0.0, 0.002),
        ("mono loses of two unlike noises", "LU", apart.mono_loss_lu, -3.0103, 0.02),
        ("DC under a tone", "amplitude", offset.dc[0], 0.01, 1e-6),
        ("five clipped samples: runs", "-", float(sound(clipped).clipped_runs), 1.0, 0.0),
        ("five clipped samples: samples", "-", float(sound(clipped).clipped_samples), 5.0, 0.0),
    ]
    return [
        within(what, unit, farthest([found]), expected, tolerance, 3)
        for what, unit, found, expected, tolerance in known
    ]


def silent() -> list[Row]:
    """Return noise floors and silences of signals of known make."""
    random, step = np.random.default_rng(1), 2.0**-15
    at = np.arange(10 * RATE_HZ) / RATE_HZ
    tone = 0.25 * np.sin(2 * np.pi * 997 * at) * (at % 2.0 < 1.0)
    dither = random.uniform(-0.5, 0.5, (2, len(tone))).sum(axis=0)
    dithered = silence.read(step * np.round(tone / step + dither))
    noise = silence.gaussian(2, 20.0, -60.0)
    noise[5 * RATE_HZ : 18 * RATE_HZ] += silence.gaussian(3, 13.0, -15.0)
    samples = np.zeros((5 * RATE_HZ, 2))
    samples[round(1.234 * RATE_HZ) : round(3.5 * RATE_HZ), 1] = 0.5
    found = silence.read(samples)
    floors = [farthest([one.noise_floor_dbfs]) for one in (dithered, silence.read(noise))]
    return [
        within("noise floor of 16 bits, TPDF dither", "dBFS", floors[0], -96.33, 0.1),
        within("noise floor under louder noise", "dBFS", floors[1], -60.0, 0.15),
        Row("silence before a sound at 1.234 s", "s", (found.head_s,), 1.234, -0.01, 0.0),
        Row("silence after it", "s", (found.tail_s,), 1.5, -0.01, 0.0),
        within("digital silence, of 5 s", "share", found.digital_silence, 2.73 / 5.0, 0.002, 3),
    ]


def unequal(one: Any, other: Any) -> int:
    """Return how many figures differ in any bit."""
    if dataclasses.is_dataclass(one) and not isinstance(one, type):
        names = [field.name for field in dataclasses.fields(one)]
        return sum(unequal(getattr(one, name), getattr(other, name)) for name in names)
    if isinstance(one, tuple):
        return sum(unequal(a, b) for a, b in zip(one, other, strict=True))
    return int(repr(one) != repr(other))


def in_blocks(block: int) -> Figures:
    """Return all figures of 8 s of noise, fed in blocks."""
    noise = silence.gaussian(8, 8.0, -20.0)
    noise[: RATE_HZ // 2] = 0.0
    ear = Ear("file", "noise", RATE_HZ)
    for at in range(0, len(noise), block):
        ear.feed(noise[at : at + block])
    return ear.figures()


def on_threads(folder: Path, threads: int) -> tuple[Figures, ...]:
    """Return all figures of a mix and its nodes; nothing is known from another time."""
    cache = {"MIXWRIGHT_CACHE": str(folder / f"cache-{threads}")}
    with mock.patch.dict(os.environ, cache):
        return mixwright.measure(folder / "mix.yaml", threads=threads).figures


def independence() -> list[Row]:
    """Return how many figures depend on blocks or threads."""
    whole = in_blocks(1 << 20)
    sizes = (65536, 4800, 977, 97)
    rows = [
        within(
            f"blocks of {block} frames",
            "figures",
            float(unequal(in_blocks(block), whole)),
            decimals=0,
        )
        for block in sizes
    ]
    with tempfile.TemporaryDirectory(prefix="mixwright-meters-") as name:
        folder = Path(name)
        (folder / "mix.yaml").write_text(SHEET, "utf-8")
        for seed, track in enumerate("abc"):
            noise = silence.gaussian(seed, 8.0, -20.0, 1)
            soundfile.write(folder / f"{track}.wav", noise, RATE_HZ, subtype="PCM_24")
        alone = on_threads(folder, 1)
        for threads in (2, 3, 8):
            found = float(unequal(on_threads(folder, threads), alone))
            rows.append(within(f"a mix on {threads} threads", "figures", found, decimals=0))
    return rows


def chapter() -> str:
    """Return what was found, as Markdown."""
    return TEXT.format(
        stereo=results(stereo(), ("levels meter", "spectrum meter")),
        levels=results(levels()),
        silent=results(silent()),
        independence=results(independence()),
    )


TEXT = """\
## Stereo

Two meters have a correlation of the whole: the one of levels and the one of spectra. Equal tones
a phase φ apart correlate by cos φ, and their sides are tan(φ/2) times the middle; a middle and
sides that have nothing in common, the sides k times as loud, correlate by (1 - k²)/(1 + k²).

{stereo}
## Levels, peaks and ratios

Signals whose figures follow from their formulas. 997 Hz at full scale in one channel is the
calibration of BS.1770-5 (Annex 1): -3.01 LUFS.

{levels}
## Silence and noise floor

Dither of two levels' width and rounding leave Δ²/4 (S. Lipshitz, R. Wannamaker and J. Vanderkooy,
"Quantization and Dither: A Theoretical Survey", 1992): -96.33 dBFS at 16 bits, measured here in
the pauses of a tone. Silence is told in steps of 10 ms.

{silent}
## Blocks and threads

How many of all figures differ in any bit: those of 8 s of noise fed in blocks, from those fed at
once; and those of a mix and its nodes on several threads, from those on one.

{independence}"""
