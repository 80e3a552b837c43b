"""The parts of a plan: what happens on each strip, in samples and gains."""

from __future__ import annotations

from dataclasses import dataclass

from mixwright.audio import StemInfo
from mixwright.dsp.curve import Curve
from mixwright.dsp.eq import EqSettings
from mixwright.rendering.stages import NO_EQ, EffectStage, EqStage, Stage
from mixwright.sheet.model import CHAIN_PARTS

STILL = Curve("dB", 0.0)


@dataclass(frozen=True)
class ChainPlan:
    """What the sound of one strip runs through: stages that do something, in order of the signal.

    The EQ of a track, group or mix bus, where there is one, is the first.
    """

    stages: tuple[Stage, ...] = ()

    def stage(self, kind: str) -> Stage | None:
        """Return the stage of a kind, None if there is none."""
        return next((stage for stage in self.stages if stage.kind == kind), None)

    def matches(self, kind: str) -> bool:
        """Return whether there is such a stage whose change of level is measured and taken back."""
        stage = self.stage(kind)
        return stage is not None and stage.is_matched

    def as_far_as(self, kind: str) -> ChainPlan:
        """Return the chain up to and with a kind of stage, whether that is there or not."""
        within = CHAIN_PARTS[: CHAIN_PARTS.index(kind) + 1]
        return ChainPlan(tuple(stage for stage in self.stages if stage.kind in within))

    def as_matched(self, kind: str) -> ChainPlan:
        """Return the chain as far as a stage that is to be matched."""
        within = self.as_far_as(kind).stages
        return ChainPlan(tuple(one.as_matched if one.kind == kind else one for one in within))

    @property
    def eq(self) -> EqSettings:
        """The settings of the EQ; one without bands if there is none."""
        return next((one.settings for one in self.stages if isinstance(one, EqStage)), NO_EQ)

    @property
    def after_eq(self) -> tuple[Stage, ...]:
        """The stages after an EQ that comes first: all of a return, which its effect begins."""
        return self.stages[1 if self.stages and isinstance(self.stages[0], EqStage) else 0 :]

    @property
    def listens(self) -> bool:
        """Whether something in it goes by how loud a sound is."""
        return any(stage.listens for stage in self.stages)

    @property
    def is_added(self) -> bool:
        """Whether it holds something by which parts of a mix can only be told by what they add."""
        return any(stage.is_added for stage in self.stages)

    @property
    def keys(self) -> tuple[str, ...]:
        """The tracks that this chain listens to, each once."""
        return tuple(dict.fromkeys(one.key for one in self.stages if one.key is not None))


@dataclass(frozen=True)
class TrackPlan:
    """One track: where it is read from, what happens to it, where it goes.

    Curves of levels are in dB; `input_gain` is an amplitude, negative for a track turned over.

    `cut_at` is the end of the song where the stem would go on after it. `cover` is what a clean
    version does to its level.
    """

    name: str
    stem: StemInfo
    offset: int
    input_gain: float
    chain: ChainPlan
    fader: Curve
    mute: Curve
    pan: Curve
    width_percent: float
    group: str | None
    sends: tuple[tuple[str, Curve], ...]
    cut_at: int | None = None
    cover: Curve = STILL


@dataclass(frozen=True)
class BusPlan:
    """A group, a return or the mix bus. The chain of a return begins with its effect."""

    name: str
    chain: ChainPlan
    fader: Curve
    mute: Curve
    width_percent: float = 100.0

    @property
    def path(self) -> tuple[str, ...]:
        """Its place in the sheet."""
        if self.name == "mix_bus":
            return (self.name,)
        return ("groups" if self.chain.stage("effect") is None else "returns", self.name)

    @property
    def impulse(self) -> StemInfo | None:
        """The recording of a return that is a recorded room."""
        effect = self.chain.stage("effect")
        return effect.impulse if isinstance(effect, EffectStage) else None


# A mix bus that does nothing.
PLAIN_BUS = BusPlan("mix_bus", ChainPlan(), STILL, STILL)


@dataclass(frozen=True)
class Stretch:
    """A named part of the song as samples, `end` not included."""

    name: str
    start: int
    end: int
