"""One EQ band as numbers: the settings that `filters` turns into sections."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from mixwright.dsp.contract import bounded, check_bounds

BandType = Literal["high_pass", "low_pass", "low_shelf", "high_shelf", "bell", "notch"]
SLOPES_DB_PER_OCT = (6, 12, 18, 24, 30, 36, 42, 48)
DEFAULT_Q = {"low_shelf": 0.7071, "high_shelf": 0.7071, "bell": 1.0, "notch": 4.0}
PASSES = ("high_pass", "low_pass")
SHELVES = ("low_shelf", "high_shelf")
GAIN_TYPES = ("bell", *SHELVES)


@dataclass(frozen=True)
class BandSettings:
    """One EQ band. `q` counts for bells, shelves and notches, `slope_db_per_oct` for passes.

    A bell's Q follows the Audio EQ Cookbook (bandwidth between half-gain points), so an equal
    boost and cut cancel exactly. Passes are Butterworth. `slope` is the cookbook's shelf slope S,
    for shelves in place of `q`. `on` says whether the band works on both channels alike, on what
    they share (mid) or on what differs (side).
    """

    type: BandType
    freq_hz: float = bounded(10.0, 22000.0)
    gain_db: float = bounded(-24.0, 24.0, default=0.0)
    q: float = bounded(0.1, 40.0, default=0.7071)
    slope_db_per_oct: int = 12
    slope: float | None = bounded(0.1, 1.0, default=None)
    on: Literal["both", "mid", "side"] = "both"

    def __post_init__(self) -> None:
        check_bounds(self)
        if self.slope_db_per_oct not in SLOPES_DB_PER_OCT:
            raise ValueError("slope_db_per_oct is a multiple of 6 from 6 to 48")
        if self.slope is not None and self.type not in SHELVES:
            raise ValueError(f"a {self.type} has no slope, expected a shelf")
        if self.on not in ("both", "mid", "side"):
            raise ValueError(f"on is {self.on}, expected both, mid or side")

    @property
    def does_nothing(self) -> bool:
        """Whether it passes every sample on as it is."""
        return self.type in GAIN_TYPES and self.gain_db == 0.0
