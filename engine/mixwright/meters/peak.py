"""True peak by ITU-R BS.1770-5 Annex 2: four times oversampled, with the crests between points.

Two half-band interpolators follow one another: the middle between two samples by 48 taps, then the
middles between those by 12 (at twice the rate a short filter is enough). Both are Kaiser-windowed
sincs (J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", 1974)
and keep the samples themselves, so the reading is never below the sample peak, as it can be with
the 48-tap filter printed in the standard.

Four times alone reads up to 0.55 dB low on a tone of 0.45 of the sample rate (Attachment 1 to
Annex 2). A parabola through a highest point and its neighbours leaves at most 0.05 dB of that, and
can't read a sine too high. The filters are flat to 20 kHz at 44.1 kHz. What lies closer to half the
sample rate every converter plays in its own way; full-band noise may read some tenths of a dB
over or under the ideal, and random full-scale signs 1 dB under. The same interpolator serves all
rates.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from mixwright.dsp.sinc import kaiser_sinc
from mixwright.meters.layout import HALF_TAPS, QUARTER_TAPS
from mixwright.units import Floats

KAISER_HALF, KAISER_QUARTER = 5.0, 6.0


def half_band(pairs: int, beta: float) -> Floats:
    """Return the taps for the middle between two samples, shape ``(pairs,)``, nearest first.

    Each serves the sample on either side; together they have unit gain at DC.

    >>> taps = half_band(24, 5.0)
    >>> round(2.0 * float(taps.sum()), 12)
    1.0
    """
    at = np.arange(pairs, dtype=np.float64) + 0.5
    taps = kaiser_sinc(at, pairs, beta)
    return np.asarray(taps / (2.0 * taps.sum()))


@cache
def interpolators() -> tuple[Floats, Floats]:
    """Return the taps for middles and for quarters."""
    return half_band(HALF_TAPS, KAISER_HALF), half_band(QUARTER_TAPS, KAISER_QUARTER)
