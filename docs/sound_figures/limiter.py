"""The limiter: no meter reads more than the ceiling, and a steady tone stays a sine."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import signal

from mixwright.dsp.limiter import MARGIN_DB, LimiterSettings
from mixwright.meters import SoundMeter
from sound_figures.drawing import COLOURS, DASHES, LIMIT, Pictures, panels
from sound_figures.page import Chapter, Measure, Picture
from sound_figures.signals import (
    RATE_HZ,
    Samples,
    both_sides,
    column,
    decibels,
    pink,
    played,
    sine,
)

CEILING_DBTP, TOLERANCE_DB = -1.0, 0.05
# RMS in dB over the ceiling at which noise is sent in: its peaks are some 10 to 13 dB higher.
DRIVES_DB = (-9.0, -6.0, -3.0, 3.0)
BURSTS, FRAMES = 24, RATE_HZ // 5
# Primes: a tone that fits the rate gives the same samples again and again, and no trouble.
TONES_HZ = (23, 31, 41, 53, 61, 71, 83, 101, 127, 157, 199, 311, 503, 997, 1999, 4999, 9973, 14983)
# Neither what the tone's abrupt beginning adds to the reduction nor its end.
SETTLED = slice(2 * RATE_HZ, 3 * RATE_HZ)
ANNEX = "ITU-R BS.1770-5, annex 2; the tolerance is ours"


def chapter(pictures: Pictures) -> Chapter:
    """Measure true peaks, transparency and distortion."""
    before, after, other = _peaks()
    return Chapter(
        "Limiter",
        (
            """A true-peak limiter with look-ahead and linked sides (`mix_bus.limiter`). Right means
            that no meter reads more than the ceiling between the samples either (ITU-R BS.1770-5,
            annex 2), that what is below it passes untouched to the bit, and that it adds as little
            as it can where it works. Two meters judge: the engine's own, and scipy's resampler at
            16 times the rate with 128 taps. Bursts of white and pink noise go in at four levels.
            Full-band noise is the hard case: above 0.9 of half the rate meters differ by nature,
            and an endless interpolator can read some tenths of a dB more.""",
            _peaks_picture(pictures, before, after, other),
            [*_peak_measures(before, after, other), *_published_tones(), *_untouched()],
            """Distortion of steady tones, 3 dB over the ceiling, release 100 ms: everything that is
            not the tone, against it. As long as there is a peak within the look-ahead (5 ms: from
            100 Hz on) the gain stands still. Below, it moves between peaks, and a longer look-ahead
            helps. Where the samples
            drift slowly along the wave, as at 1999 Hz, the reading of its peak wavers and the gain
            with it, by far less than can be heard.""",
            _tones_picture(pictures),
            _tone_measures(),
        ),
    )


def _faded(block: Samples) -> Samples:
    """Abrupt ends ring in an interpolator and raise the reading: fades of 10 ms."""
    at = np.arange(len(block))
    return block * np.minimum(1.0, np.minimum(at, at[::-1]) / (RATE_HZ / 100))[:, None]


def _metered_dbtp(block: Samples) -> float:
    meter = SoundMeter(RATE_HZ, block.shape[1])
    meter.feed(block)
    return meter.readings().true_peak_dbtp


def _resampled_dbtp(block: Samples) -> float:
    taps: Any = signal.firwin(2049, 1.0 / 16.0, window=("kaiser", 9.0))
    return float(decibels(np.abs(signal.resample_poly(block, 16, 1, axis=0, window=taps)).max()))


def _peaks() -> tuple[Samples, Samples, Samples]:
    """True peaks (drives, bursts): in, out by the engine's meter, out by scipy's resampler."""
    found = np.zeros((3, len(DRIVES_DB), BURSTS))
    for row, drive_db in enumerate(DRIVES_DB):
        for burst in range(BURSTS):
            random = np.random.default_rng((row, burst))
            noise = random.standard_normal((FRAMES, 2))
            if burst % 2:
                noise = np.column_stack([pink(FRAMES, 2 * burst + side, 1.0) for side in (0, 1)])
            block = _faded(noise * 10.0 ** ((CEILING_DBTP + drive_db) / 20.0))
            out = played(LimiterSettings(CEILING_DBTP), block)
            found[:, row, burst] = _metered_dbtp(block), _metered_dbtp(out), _resampled_dbtp(out)
    return found[0], found[1], found[2]


def _peaks_picture(pictures: Pictures, before: Samples, after: Samples, other: Samples) -> Picture:
    figure, (left, right) = panels(1, 2, 2.8)
    for row, drive_db in enumerate(DRIVES_DB):
        look: dict[str, Any] = {"histtype": "step", "color": COLOURS[row], "linestyle": DASHES[row]}
        label = f"noise of {CEILING_DBTP + drive_db:.0f} dBFS RMS"
        left.hist(before[row], bins=np.arange(-1.0, 18.1, 0.5).tolist(), label=label, **look)
        both = np.concatenate([after[row], other[row]])
        right.hist(both, bins=np.arange(-1.25, -0.9, 0.01).tolist(), **look)
    left.axvline(CEILING_DBTP, **LIMIT)
    right.axvline(CEILING_DBTP, **LIMIT)
    left.set(title="in", xlabel="dBTP", ylabel="bursts", xlim=(-2.0, 18.0))
    right.set(title="out, by both meters", xlabel="dBTP", ylabel="readings", xlim=(-1.2, -0.94))
    right.text(-0.998, right.get_ylim()[1] * 0.9, "ceiling", fontsize=8.0)
    left.set_ylim(0.0, left.get_ylim()[1] * 1.7)
    left.legend(loc="upper left")
    return pictures.save(
        figure,
        "limiter_peaks",
        "histograms of true peaks of noise bursts before and after the limiter",
        "True peaks of bursts of noise, in and out; each burst is read by two meters.",
    )


def _peak_measures(before: Samples, after: Samples, other: Samples) -> list[Measure]:
    highest = CEILING_DBTP + TOLERANCE_DB
    aim = CEILING_DBTP - MARGIN_DB - 0.1
    source = "more would be loudness given away (ours)"
    return [
        Measure("highest true peak in", float(before.max()), "dBTP"),
        Measure("highest true peak out, ceiling -1 dBTP, the engine's meter", float(after.max()),
                "dBTP", highest, source=ANNEX),
        Measure("highest true peak out, ceiling -1 dBTP, scipy at 16 times", float(other.max()),
                "dBTP", highest, source=ANNEX),
        Measure("lowest true peak of a burst that was over", float(after[before > 0.0].min()),
                "dBTP", aim, "least", source=source),
    ]  # fmt: skip


def _published_tones() -> list[Measure]:
    """Tones whose samples lie far below their true peak, 3 dB over the ceiling."""
    rows = []
    for parts, degrees, under_db in ((4, 45.0, 3.0103), (6, 60.0, 1.2494), (8, 67.5, 0.6877)):
        turn = 2.0 * np.pi * np.arange(RATE_HZ) / parts + np.radians(degrees)
        level = 10.0 ** ((CEILING_DBTP + 3.0) / 20.0)
        block = _faded(both_sides(level * np.sin(turn)))
        out = played(LimiterSettings(CEILING_DBTP), block)
        what = f"a tone at 1/{parts} of the rate, samples {under_db:g} dB under its peak: out"
        found = max(_metered_dbtp(out), _resampled_dbtp(out))
        rows.append(Measure(what, found, "dBTP", CEILING_DBTP + TOLERANCE_DB, source=ANNEX))
    return rows


def _untouched() -> list[Measure]:
    block = _faded(np.random.default_rng(6).standard_normal((FRAMES, 2)))
    block *= 10.0 ** (
        (CEILING_DBTP - 0.05 - max(_metered_dbtp(block), _resampled_dbtp(block))) / 20.0
    )
    changed = np.count_nonzero(played(LimiterSettings(CEILING_DBTP), block) != block)
    what = "noise 0.05 dB below the ceiling: samples that were changed"
    return [Measure(what, float(changed), "", 0.0, source="by design")]


def _rest_db(hz: int, look_ahead_ms: float) -> float:
    """All that is not the tone over the tone, in dB, in the third of four seconds."""
    settings = LimiterSettings(CEILING_DBTP, 100.0, look_ahead_ms)
    out = played(settings, column(sine(hz, 4 * RATE_HZ, CEILING_DBTP + 3.0)))[SETTLED, 0]
    power = np.abs(np.fft.rfft(out)) ** 2
    return float(10.0 * np.log10((power.sum() - power[hz]) / power[hz] + 1e-30))


def _tones_picture(pictures: Pictures) -> Picture:
    figure, (axes,) = panels(1, 1, 2.5)
    for look_ahead_ms, marker in ((5.0, "o"), (20.0, "s")):
        rest = [_rest_db(hz, look_ahead_ms) for hz in TONES_HZ]
        label = f"look-ahead {look_ahead_ms:.0f} ms"
        axes.plot(TONES_HZ, rest, marker=marker, markersize=3.5, label=label)
    axes.set(xscale="log", xlabel="Hz", ylabel="rest, dB under the tone", ylim=(-170.0, -10.0))
    ticks = [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000]
    axes.set_xticks(ticks, [f"{hz // 1000}k" if hz >= 1000 else str(hz) for hz in ticks])
    axes.set_xticks([], minor=True)
    axes.plot([101.0, 997.0], [-100.0, -100.0], **LIMIT)
    axes.legend(loc="upper right")
    return pictures.save(
        figure,
        "limiter_tones",
        "distortion of steady tones over frequency for two look-aheads",
        "What is not the tone, for tones 3 dB over the ceiling.",
    )


def _tone_measures() -> list[Measure]:
    rows = []
    for hz, ahead_ms, limit in (
        (23, 5.0, None), (53, 5.0, None), (53, 20.0, -100.0), (101, 5.0, -100.0),
        (997, 5.0, -100.0), (1999, 5.0, None), (9973, 5.0, None),
    ):  # fmt: skip
        what = f"{hz} Hz, look-ahead {ahead_ms:.0f} ms: all but the tone"
        source = "ours: under what 16 bits hold" if limit is not None else ""
        rows.append(Measure(what, _rest_db(hz, ahead_ms), "dB", limit, source=source))
    for hz in (997, 1999, 9973):
        tone = sine(hz, 4 * RATE_HZ, CEILING_DBTP + 3.0)
        out = played(LimiterSettings(CEILING_DBTP), column(tone))[:, 0]
        loud = np.abs(tone[SETTLED]) > 0.5
        wavers = float(np.ptp(decibels(out[SETTLED][loud] / tone[SETTLED][loud])))
        rows.append(Measure(f"{hz} Hz: the gain wavers by", wavers, "dB", 0.1, source="ours"))
    return rows
