"""Peaks between the samples, and the gain that keeps them under a ceiling.

The moving averages run on whole numbers, in steps of 2^-24 dB: their running sums are exact, so
that what goes in comes out again to the last bit and the gain returns to exactly 1.
"""

from __future__ import annotations

import math

import numpy as np

from mixwright.dsp.kernels.compressor import SILENT_REDUCTION_DB, STRETCH, reduction_to_gain
from mixwright.dsp.kernels.dynamics import count_reduction
from mixwright.dsp.kernels.options import OPTIONS, njit

STEPS_PER_DB = float(1 << 24)
# More is never asked for: the sums of the longest averages stay within 64 bits.
MOST_REDUCTION_DB = 1000.0
# From this share of the ceiling on, the interval between two samples is looked at in full. The
# quarter points read at most 0.7 dB low (BS.1770-5, attachment 1 to annex 2); the rest is for what
# the short filter takes away near half the sample rate.
CLOSE = 0.8


@njit(**OPTIONS)
def quarter_points(line, count, coarse, quarters):  # type: ignore[no-untyped-def]
    """Write the amplitude of `count` intervals at start, quarter points and end to `quarters`.

    Interval n lies in the middle of the samples ``line[n:]`` that the taps span; `coarse` is
    (3, taps), `quarters` (5, count or more). The loop over samples is the inner one: it vectorises
    in our order of sums.
    """
    taps = coarse.shape[1]
    middle = taps // 2 - 1
    for n in range(count):
        quarters[0, n] = abs(line[n + middle])
        quarters[4, n] = abs(line[n + middle + 1])
    for p in range(1, 4):
        total = quarters[p]
        total[:count] = 0.0
        for k in range(taps):
            tap = coarse[p - 1, k]
            for n in range(count):
                total[n] += tap * line[n + k]
        for n in range(count):
            total[n] = abs(total[n])


@njit(**OPTIONS)
def only_passes(a, b, c, d, e):  # type: ignore[no-untyped-def]
    """Return whether amplitudes at five points just rise, or just fall, to beyond the last one.

    The slope at the high end, by the parabola through the last three points, must be far from 0,
    since near half the sample rate there is more to the sound than a parabola; the highest point
    between is then the end, which is a sample.
    """
    if a > e:
        a, b, d, e = e, d, b, a
    return a < b < c < d and e - d > 2.0 * abs(e - 2.0 * d + c)


@njit(**OPTIONS)
def peak_between(line, at, fine, between):  # type: ignore[no-untyped-def]
    """Return the peak of one interval at all points of `fine` (taps, points).

    The interval lies in the middle of the samples ``line[at:]`` that the taps span; `between` is
    room for the points.
    """
    taps, points = fine.shape
    between[:points] = 0.0
    for k in range(taps):
        for p in range(points):
            between[p] += fine[k, p] * line[at + k]
    peak = 0.0
    for p in range(points):
        peak = max(peak, abs(between[p]))
    return peak


@njit(**OPTIONS)
def interval_peaks(joined, first, count, filters, reach, ceiling, peaks):  # type: ignore[no-untyped-def]
    """Write the peak of each of `count` intervals to `peaks`; returns whether any is too high.

    Interval n lies in the middle of the samples ``joined[first + n:]`` that the longest filter
    spans. `filters` are the one for the quarter points (points, taps), and those for all points,
    short and long (taps, points). A stretch that can't exceed the ceiling is not looked at, `reach`
    being the most that a filter can gain; its peaks are 0 then. Each channel decides for itself
    what is looked at in full: what another one skipped must not matter.
    """
    coarse, short, long = filters
    taps = long.shape[0]
    to_coarse, to_short = (taps - coarse.shape[1]) // 2, (taps - short.shape[0]) // 2
    line, quarters = np.empty(STRETCH + taps), np.empty((5, STRETCH))
    between = np.empty(max(short.shape[1], long.shape[1]))
    peaks[:count] = 0.0
    over = False
    for c in range(joined.shape[1]):
        highest = 0.0
        for n in range(count + taps - 1):
            line[n] = joined[first + n, c]
            highest = max(highest, abs(line[n]))
        if highest * reach <= ceiling:
            continue
        quarter_points(line[to_coarse:], count, coarse, quarters)
        for n in range(count):
            q0, q1, q2, q3, q4 = (
                quarters[0, n],
                quarters[1, n],
                quarters[2, n],
                quarters[3, n],
                quarters[4, n],
            )
            peak = max(q0, q1, q2, q3, q4)
            if peak > CLOSE * ceiling:
                if not only_passes(q0, q1, q2, q3, q4):
                    peak = max(peak, peak_between(line, n + to_short, short, between))
                    peak = max(peak, peak_between(line, n, long, between))
                over = over or peak > ceiling
            peaks[n] = max(peaks[n], peak)
    return over


