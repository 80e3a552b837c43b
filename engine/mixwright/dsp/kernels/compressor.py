"""Gain computer, smooth branching detector and gain.

Levels and gains are worked out for a stretch at a time in loops that vectorise, with polynomials
in place of the library's logarithm and exponential (relative error below 1e-10); only the detector
itself goes from one sample to the next.
"""

from __future__ import annotations

import math

import numpy as np

from mixwright.dsp.kernels.options import OPTIONS, njit

DB_PER_NEPER = 20.0 / math.log(10.0)
# Reduction below this many dB is flushed to none, so that a released compressor is transparent
# to the bit and its state never becomes denormal.
SILENT_REDUCTION_DB = 1e-7
# From here on a compressor counts as at work: less can't be heard.
AT_WORK_DB = 0.1
HARD_KNEE_DB = 1e-6
STRETCH = 512
LN2 = math.log(2.0)
SQRT2 = math.sqrt(2.0)
MANTISSA = np.uint64((1 << 52) - 1)
ONE = np.uint64(1023 << 52)
EXPONENT_SHIFT = np.uint64(52)
# Levels this near the start of the knee ask for nothing: more than the error of the logarithm, so
# that a stretch skipped for being too quiet and one worked out give the same bits.
DEAD_DB = 1e-9


@njit(**OPTIONS)
def levels_to_reduction(levels, bits, exponents, wanted, count, threshold, slope, knee):  # type: ignore[no-untyped-def]
    """Turn `count` amplitudes into wanted reductions in dB; `bits` is the uint64 view of `levels`.

    `levels` is overwritten, `exponents` is room to work in.
    log x = e ln 2 + 2 artanh((m - 1) / (m + 1)) for x = m 2^e, m within 1/sqrt 2 .. sqrt 2.
    """
    half = 0.5 * knee
    per_knee = 0.0 if knee < HARD_KNEE_DB else 0.5 / knee
    for n in range(count):
        exponents[n] = float(np.int32(bits[n] >> EXPONENT_SHIFT) - np.int32(1023))
        bits[n] = (bits[n] & MANTISSA) | ONE
    for n in range(count):
        m = levels[n]
        high = m > SQRT2
        m = 0.5 * m if high else m
        e = exponents[n] + (1.0 if high else 0.0)
        s = (m - 1.0) / (m + 1.0)
        q = s * s
        series = 1.0 + q * (1 / 3 + q * (1 / 5 + q * (1 / 7 + q * (1 / 9 + q * (1 / 11 + q / 13)))))
        over = DB_PER_NEPER * (e * LN2 + 2.0 * s * series) - threshold - DEAD_DB
        bent = min(max(over + half, 0.0), knee)
        wanted[n] = slope * (bent * bent * per_knee + max(over - half, 0.0))


@njit(**OPTIONS)
def reduction_to_gain(reduction, gain, bits, whole, count):  # type: ignore[no-untyped-def]
    """Turn `count` reductions in dB into gains; `bits` is the int64 view of `gain`.

    `whole` is room for `count` int32 to work in.
    """
    for n in range(count):
        t = -reduction[n] / (DB_PER_NEPER * LN2)
        i = math.floor(t + 0.5)
        whole[n] = np.int32(i)
        x = (t - i) * LN2
        series = 1.0 + x / 7 * (1.0 + x / 8 * (1.0 + x / 9 * (1.0 + x / 10)))
        series = 1.0 + x / 4 * (1.0 + x / 5 * (1.0 + x / 6 * series))
        gain[n] = 1.0 + x * (1.0 + x / 2 * (1.0 + x / 3 * series))
    for n in range(count):
        bits[n] += np.int64(whole[n]) << 52


@njit(**OPTIONS)
def blend(gain, count, mix):  # type: ignore[no-untyped-def]
    """Turn `count` gains into those of a mix with the untouched sound: 1 - mix (1 - gain)."""
    for n in range(count):
        gain[n] = 1.0 - mix * (1.0 - gain[n])


@njit(**OPTIONS)
def run_compressor(block, key, curve, state, counts):  # type: ignore[no-untyped-def]
    """Compress `block` in place from the level of `key`, all channels alike.

    `curve` is threshold_db, slope (1 - 1/ratio), knee_db, attack and release coefficients, and the
    share of the compressed sound; `state[0]` is the reduction now. `counts` are the frames seen,
    those at work, the sum of the reduction over these, its minimum and its maximum.
    """
    threshold, slope, knee, attack, release = curve[0], curve[1], curve[2], curve[3], curve[4]
    mix = curve[5]
    knee_start = 10.0 ** ((threshold - 0.5 * knee) / 20.0)
    reduction, active, total, least, most = state[0], counts[1], counts[2], counts[3], counts[4]
    levels, wanted, gain = np.empty(STRETCH), np.empty(STRETCH), np.empty(STRETCH)
    level_bits, gain_bits = levels.view(np.uint64), gain.view(np.int64)
    whole = np.empty(STRETCH, np.int32)
    other = key.shape[1] - 1
    for start in range(0, block.shape[0], STRETCH):
        count = min(STRETCH, block.shape[0] - start)
        highest = 0.0
        for n in range(count):
            levels[n] = max(abs(key[start + n, 0]), abs(key[start + n, other]), 1e-30)
            highest = max(highest, levels[n])
        if highest <= knee_start:
            if reduction == 0.0:
                least = 0.0
                continue
            wanted[:] = 0.0
        else:
            levels_to_reduction(levels, level_bits, gain, wanted, count, threshold, slope, knee)
        for n in range(count):
            aim = wanted[n]
            a = attack if aim > reduction else release
            reduction = aim + a * (reduction - aim)
            if reduction < SILENT_REDUCTION_DB:
                reduction = 0.0
            wanted[n] = reduction
            at_work = 1.0 if reduction > AT_WORK_DB else 0.0
            total += at_work * reduction
            active += at_work
            most = max(most, reduction)
            least = min(least, reduction)
        reduction_to_gain(wanted, gain, gain_bits, whole, count)
        if mix != 1.0:
            blend(gain, count, mix)
        for c in range(block.shape[1]):
            for n in range(count):
                block[start + n, c] *= gain[n]
    state[0] = reduction
    counts[0] += block.shape[0]
    counts[1], counts[2], counts[3], counts[4] = active, total, least, most
