"""Compiled loops of the meters: true peak, and all levels of a 10 ms hop at once.

Loops over neighbouring samples are the inner ones and end in arrays, not in one running number: so
they vectorise without changing the order of any sum.
"""

from __future__ import annotations

import numpy as np

from mixwright.dsp.kernels.options import OPTIONS, njit
from mixwright.meters.layout import (
    CLIP_LEVEL,
    CLIP_RUN,
    CLIPPED,
    HALF_TAPS,
    LONGEST,
    MARGIN,
    NEAREST,
    PLAIN_CROSS,
    PLAIN_LEFT,
    PLAIN_RIGHT,
    QUARTER_TAPS,
    RUNS,
    SAMPLE_AT,
    SAMPLE_LEFT,
    SAMPLE_RIGHT,
    SUM_LEFT,
    SUM_RIGHT,
    TILE,
    TRUE_AT,
    TRUE_LEFT,
    WEIGHTED_CROSS,
    WEIGHTED_LEFT,
    WEIGHTED_RIGHT,
)
from mixwright.units import FADED


@njit(**OPTIONS)
def work_space():  # type: ignore[no-untyped-def]
    """Return what :func:`tile_peak` works in: half, first and third quarter, highest points."""
    return np.zeros((5, TILE + 2 * MARGIN))


@njit(**OPTIONS)
def interpolate(line, count, half, quarter, work):  # type: ignore[no-untyped-def]
    """Fill in three points after each sample of `line`, which has `MARGIN` more on either side.

    The middle between two samples comes first, by 24 pairs of taps; the quarters lie in the middle
    of samples and middles, where 6 pairs are enough. `work` gets the middles from 4 samples early
    to 3 late, the quarters from one sample early.
    """
    size = count + QUARTER_TAPS + 1
    middle = work[0, :size]
    middle[:] = 0.0
    for k in range(0, HALF_TAPS, 8):
        a, b, c, d, e, f, g, h = half[k : k + 8]
        near = line[HALF_TAPS - 1 - k - 7 :]
        far = line[HALF_TAPS + k :]
        for n in range(size):
            middle[n] += (
                a * (near[n + 7] + far[n])
                + b * (near[n + 6] + far[n + 1])
                + c * (near[n + 5] + far[n + 2])
                + d * (near[n + 4] + far[n + 3])
                + e * (near[n + 3] + far[n + 4])
                + f * (near[n + 2] + far[n + 5])
                + g * (near[n + 1] + far[n + 6])
                + h * (near[n] + far[n + 7])
            )
    a, b, c, d, e, f = quarter
    x = line[MARGIN - 4 :]
    first, third = work[1], work[2]
    for n in range(count + 1):
        first[n] = (
            a * (x[n + 3] + middle[n + 3])
            + b * (middle[n + 2] + x[n + 4])
            + c * (x[n + 2] + middle[n + 4])
            + d * (middle[n + 1] + x[n + 5])
            + e * (x[n + 1] + middle[n + 5])
            + f * (middle[n] + x[n + 6])
        )
        third[n] = (
            a * (middle[n + 3] + x[n + 4])
            + b * (x[n + 3] + middle[n + 4])
            + c * (middle[n + 2] + x[n + 5])
            + d * (x[n + 2] + middle[n + 5])
            + e * (middle[n + 1] + x[n + 6])
            + f * (x[n + 1] + middle[n + 6])
        )


@njit(**OPTIONS)
def highest(line, middle, first, third, count, work):  # type: ignore[no-untyped-def]
    """Return the largest amplitude of all points; `work[0]` gets that of each sample's four."""
    top, fold = work[0], work[1]
    for n in range(count):
        a, b = abs(line[MARGIN + n]), abs(middle[n + 4])
        c, d = abs(first[n + 1]), abs(third[n + 1])
        a = b if b > a else a
        c = d if d > c else c
        top[n] = c if c > a else a
        fold[n] = top[n]
    while count > 1:
        rest = count // 2
        count -= rest
        for n in range(rest):
            fold[n] = fold[n + count] if fold[n + count] > fold[n] else fold[n]
    return fold[0]