@njit(**OPTIONS)
def highest_of_late(wanted, count, span, held, places, at):  # type: ignore[no-untyped-def]
    """Replace each wanted reduction by the highest of the last `span`, itself included.

    `held` and `places` are a ring of the values that can still become the highest, falling, and
    of where they were; `at` is the ring's first index, how many it holds, and the samples seen.
    """
    size = held.shape[0]
    first, many, now = at[0], at[1], at[2]
    for n in range(count):
        now += 1
        if many > 0 and places[first] <= now - span:
            first = first + 1 if first + 1 < size else 0
            many -= 1
        value = wanted[n]
        if value > 0.0:
            while many > 0 and held[(first + many - 1) % size] <= value:
                many -= 1
            last = (first + many) % size
            held[last], places[last] = value, now
            many += 1
        wanted[n] = held[first] if many > 0 else 0.0
    at[0], at[1], at[2] = first, many, now


@njit(**OPTIONS)
def smooth(wanted, count, sums, early, late, turn):  # type: ignore[no-untyped-def]
    """Replace reductions by their average over two moving windows in turn, `early` and `late`.

    These are rings of whole numbers, `sums` is what each holds and `turn` where it goes on.
    """
    scale = 1.0 / (STEPS_PER_DB * early.shape[0] * late.shape[0])
    for n in range(count):
        value = np.int64(math.ceil(wanted[n] * STEPS_PER_DB))
        sums[0] += value - early[turn[0]]
        early[turn[0]] = value
        turn[0] = turn[0] + 1 if turn[0] + 1 < early.shape[0] else 0
        sums[1] += sums[0] - late[turn[1]]
        late[turn[1]] = sums[0]
        turn[1] = turn[1] + 1 if turn[1] + 1 < late.shape[0] else 0
        wanted[n] = sums[1] * scale


@njit(**OPTIONS)
def run_limiter(block, joined, heard, filters, curve, level, window, counts):  # type: ignore[no-untyped-def]
    """Write to `block` the end of `joined`, held back and turned down while `heard` is too high.

    `joined` is the block with what came before it; `heard`, of as many frames, is that which is
    kept under the ceiling: the same, or a key with what came before it. `filters` are those of
    :func:`interval_peaks`; `curve` is the ceiling, what is aimed at (both amplitudes), the release
    coefficient, the most that a filter gains, the samples over which the highest reduction holds,
    and the samples by which the sound is held back. `level[0]` is the reduction after the release;
    `window` the state of :func:`highest_of_late` and :func:`smooth`: held, places, at, sums, early,
    late, turn.
    """
    held, places, at, sums, early, late, turn = window
    ceiling, aim, release, reach = curve[0], curve[1], curve[2], curve[3]
    span, latency = int(curve[4]), int(curve[5])
    wanted, gain = np.empty(STRETCH), np.empty(STRETCH)
    gain_bits, whole = gain.view(np.int64), np.empty(STRETCH, np.int32)
    before = joined.shape[0] - block.shape[0]
    for start in range(0, block.shape[0], STRETCH):
        count = min(STRETCH, block.shape[0] - start)
        first = before + start - filters[2].shape[0] + 1
        over = interval_peaks(heard, first, count, filters, reach, ceiling, wanted)
        for n in range(count):
            for c in range(block.shape[1]):
                block[start + n, c] = joined[before + start + n - latency, c]
        if not over and at[1] == 0 and level[0] == 0.0 and sums[0] == 0 and sums[1] == 0:
            counts[0] += count
            counts[3] = 0.0
            continue
        for n in range(count):
            high = wanted[n] > ceiling
            wanted[n] = min(20.0 * math.log10(wanted[n] / aim), MOST_REDUCTION_DB) if high else 0.0
        highest_of_late(wanted, count, span, held, places, at)
        reduction = level[0]
        for n in range(count):
            reduction = max(wanted[n], wanted[n] + release * (reduction - wanted[n]))
            if reduction < SILENT_REDUCTION_DB:
                reduction = 0.0
            wanted[n] = reduction
        level[0] = reduction
        smooth(wanted, count, sums, early, late, turn)
        count_reduction(wanted, count, counts)
        reduction_to_gain(wanted, gain, gain_bits, whole, count)
        for c in range(block.shape[1]):
            for n in range(count):
                block[start + n, c] *= gain[n]
