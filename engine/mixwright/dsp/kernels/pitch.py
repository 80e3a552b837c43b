"""Turning the phases of spectra so that they follow one another, and reading between samples."""

from __future__ import annotations

import numpy as np

from mixwright.dsp.kernels.options import OPTIONS, njit


@njit(**OPTIONS)
def own_regions(power, owner):  # type: ignore[no-untyped-def]
    """Fill `owner` with the bin of the peak that each bin belongs to.

    A peak is louder than two neighbours on each side; regions meet at the quietest bin between.
    """
    bins = power.shape[0]
    last, start = -1, 0
    for k in range(1, bins - 2):
        at = power[k]
        below = power[k - 2] if k > 1 else power[k + 1]  # a spectrum is even about 0 Hz
        if at <= power[k - 1] or at <= below or at < power[k + 1] or at < power[k + 2]:
            continue
        if last >= 0:
            edge = last
            for j in range(last + 1, k):
                if power[j] < power[edge]:
                    edge = j
            owner[start : edge + 1] = last
            start = edge + 1
        last = k
    owner[start:] = max(last, 0)


@njit(**OPTIONS)
def turn_phases(spectra, earlier, said):  # type: ignore[no-untyped-def]
    """Turn `spectra` (turns, channels, bins) in place, so that each goes on from the one before.

    `earlier` are the spectra of the same sound one hop of the output earlier, `said` (channels,
    bins) is the last one put out; it is replaced. All channels turn alike, by what the peak asks
    for in all of them together.
    """
    turns, channels, bins = spectra.shape
    power = np.empty(bins)
    owner = np.zeros(bins, dtype=np.int64)
    turn = np.empty(bins, dtype=np.complex128)
    for t in range(turns):
        power[:] = 0.0
        turn[:] = 0.0
        for c in range(channels):
            for k in range(bins):
                value, old = spectra[t, c, k], earlier[t, c, k]
                power[k] += value.real * value.real + value.imag * value.imag
                turn[k] += said[c, k] * complex(old.real, -old.imag)
        own_regions(power, owner)
        for k in range(bins):
            size = np.sqrt(turn[k].real * turn[k].real + turn[k].imag * turn[k].imag)
            turn[k] = turn[k] / size if size > 1e-200 else complex(1.0, 0.0)
        for c in range(channels):
            for k in range(bins):
                spectra[t, c, k] *= turn[owner[k]]
                said[c, k] = spectra[t, c, k]


@njit(**OPTIONS)
def read_between(samples, base, ratio, first, table, out):  # type: ignore[no-untyped-def]
    """Fill `out` (frames, channels) with `samples` (channels, n) at ``(first + n) * ratio``.

    Position `base` is the first sample. `table` (steps + 1, taps) is a sinc kernel at fractions of
    a sample, with straight lines between its rows; half of its taps lie behind the position.
    """
    steps, taps = table.shape[0] - 1, table.shape[1]
    kernel = np.empty(taps)
    for n in range(out.shape[0]):
        place = (first + n) * ratio
        whole = np.floor(place)
        step = (place - whole) * steps
        row = int(step)
        part = step - row
        low, high = table[row], table[row + 1]
        for k in range(taps):
            kernel[k] = low[k] + part * (high[k] - low[k])
        start = int(whole) - base - taps // 2 + 1
        for c in range(out.shape[1]):
            heard = samples[c, start : start + taps]
            a, b, d, e = 0.0, 0.0, 0.0, 0.0  # four sums: none waits for the last
            for k in range(0, taps, 4):
                a += kernel[k] * heard[k]
                b += kernel[k + 1] * heard[k + 1]
                d += kernel[k + 2] * heard[k + 2]
                e += kernel[k + 3] * heard[k + 3]
            out[n, c] = (a + b) + (d + e)
