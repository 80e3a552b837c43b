"""Sample bytes to float64, scaled as the sound library does: full scale is 1.0."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.kernels.options import int8, int32, njit
from mixwright.units import Block


@njit(nogil=True, error_model="numpy")
def _decode_24(raw, out):  # type: ignore[no-untyped-def]
    """Little-endian three-byte integers, left-justified in 32 bits, to a flat array."""
    for n in range(out.shape[0]):
        low, middle, high = int32(raw[3 * n]), int32(raw[3 * n + 1]), int32(int8(raw[3 * n + 2]))
        out[n] = ((low << 8) | (middle << 16) | (high << 24)) * (1.0 / 2147483648.0)


def decode_into(raw: NDArray[np.uint8], subtype: str, out: Block) -> None:
    """Write the samples in `raw` to `out` (frames, channels) for PCM_16, PCM_24 or FLOAT."""
    if subtype == "PCM_24":
        _decode_24(raw, out.reshape(-1))
    elif subtype == "PCM_16":
        np.multiply(raw.view("<i2").reshape(out.shape), 1.0 / 32768.0, out=out)
    else:
        out[:] = raw.view("<f4").reshape(out.shape)
