"""Detectors and gains beside the plain compressor: RMS, unlinked channels, expander, de-esser.

As there, logarithms and exponentials are worked out for a stretch at a time in loops that
vectorise, and only the detectors go from one sample to the next.
"""

from __future__ import annotations

import math

import numpy as np

from mixwright.dsp.kernels.compressor import (
    AT_WORK_DB,
    SILENT_REDUCTION_DB,
    STRETCH,
    blend,
    levels_to_reduction,
    reduction_to_gain,
)
from mixwright.dsp.kernels.options import OPTIONS, njit

# Mean squares and filter states below these are flushed to 0: they are 600 dB down, and would end
# up as denormal numbers, which are slow.
SILENT_POWER = 1e-60
SILENT_STATE = 1e-30


@njit(**OPTIONS)
def root_mean_square(heard, smoothing, mean_square):  # type: ignore[no-untyped-def]
    """Replace each channel of `heard` by the root of its mean square, a one-pole average."""
    other = heard.shape[1] - 1
    left, right = mean_square[0], mean_square[other]
    for n in range(heard.shape[0]):  # mono does its one channel twice: branches would cost more
        p, q = heard[n, 0] * heard[n, 0], heard[n, other] * heard[n, other]
        left, right = p + smoothing * (left - p), q + smoothing * (right - q)
        left = 0.0 if left < SILENT_POWER else left
        right = 0.0 if right < SILENT_POWER else right
        heard[n, 0], heard[n, other] = left, right
    mean_square[0], mean_square[other] = left, right
    for n in range(heard.shape[0]):  # a loop of its own, since this one vectorises
        for c in range(heard.shape[1]):
            heard[n, c] = math.sqrt(heard[n, c])


@njit(**OPTIONS)
def count_reduction(reduction, count, counts):  # type: ignore[no-untyped-def]
    """Add `count` reductions in dB to `counts`, as :func:`.compressor.run_compressor` does."""
    active, total, least, most = counts[1], counts[2], counts[3], counts[4]
    for n in range(count):
        at_work = 1.0 if reduction[n] > AT_WORK_DB else 0.0
        total += at_work * reduction[n]
        active += at_work
        least = min(least, reduction[n])
        most = max(most, reduction[n])
    counts[0] += count
    counts[1], counts[2], counts[3], counts[4] = active, total, least, most


@njit(**OPTIONS)
def follow(wanted, count, reduction, attack, release):  # type: ignore[no-untyped-def]
    """Replace wanted reductions by what attack and release make of them; returns the last.

    Only a release is flushed to none: a long attack begins in steps as small.
    """
    for n in range(count):
        aim = wanted[n]
        rises = aim > reduction
        reduction = aim + (attack if rises else release) * (reduction - aim)
        if reduction < SILENT_REDUCTION_DB and not rises:
            reduction = 0.0
        wanted[n] = reduction
    return reduction


@njit(**OPTIONS)
def run_unlinked(block, key, curve, link, state, counts):  # type: ignore[no-untyped-def]
    """Compress the two channels of `block` in place, each from its own channel of `key`.

    `curve` and `counts` are those of :func:`.compressor.run_compressor`; `state` is the reduction
    of each channel now. `link` (0..1) moves what each channel wants towards what the louder wants.
    """
    threshold, slope, knee, attack, release = curve[0], curve[1], curve[2], curve[3], curve[4]
    knee_start = 10.0 ** ((threshold - 0.5 * knee) / 20.0)
    levels, gain = np.empty(STRETCH), np.empty(STRETCH)
    left, right, most = np.empty(STRETCH), np.empty(STRETCH), np.empty(STRETCH)
    level_bits, gain_bits = levels.view(np.uint64), gain.view(np.int64)
    whole = np.empty(STRETCH, np.int32)
    for start in range(0, block.shape[0], STRETCH):
        count = min(STRETCH, block.shape[0] - start)
        for c in range(2):
            wanted = left if c == 0 else right
            highest = 0.0
            for n in range(count):
                levels[n] = max(abs(key[start + n, c]), 1e-30)
                highest = max(highest, levels[n])
            if highest <= knee_start:
                wanted[:] = 0.0
            else:
                levels_to_reduction(levels, level_bits, gain, wanted, count, threshold, slope, knee)
        for n in range(count):
            most[n] = max(left[n], right[n])
            left[n] += link * (most[n] - left[n])
            right[n] += link * (most[n] - right[n])
        state[0] = follow(left, count, state[0], attack, release)
        state[1] = follow(right, count, state[1], attack, release)
        for n in range(count):
            most[n] = max(left[n], right[n])
        count_reduction(most, count, counts)
        for c in range(2):
            reduction_to_gain(left if c == 0 else right, gain, gain_bits, whole, count)
            if curve[5] != 1.0:
                blend(gain, count, curve[5])
            for n in range(count):
                block[start + n, c] *= gain[n]


