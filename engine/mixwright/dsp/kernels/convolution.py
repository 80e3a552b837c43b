"""What partitioned convolution does per sample and per bin."""

from __future__ import annotations

from mixwright.dsp.kernels.options import OPTIONS, njit


@njit(**OPTIONS)
def multiply_accumulate(spectra, response, newest, total):  # type: ignore[no-untyped-def]
    """Add the products to `total` (channels, bins); `spectra` is a ring, newest first."""
    count = response.shape[0]
    for p in range(count):
        ring = (newest + p) % count
        for c in range(total.shape[0]):
            for k in range(total.shape[1]):
                total[c, k] += spectra[ring, c, k] * response[p, c, k]


@njit(**OPTIONS)
def exchange(block, heard, ready, crossfeed):  # type: ignore[no-untyped-def]
    """Put `block` (frames, 2) into `heard` (2, frames) with crossfeed, and `ready` into `block`."""
    own = 1.0 - crossfeed
    for n in range(block.shape[0]):
        left, right = block[n, 0], block[n, 1]
        heard[0, n] = own * left + crossfeed * right
        heard[1, n] = own * right + crossfeed * left
        block[n, 0] = ready[0, n]
        block[n, 1] = ready[1, n]
