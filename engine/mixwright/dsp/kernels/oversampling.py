"""Half-band filters up and down, and a bend between them; arrays are (channels, frames).

Every output adds its products in the same order, frames side by side, so the compiler may use
vectors of any width without changing the sums.
"""

from __future__ import annotations

import numpy as np

from mixwright.dsp.kernels.options import OPTIONS, njit


@njit(**OPTIONS)
def add_pairs(total, x, left, right, taps):  # type: ignore[no-untyped-def]
    """Add ``taps[k] * (x[n + left - k] + x[n + right + k])`` to each `total[n]`, k going up.

    Four taps to a pass: the totals are loaded and stored a quarter as often. Slices, because an
    index that might be negative keeps the compiler from vectors.
    """
    frames = total.shape[0]
    fours = taps.shape[0] - taps.shape[0] % 4
    for k in range(0, fours, 4):
        a, b, c, d = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
        p, q = x[left - k - 3 :], x[right + k :]
        p0, p1, p2, p3 = p[3 : 3 + frames], p[2 : 2 + frames], p[1 : 1 + frames], p[:frames]
        q0, q1, q2, q3 = q[:frames], q[1 : 1 + frames], q[2 : 2 + frames], q[3 : 3 + frames]
        for n in range(frames):
            value = total[n] + a * (p0[n] + q0[n])
            value += b * (p1[n] + q1[n])
            value += c * (p2[n] + q2[n])
            total[n] = value + d * (p3[n] + q3[n])
    for k in range(fours, taps.shape[0]):
        a = taps[k]
        p0, q0 = x[left - k : left - k + frames], x[right + k : right + k + frames]
        for n in range(frames):
            total[n] += a * (p0[n] + q0[n])


@njit(**OPTIONS)
def double_rate(heard, taps, out):  # type: ignore[no-untyped-def]
    """Fill `out` (channels, 2 frames) from `heard` (channels, 2 J - 1 older frames + frames).

    `taps` are the J products on one side of the middle, nearest first: the filter is symmetric, and
    every second tap of a half-band filter is zero.
    """
    reach = taps.shape[0]
    frames = out.shape[1] // 2
    between = np.empty(frames)
    for c in range(out.shape[0]):
        between[:] = 0.0
        add_pairs(between, heard[c], reach - 1, reach, taps)
        for n in range(frames):
            out[c, 2 * n] = heard[c, n + reach - 1]
            out[c, 2 * n + 1] = between[n]


@njit(**OPTIONS)
def halve_rate(even, odd, middle, even_taps, odd_taps, out):  # type: ignore[no-untyped-def]
    """Fill `out` (channels, frames) from every second sample in `even` and those between in `odd`.

    J being the number of `odd_taps`, `odd` has 2 J - 1 older frames ahead and `even` 2 J - 2. A
    half-band filter has no `even_taps`.
    """
    reach = odd_taps.shape[0]
    for c in range(out.shape[0]):
        for n in range(out.shape[1]):
            out[c, n] = middle * even[c, n + reach - 1]
        add_pairs(out[c], even[c], reach - 2, reach, even_taps)
        add_pairs(out[c], odd[c], reach - 1, reach, odd_taps)


@njit(**OPTIONS)
def bend(samples, drive, gain):  # type: ignore[no-untyped-def]
    """Replace each sample by ``gain * tanh(drive * sample)``, to 1e-14.

    Lambert's continued fraction of tanh, seven deep, at a sixteenth of the angle; then four times
    the double-angle formula. No library call: the same bits everywhere, and it runs as vectors.
    """
    for c in range(samples.shape[0]):
        row = samples[c]
        for n in range(row.shape[0]):
            x = min(max(drive * row[n], -20.0), 20.0) * 0.0625
            s = x * x
            above = x * (135135.0 + s * (17325.0 + s * (378.0 + s)))
            t = above / (135135.0 + s * (62370.0 + s * (3150.0 + s * 28.0)))
            t = 2.0 * t / (1.0 + t * t)
            t = 2.0 * t / (1.0 + t * t)
            t = 2.0 * t / (1.0 + t * t)
            row[n] = gain * (2.0 * t / (1.0 + t * t))