@njit(**OPTIONS)
def crest(left, here, right):  # type: ignore[no-untyped-def]
    """Return the top of the parabola through three neighbours if the middle one is the highest.

    Never more than what a sine of half the sample rate can hide between points a quarter apart: so
    what lies far enough under the maximum need not be looked at.
    """
    left, right = (left, right) if here > 0.0 else (-left, -right)
    here = abs(here)
    bend = 2.0 * here - left - right
    if left > here or right > here or not bend > 0.0:
        return here
    return min(here + (right - left) ** 2 / (8.0 * bend), here / NEAREST)


@njit(**OPTIONS)
def tile_peak(line, count, half, quarter, work, floor):  # type: ignore[no-untyped-def]
    """Return the true peak of `count` samples, or `floor` if it is higher, and where it is.

    `line` holds `MARGIN` samples more on either side. The place counts from the first of the
    `count` samples, -1 if `floor` was not exceeded.
    """
    interpolate(line, count, half, quarter, work)
    middle, first, third = work[0], work[1], work[2]
    top = highest(line, middle, first, third, count, work[3:])
    peak, place = floor, -1
    enough = max(top, floor) * NEAREST
    if not enough > 0.0:
        return peak, place
    for n in range(count):
        if work[3, n] < enough:
            continue
        x, a, b, c = line[MARGIN + n], first[n + 1], middle[n + 4], third[n + 1]
        found = max(crest(third[n], x, a), crest(x, a, b))
        found = max(found, crest(a, b, c), crest(b, c, line[MARGIN + n + 1]))
        if found > peak:
            peak, place = found, n
    return peak, place


@njit(**OPTIONS)
def weighted_hop(lines, count, sections, state, row):  # type: ignore[no-untyped-def]
    """Write all energies, sums and sample peaks of a hop into `row`.

    The weighting is two sections after one another; while they wait for the last sample's result
    there is time for everything else.
    """
    p0, p1, p2, p3, p4 = sections[0]
    q0, q1, q2, q3, q4 = sections[1]
    s0, s1, t0, t1 = state[0, 0, 0], state[0, 1, 0], state[1, 0, 0], state[1, 1, 0]
    e0, e1, f0, f1 = state[0, 0, 1], state[0, 1, 1], state[1, 0, 1], state[1, 1, 1]
    left, right = lines[0], lines[1]
    weighted_left, weighted_right, weighted_cross = 0.0, 0.0, 0.0
    plain_left, plain_right, plain_cross = 0.0, 0.0, 0.0
    sum_left, sum_right, top_left, top_right = 0.0, 0.0, 0.0, 0.0
    for n in range(MARGIN, MARGIN + count):
        x, z = left[n], right[n]
        plain_left += x * x
        plain_right += z * z
        plain_cross += x * z
        sum_left += x
        sum_right += z
        top_left = abs(x) if abs(x) > top_left else top_left
        top_right = abs(z) if abs(z) > top_right else top_right
        u = p0 * x + s0
        w = p0 * z + e0
        s0 = p1 * x + s1 - p3 * u
        e0 = p1 * z + e1 - p3 * w
        s1 = p2 * x - p4 * u
        e1 = p2 * z - p4 * w
        x = q0 * u + t0
        z = q0 * w + f0
        t0 = q1 * u + t1 - q3 * x
        f0 = q1 * w + f1 - q3 * z
        t1 = q2 * u - q4 * x
        f1 = q2 * w - q4 * z
        weighted_left += x * x
        weighted_right += z * z
        weighted_cross += x * z
    state[0, 0, 0], state[0, 1, 0], state[1, 0, 0], state[1, 1, 0] = s0, s1, t0, t1
    state[0, 0, 1], state[0, 1, 1], state[1, 0, 1], state[1, 1, 1] = e0, e1, f0, f1
    if weighted_left + weighted_right < FADED:
        for s in range(2):
            for c in range(2):
                state[s, 0, c] = state[s, 0, c] if abs(state[s, 0, c]) >= FADED else 0.0
                state[s, 1, c] = state[s, 1, c] if abs(state[s, 1, c]) >= FADED else 0.0
    row[WEIGHTED_LEFT], row[WEIGHTED_RIGHT] = weighted_left, weighted_right
    row[WEIGHTED_CROSS], row[PLAIN_CROSS] = weighted_cross, plain_cross
    row[PLAIN_LEFT], row[PLAIN_RIGHT] = plain_left, plain_right
    row[SUM_LEFT], row[SUM_RIGHT] = sum_left, sum_right
    row[SAMPLE_LEFT], row[SAMPLE_RIGHT] = top_left, top_right


