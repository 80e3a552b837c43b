"""Compiled loops of the spectrum."""

from __future__ import annotations

from mixwright.dsp.kernels.options import OPTIONS, njit


@njit(**OPTIONS)
def bin_powers(left, right):  # type: ignore[no-untyped-def]
    """Return the squared magnitudes of left, right, mid and side in one bin."""
    mid, side = 0.5 * (left + right), 0.5 * (left - right)
    return (
        left.real * left.real + left.imag * left.imag,
        right.real * right.real + right.imag * right.imag,
        mid.real * mid.real + mid.imag * mid.imag,
        side.real * side.real + side.imag * side.imag,
    )


@njit(**OPTIONS)
def band_powers(spectrum, edge_bins, into, out_of, scale, powers):  # type: ignore[no-untyped-def]
    """Write the energy of each segment of a one-sided `spectrum` (channels, bins) to `powers`.

    Segment s reaches from edge s to edge s + 1. The bin an edge lies in is shared: `into[s]` of it
    goes to the segment above the edge and `out_of[s]` to the one below; every bin between counts
    twice, for the negative frequencies. Columns of `powers`: left, right, mid, side.
    """
    other = spectrum.shape[0] - 1
    for s in range(powers.shape[0]):
        first, last = edge_bins[s], edge_bins[s + 1]
        left, right, mid, side = 0.0, 0.0, 0.0, 0.0
        for k in range(first + 1, last):
            a, b, c, d = bin_powers(spectrum[0, k], spectrum[other, k])
            left += a
            right += b
            mid += c
            side += d
        a, b, c, d = bin_powers(spectrum[0, first], spectrum[other, first])
        e, f, g, h = bin_powers(spectrum[0, last], spectrum[other, last])
        under, over = into[s], out_of[s + 1]
        powers[s, 0] = scale * (2.0 * left + under * a + over * e)
        powers[s, 1] = scale * (2.0 * right + under * b + over * f)
        powers[s, 2] = scale * (2.0 * mid + under * c + over * g)
        powers[s, 3] = scale * (2.0 * side + under * d + over * h)
