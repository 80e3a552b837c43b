"""The parts of a plan: what happens on each strip, in samples and gains."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from mixwright.audio import StemInfo
from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.curve import Curve
from mixwright.dsp.de_esser import DeEsserSettings
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.eq import EqSettings
from mixwright.dsp.expander import ExpanderSettings
from mixwright.dsp.impulse import ImpulseSettings
from mixwright.dsp.inserts import InsertSettings
from mixwright.dsp.reverb import ReverbSettings

Makeup = float | Literal["matched"]
# The parts of a chain, in the order of the signal.
ChainPart = Literal["eq", "gate", "compressor", "de_esser", "inserts"]
NO_EQ = EqSettings()
UNCOVERED = Curve("dB", 0.0)


@dataclass(frozen=True)
class ChainPlan:
    """EQ, dynamics and inserts of one strip; None is none, keys are names of tracks."""

    eq: EqSettings = NO_EQ
    level_match: bool = False
    gate: ExpanderSettings | None = None
    gate_key: str | None = None
    compressor: CompressorSettings | None = None
    compressor_key: str | None = None
    makeup: Makeup = 0.0
    de_esser: DeEsserSettings | None = None
    inserts: tuple[InsertSettings, ...] = ()

    @property
    def keys(self) -> tuple[str, ...]:
        """The tracks that this chain listens to, each once."""
        named = (self.gate_key, self.compressor_key)
        return tuple(dict.fromkeys(name for name in named if name is not None))

    @property
    def acts_after_eq(self) -> bool:
        """Whether there is anything after the EQ."""
        return bool(self.gate or self.compressor or self.de_esser or self.inserts)

    @property
    def matches_eq(self) -> bool:
        """Whether the EQ's change of level has to be measured and taken back."""
        return self.level_match and bool(self.still_eq.bands)

    @property
    def matches_compressor(self) -> bool:
        """Whether the compressor's change of level has to be measured and taken back."""
        return self.compressor is not None and self.makeup == "matched"

    @property
    def matches_inserts(self) -> bool:
        """Whether the inserts' change of level has to be measured and taken back."""
        return self.level_match and bool(self.inserts)

    @property
    def still_eq(self) -> EqSettings:
        """The EQ without the bands that move: what these do to the level is meant."""
        moving = {ride.band for ride in self.eq.rides}
        return EqSettings(tuple(b for i, b in enumerate(self.eq.bands) if i not in moving))

    def as_matched(self, part: ChainPart) -> ChainPlan:
        """The chain as far as a part that is to be matched."""
        if part == "eq":
            return ChainPlan(self.still_eq, self.level_match)
        if part == "compressor":
            return replace(self, de_esser=None, inserts=())
        return self


@dataclass(frozen=True)
class TrackPlan:
    """One track: where it is read from, what happens to it, where it goes.

    `cut_at` is the end of the song where the stem would go on after it. `cover` is what a clean
    version does to its level.
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
    cover: Curve = UNCOVERED


@dataclass(frozen=True)
class BusPlan:
    """A group or the mix bus."""

    name: str
    chain: ChainPlan
    gain: Curve
    mute: Curve
    width_percent: float = 100.0


@dataclass(frozen=True)
class ReturnPlan:
    """A shared effect and its level; `impulse` is the recording of a recorded room."""

    name: str
    effect: ReverbSettings | ImpulseSettings | DelaySettings
    eq: EqSettings
    gain: Curve
    mute: Curve
    inserts: tuple[InsertSettings, ...] = ()
    width_percent: float = 100.0
    impulse: StemInfo | None = None


@dataclass(frozen=True)
class Stretch:
    """A named part of the song as samples, `end` not included."""

    name: str
    start: int
    end: int
