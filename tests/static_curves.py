"""What the dynamics processors do to a steady level, in plain numbers: what tests hold them to.

Written apart from the kernels that run.
"""

from __future__ import annotations

import math

from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.de_esser import DeEsserSettings
from mixwright.dsp.expander import ExpanderSettings
from mixwright.units import db_to_gain


def over_threshold_db(over_db: float, knee_db: float) -> float:
    """Return by how many dB a level counts as beyond a threshold, with a quadratic knee around it.

    Source: Giannoulis, Massberg, Reiss, JAES 60(6), 2012, eq. 4.

    >>> over_threshold_db(0.0, 8.0), over_threshold_db(10.0, 8.0)
    (1.0, 10.0)
    """
    if 2.0 * abs(over_db) <= knee_db and knee_db > 0.0:
        return (over_db + knee_db / 2.0) ** 2 / (2.0 * knee_db)
    return max(over_db, 0.0)


def static_curve_db(settings: CompressorSettings, level_db: float) -> float:
    """Return the output level in dB of a steady input level in dB (eq. 4 of the source).

    >>> static_curve_db(CompressorSettings(-20.0, 2.0, knee_db=6.0), -10.0)
    -15.0
    """
    over_db = over_threshold_db(level_db - settings.threshold_db, settings.knee_db)
    return level_db + (1.0 / settings.ratio - 1.0) * over_db


def expander_curve_db(settings: ExpanderSettings, level_db: float) -> float:
    """Return the output level in dB of a steady input level in dB.

    >>> expander_curve_db(ExpanderSettings(-40.0, ratio=2.0, knee_db=6.0), -50.0)
    -60.0
    """
    under_db = over_threshold_db(settings.threshold_db - level_db, settings.knee_db)
    return level_db - min((settings.ratio - 1.0) * under_db, settings.range_db)


def band_reduction_db(settings: DeEsserSettings, level_db: float) -> float:
    """Return by how many dB a band of that steady peak level is turned down, far above `freq_hz`.

    >>> band_reduction_db(DeEsserSettings(-30.0, ratio=4.0, knee_db=6.0), -22.0)
    6.0
    """
    over_db = over_threshold_db(level_db - settings.threshold_db, settings.knee_db)
    return min((1.0 - 1.0 / settings.ratio) * over_db, settings.range_db)


def shelf_gain_db(
    settings: DeEsserSettings, reduction_db: float, freq_hz: float, rate_hz: int
) -> float:
    """Return the gain in dB of the shelf at a frequency while the band is turned down.

    >>> round(shelf_gain_db(DeEsserSettings(-30.0), 12.0, 6000.0, 48000), 6)
    -6.0
    """
    half = db_to_gain(-reduction_db / 2.0)
    ratio = math.tan(math.pi * freq_hz / rate_hz) / math.tan(math.pi * settings.freq_hz / rate_hz)
    return 20.0 * math.log10(math.hypot(1.0, ratio * half) / math.hypot(1.0, ratio / half))