@njit(**OPTIONS)
def count_clipped(line, count, run, trace, index):  # type: ignore[no-untyped-def]
    """Follow runs of equal samples at full scale; `run` is their value, length and first hop.

    A run counts where it begins, once it has ended.
    """
    value, length = run[0], run[1]
    for n in range(MARGIN, MARGIN + count):
        x = line[n]
        if length > 0.0 and x == value:
            length += 1.0
            continue
        if length >= CLIP_RUN:
            row = trace[int(run[2])]
            row[RUNS] += 1.0
            row[CLIPPED] += length
            row[LONGEST] = max(row[LONGEST], length)
        value, length = x, 0.0
        if abs(x) >= CLIP_LEVEL:
            length, run[2] = 1.0, index
    run[0], run[1] = value, length


@njit(**OPTIONS)
def true_peak_of_hop(line, count, half, quarter, work):  # type: ignore[no-untyped-def]
    """Return the true peak of a hop and where it is, counted from its first sample."""
    peak, place = 0.0, 0
    for n in range(count + 2 * MARGIN):
        if line[n] != 0.0:
            break
    else:
        return peak, place
    for start in range(0, count, TILE):
        part = line[start:]
        found, at = tile_peak(part, min(TILE, count - start), half, quarter, work, peak)
        if at >= 0:
            peak, place = found, start + at
    return peak, place


@njit(**OPTIONS)
def copy_lines(held, block, start, lines, size):  # type: ignore[no-untyped-def]
    """Copy `size` frames from `start` of what `held` and `block` are together, by channel."""
    for c in range(block.shape[1]):
        split = min(max(held.shape[0] - start, 0), size)
        for n in range(split):
            lines[c, n] = held[start + n, c]
        first = start - held.shape[0]
        for n in range(split, size):
            lines[c, n] = block[first + n, c]


@njit(**OPTIONS)
def measure_hops(  # type: ignore[no-untyped-def]
    held, block, edges, sections, state, half, quarter, runs, trace, index
):
    """Write one row of `trace`, from `index` on, for each hop between two of `edges`.

    Edges count from `MARGIN` after the start of what `held` and `block` are together. Returns the
    weighted energy of all hops, which is not finite if one of their samples is not.
    """
    channels = block.shape[1]
    longest = 0
    for j in range(len(edges) - 1):
        longest = max(longest, edges[j + 1] - edges[j])
    lines, work, whole = np.zeros((2, longest + 2 * MARGIN)), work_space(), 0.0
    for j in range(len(edges) - 1):
        count = edges[j + 1] - edges[j]
        row = trace[index + j]
        copy_lines(held, block, edges[j], lines, count + 2 * MARGIN)
        weighted_hop(lines, count, sections, state, row)
        whole += row[WEIGHTED_LEFT] + row[WEIGHTED_RIGHT]
        for c in range(channels):
            top = row[SAMPLE_LEFT + c]
            if top >= CLIP_LEVEL or runs[c, 1] > 0.0:
                count_clipped(lines[c], count, runs[c], trace, index + j)
            peak, place = true_peak_of_hop(lines[c], count, half, quarter, work)
            row[TRUE_LEFT + c] = peak
            if c == 0 or peak > row[TRUE_LEFT]:
                row[TRUE_AT] = place
            if c == 0 or top > row[SAMPLE_LEFT]:
                at = MARGIN
                while at < MARGIN + count - 1 and abs(lines[c, at]) != top:
                    at += 1
                row[SAMPLE_AT] = at - MARGIN
    return whole
