"""Loudness and loudness range against EBU Tech 3341 and 3342 and two independent libraries."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pyebur128
import pyloudnorm

import test_loudness_cases as cases
from meters_figures.tables import (
    AT_EACH_RATE,
    Row,
    at_each_rate,
    farthest,
    number,
    results,
    within,
)
from mixwright.meters import LoudnessMeter, SoundMeter, integrated_lufs
from mixwright.meters.loudness import loudness_range_lu, to_mean_square

GATED: dict[int, list[tuple[float, float]]] = {
    3: [(-36, 10), (-23, 60), (-36, 10)],
    4: [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)],
    5: [(-26, 20), (-20, 20.1), (-26, 20)],
}
RANGES: dict[int, tuple[tuple[float, ...], float]] = {
    1: ((-20, -30), 10.0),
    2: ((-20, -15), 5.0),
    3: ((-40, -20), 20.0),
    4: ((-50, -35, -20, -35, -50), 15.0),
}
SEEDS, SECONDS = range(3), 10
ENDS_S = (3.0, 4.37, 7.01, 11.99)


def steady(level: float, rate_hz: int) -> float:
    """Return the worst of integrated, momentary and short-term loudness of a steady tone."""
    found = cases.read([(level, 20)], rate_hz)
    readings = (found.integrated_lufs, found.momentary_max_lufs, found.short_term_max_lufs)
    return farthest(readings, level)


def five_channels(rate_hz: int) -> float:
    """Return the loudness of case 6, from weighted sums of what mono meters keep."""
    parts = []
    for level, weight in ((-28, 2.0), (-24, 1.0), (-30, 2 * 1.41)):
        meter = LoudnessMeter(rate_hz, 1)
        meter.feed(cases.tone([(level, 20)], rate_hz)[:, None])
        parts.append(weight * meter.hops())
    return integrated_lufs(np.sum(parts, axis=0))


def constant(window_s: float, pieces: cases.Pieces, rate_hz: int) -> float:
    """Return the window that is farthest from -23 LUFS, of those that end after 3 s or 1 s."""
    found = cases.meter_of(pieces, rate_hz).loudness_over_time(window_s)
    first = round(100 * (0.0 if window_s == 3.0 else 1.0 - window_s))
    return farthest(found[first:].tolist(), -23.0)


def file_each(window_s: float, step_s: float, reading: str, rate_hz: int) -> float:
    """Return the worst of 20 files that begin with more silence each."""
    found = (
        cases.read([(cases.SILENCE, i * step_s), (-23, window_s), (cases.SILENCE, 1)], rate_hz)
        for i in range(20)
    )
    return farthest((getattr(one, reading) for one in found), -23.0)


def in_turn(window_s: float, step_s: float, reading: str, rate_hz: int) -> float:
    """Return the worst deviation of 20 tones, each 1 dB louder, from the level of each."""
    pieces: list[tuple[float, float]] = []
    for i in range(20):
        after = window_s - i * step_s
        pieces += [(cases.SILENCE, i * step_s), (-38 + i, window_s), (cases.SILENCE, after)]
    meter = cases.meter_of(pieces, rate_hz)
    sections = (meter.readings(2 * window_s * i, 2 * window_s * (i + 1)) for i in range(20))
    return farthest(getattr(one, reading) + 38 - i for i, one in enumerate(sections))


def gated(pieces: cases.Pieces, rate_hz: int) -> float:
    """Return the integrated loudness of a tone in pieces."""
    return farthest([cases.read(pieces, rate_hz).integrated_lufs])


def loudness_range(pieces: cases.Pieces, rate_hz: int) -> float:
    """Return the loudness range of a tone in pieces."""
    return farthest([cases.read(pieces, rate_hz).loudness_range_lu])


def on_the_grid_of_the_gates() -> float:
    """Return by how many LU case 13 would be off at 48 kHz with a loudness each 100 ms only."""
    found = []
    for i in range(20):
        pieces = [(cases.SILENCE, i * 0.02), (-23, 0.4), (cases.SILENCE, 1)]
        momentary = cases.meter_of(pieces, 48000).loudness_over_time(0.4)[::10]
        found.append(float(momentary.max()) + 23.0)
    return farthest(found)


def tech_3341() -> list[Row]:
    """Return cases 1 to 14, but for the two that are recordings."""
    rows = []
    for case, level in ((1, -23.0), (2, -33.0)):
        found = at_each_rate(partial(steady, level))
        rows.append(within(f"{case}: steady, worst of I, M, S", "LUFS", found, level, 0.1))
    for case, pieces in GATED.items():
        found = at_each_rate(partial(gated, pieces))
        rows.append(within(f"{case}: gating, I", "LUFS", found, -23.0, 0.1))
    rows.append(within("6: five channels, I", "LUFS", at_each_rate(five_channels), -23.0, 0.1))
    short_term = (3.0, 0.15, "short_term_max_lufs"), [(-20, 1.34), (-30, 1.66)] * 5
    momentary = (0.4, 0.02, "momentary_max_lufs"), [(-20, 0.18), (-30, 0.22)] * 25
    for case, name, (window, changing) in ((9, "S", short_term), (12, "M", momentary)):
        constants = at_each_rate(partial(constant, window[0], changing))
        files = at_each_rate(partial(file_each, *window))
        turns = at_each_rate(partial(in_turn, *window))
        rows += [
            within(f"{case}: constant {name}, worst", "LUFS", constants, -23.0, 0.1),
            within(f"{case + 1}: loudest {name}, worst of 20 files", "LUFS", files, -23.0, 0.1),
            within(f"{case + 2}: loudest {name}, worst error of 20", "LU", turns, 0.0, 0.1),
        ]
    return rows


def tech_3342() -> list[Row]:
    """Return the four cases that are tones."""
    rows = []
    for case, (levels, expected) in RANGES.items():
        found = at_each_rate(partial(loudness_range, [(level, 20) for level in levels]))
        what = f"{case}: {', '.join(f'{level:g}' for level in levels)} dBFS"
        rows.append(within(what, "LU", found, expected, 1.0))
    return rows


@cache
def against_libraries(rate_hz: int) -> tuple[float, float]:
    """Return the worst differences in LU from pyloudnorm and libebur128, their rate error off."""
    found = []
    for seed in SEEDS:
        signal, meter = cases.programme(seed, rate_hz, SECONDS), SoundMeter(rate_hz, 2)
        meter.feed(signal)
        ours = farthest([meter.readings().integrated_lufs]) - cases.library_scale_lu(rate_hz)
        first = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(signal)
        state = cases.second_library(signal, rate_hz, cases.MODE_INTEGRATED)
        found.append((ours - first, ours - pyebur128.get_loudness_global(state)))
    first_worst, second_worst = (farthest(part) for part in zip(*found, strict=True))
    return first_worst, second_worst


def refit() -> float:
    """Return by how many LU pyloudnorm's default weighting is off its other one."""
    signal = cases.programme(0, 48000, SECONDS)
    exact, default = (
        pyloudnorm.Meter(48000, **asked).integrated_loudness(signal)
        for asked in ({"filter_class": "DeMan"}, {})
    )
    return float(default - exact)


