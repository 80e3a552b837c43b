"""The parts of a plan: what happens on each strip, in samples and gains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from mixwright.audio import StemInfo
from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.curve import Curve
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.eq import EqSettings
from mixwright.dsp.reverb import ReverbSettings

Makeup = float | Literal["matched"]
NO_EQ = EqSettings()


@dataclass(frozen=True)
class ChainPlan:
    """EQ and compressor of one strip; `compressor` None is none, `key` is a track's name."""

    eq: EqSettings = NO_EQ
    level_match: bool = False
    compressor: CompressorSettings | None = None
    key: str | None = None
    makeup: Makeup = 0.0

    @property
    def matches_eq(self) -> bool:
        """Whether the EQ's change of level has to be measured and taken back."""
        return self.level_match and bool(self.eq.bands)

    @property
    def matches_compressor(self) -> bool:
        """Whether the compressor's change of level has to be measured and taken back."""
        return self.compressor is not None and self.makeup == "matched"


@dataclass(frozen=True)
class TrackPlan:
    """One track: where it is read from, what happens to it, where it goes.

    `cut_at` is the end of the song where the stem would go on after it.
    """

    name: str
    stem: StemInfo
    offset: int
    input_gain: float
    chain: ChainPlan
    gain: Curve
    mute: Curve
    pan: Curve
    width_percent: float
    group: str | None
    sends: tuple[tuple[str, Curve], ...]
    cut_at: int | None = None


@dataclass(frozen=True)
class BusPlan:
    """A group or the mix bus."""

    name: str
    chain: ChainPlan
    gain: Curve
    mute: Curve


@dataclass(frozen=True)
class ReturnPlan:
    """A shared effect and its level."""

    name: str
    effect: ReverbSettings | DelaySettings
    eq: EqSettings
    gain: Curve
    mute: Curve