@njit(**OPTIONS)
def run_expander(block, key, curve, state, counts):  # type: ignore[no-untyped-def]
    """Turn `block` down in place where `key` is quiet, all channels alike.

    `curve` is threshold_db, slope (ratio - 1), knee_db, opening and closing coefficients, range_db
    and the samples of hold; `state` is the reduction now and the samples of hold that are left. An
    expander is a compressor that listens to 1/level: how far that is above -threshold is how far
    the level is below the threshold.
    """
    threshold, slope, knee, opening, closing = curve[0], curve[1], curve[2], curve[3], curve[4]
    most_db, hold = curve[5], curve[6]
    reduction, left = state[0], state[1]
    levels, wanted, gain = np.empty(STRETCH), np.empty(STRETCH), np.empty(STRETCH)
    level_bits, gain_bits = levels.view(np.uint64), gain.view(np.int64)
    whole = np.empty(STRETCH, np.int32)
    other = key.shape[1] - 1
    for start in range(0, block.shape[0], STRETCH):
        count = min(STRETCH, block.shape[0] - start)
        for n in range(count):
            loudest = max(abs(key[start + n, 0]), abs(key[start + n, other]), 1e-30)
            levels[n] = 1.0 / loudest
        levels_to_reduction(levels, level_bits, gain, wanted, count, -threshold, slope, knee)
        for n in range(count):
            aim = min(wanted[n], most_db)
            if aim <= reduction:
                left = hold
                reduction = aim + opening * (reduction - aim)
                if reduction < SILENT_REDUCTION_DB:
                    reduction = 0.0
            elif left > 0.0:
                left -= 1.0
            else:
                reduction = aim + closing * (reduction - aim)
            wanted[n] = reduction
        count_reduction(wanted, count, counts)
        reduction_to_gain(wanted, gain, gain_bits, whole, count)
        for c in range(block.shape[1]):
            for n in range(count):
                block[start + n, c] *= gain[n]
    state[0], state[1] = reduction, left


@njit(**OPTIONS)
def move_shelf(block, step, share, lows):  # type: ignore[no-untyped-def]
    """Take `share` of the highs away from `block`; nothing at all where that is 0.

    The highs are what a trapezoidal one-pole low-pass leaves; `step` is k / (1 + k) for k the
    tangent of its frequency at each frame, `lows` its state in each channel.
    """
    other = block.shape[1] - 1
    left, right = lows[0], lows[other]
    for n in range(block.shape[0]):  # mono does its one channel twice: branches would cost more
        x, z = block[n, 0], block[n, other]
        u, w = x - left, z - right
        block[n, 0] = x - share[n] * (u - step[n] * u)
        block[n, other] = z - share[n] * (w - step[n] * w)
        left += 2.0 * step[n] * u
        right += 2.0 * step[n] * w
        left = 0.0 if abs(left) < SILENT_STATE else left
        right = 0.0 if abs(right) < SILENT_STATE else right
    lows[0], lows[other] = left, right


@njit(**OPTIONS)
def run_de_esser(block, heard, curve, state, lows, counts):  # type: ignore[no-untyped-def]
    """Turn the highs of `block` down in place while `heard` is loud, all channels alike.

    `curve` is threshold_db, slope (1 - 1/ratio), knee_db, attack and release coefficients,
    range_db and the tangent of the shelf's middle frequency; `state[0]` is the reduction now,
    `lows` the state of each channel's low-pass. With the shelf's gain g, the low-pass is at sqrt(g)
    times the middle frequency; x - (1 - g) high is low + g high, and x to the bit when g is 1.
    """
    threshold, slope, knee, attack, release = curve[0], curve[1], curve[2], curve[3], curve[4]
    most_db, middle = curve[5], curve[6]
    knee_start = 10.0 ** ((threshold - 0.5 * knee) / 20.0)
    levels, wanted, gain = np.empty(STRETCH), np.empty(STRETCH), np.empty(STRETCH)
    half, step = np.empty(STRETCH), np.empty(STRETCH)
    level_bits, gain_bits = levels.view(np.uint64), gain.view(np.int64)
    whole = np.empty(STRETCH, np.int32)
    other = heard.shape[1] - 1
    for start in range(0, block.shape[0], STRETCH):
        count = min(STRETCH, block.shape[0] - start)
        highest = 0.0
        for n in range(count):
            levels[n] = max(abs(heard[start + n, 0]), abs(heard[start + n, other]), 1e-30)
            highest = max(highest, levels[n])
        if highest <= knee_start:
            wanted[:] = 0.0
        else:
            levels_to_reduction(levels, level_bits, gain, wanted, count, threshold, slope, knee)
        for n in range(count):
            wanted[n] = min(wanted[n], most_db)
        state[0] = follow(wanted, count, state[0], attack, release)
        count_reduction(wanted, count, counts)
        for n in range(count):
            half[n] = 0.5 * wanted[n]
        reduction_to_gain(half, gain, gain_bits, whole, count)
        for n in range(count):
            step[n] = middle * gain[n] / (1.0 + middle * gain[n])
            gain[n] = 1.0 - gain[n] * gain[n]
        move_shelf(block[start : start + count], step, gain, lows)