def windows() -> tuple[float, float]:
    """Return the worst differences in LU of short-term and momentary loudness at 48 kHz."""
    signal, meter = cases.programme(7, 48000, 12), SoundMeter(48000, 2)
    meter.feed(signal)
    short_term, momentary = meter.loudness_over_time(3.0), meter.loudness_over_time(0.4)
    found = []
    for end_s in ENDS_S:
        part = signal[: round(end_s * 48000)]
        state = cases.second_library(part, 48000, cases.MODE_SHORT_TERM)
        longer, shorter = (short_term, 3.0), (momentary, 0.4)
        ours = [levels[round((end_s - length) * 100)] for levels, length in (longer, shorter)]
        theirs = (pyebur128.get_loudness_shortterm(state), pyebur128.get_loudness_momentary(state))
        found.append([a - b for a, b in zip(ours, theirs, strict=True)])
    first, second = (farthest(part) for part in zip(*found, strict=True))
    return float(first), float(second)


def range_on_same_windows() -> float:
    """Return the worst difference in LU of the range of the windows that libebur128 takes."""
    found = []
    for seed in (0, 2, 4):
        signal, meter = cases.programme(seed, 48000, 20), SoundMeter(48000, 2)
        meter.feed(signal)
        state = cases.second_library(signal, 48000, cases.MODE_RANGE)
        levels = meter.loudness_over_time(3.0)[::100]
        ours = loudness_range_lu(np.array([to_mean_square(level) for level in levels]))
        found.append(farthest([ours]) - pyebur128.get_loudness_range(state))
    return farthest(found)


def range_of_a_glide() -> float:
    """Return the difference in LU from pyloudnorm where the level glides."""
    seconds = np.arange(40 * 48000)[:, None] / 48000
    noise = np.random.default_rng(6).standard_normal((len(seconds), 2))
    signal = noise * 10 ** ((-30 + 9 * np.sin(2 * np.pi * seconds / 23)) / 20)
    meter = SoundMeter(48000, 2)
    meter.feed(signal)
    theirs = pyloudnorm.Meter(48000, filter_class="DeMan").loudness_range(signal)
    return farthest([meter.readings().loudness_range_lu]) - float(theirs)


def agreement() -> list[Row]:
    """Return integrated loudness against both libraries, at each rate."""
    return [
        within(f"I less {name}, worst", "LU", found, 0.0, 0.02, 4)
        for name, found in zip(
            ("pyloudnorm", "libebur128"),
            zip(*(against_libraries(rate_hz) for rate_hz in cases.RATES_HZ), strict=True),
            strict=True,
        )
    ]


def agreement_at_48_khz() -> list[Row]:
    """Return windows and ranges against the libraries."""
    short_term, momentary = windows()
    return [
        within("S less libebur128, worst", "LU", short_term, 0.0, 0.001, None),
        within("M less libebur128, worst", "LU", momentary, 0.0, 0.001, None),
        within(
            "LRA less libebur128, same windows, worst", "LU", range_on_same_windows(), 0, 1e-6, None
        ),
        within("LRA less pyloudnorm, a glide", "LU", range_of_a_glide(), 0.0, 0.1),
    ]


def chapter() -> str:
    """Return what was found of loudness, as Markdown."""
    scales = ", ".join(
        f"{cases.library_scale_lu(rate_hz):+.3f} at {name}"
        for rate_hz, name in zip(cases.RATES_HZ, AT_EACH_RATE, strict=True)
    )
    return TEXT.format(
        tech_3341=results(tech_3341(), AT_EACH_RATE),
        tech_3342=results(tech_3342(), AT_EACH_RATE),
        agreement=results(agreement(), AT_EACH_RATE),
        at_48_khz=results(agreement_at_48_khz()),
        scales=scales,
        grid=number(on_the_grid_of_the_gates(), 2),
        refit=number(refit(), 2),
        seeds=len(SEEDS),
        seconds=SECONDS,
    )


TEXT = """\
## Loudness: EBU Tech 3341 (v4, 2023), Table 1

Tones of 1000 Hz made as the table says; I is integrated, S short-term, M momentary loudness.
Cases 7 and 8 are recordings and can't be made. Case 6 has five channels, which the meters here
don't take: it is worked out from weighted sums of what they keep. Cases 10 to 14 are why the
loudest windows are looked for every 10 ms: on the gates' grid of 100 ms case 13 would be off by
{grid} LU.

{tech_3341}
## Loudness range: EBU Tech 3342 (v4, 2023), Table 1

Tones of 20 s each; cases 5 and 6 are recordings.

{tech_3342}
## Loudness against two other libraries

Sounds more like music: coloured noise with swells, hits, notes and pauses, {seeds} of {seconds} s
at each rate. pyloudnorm's filters are those of its `DeMan` class: its default is a refit, {refit}
LU off on the first of these sounds. Both libraries keep the high-pass numerator that BS.1770-5
gives for 48 kHz at every rate; the standard asks for the response at 48 kHz, and by as much as
they are off it ({scales} LU, worked out from the filters) the difference is corrected here.

{agreement}
At 48 kHz, windows wherever they end, and ranges. libebur128 takes a window a second and no
silence after the sound, so it is compared on its windows; pyloudnorm takes one each 90 ms and
interpolates between ranks.

{at_48_khz}"""
