"""The stages of a chain as they are planned: each says for itself what else there is to know of it.

A chain goes through them in a loop. What it needs of a stage that is at work is a latency and
`process`; what turns down by a level (:class:`~mixwright.dsp.reduction.CountedReduction`) takes a
key too, and is logged.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Literal, Protocol

from mixwright.audio import StemInfo, read_part
from mixwright.dsp.contract import Running
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.eq import EqSettings
from mixwright.dsp.impulse import ImpulseSettings
from mixwright.dsp.inserts import InsertSettings, SaturationSettings
from mixwright.dsp.reverb import ReverbSettings
from mixwright.problem import Problem
from mixwright.rendering.placed_faults import NodeError, at_node
from mixwright.sheet.model import PathKey
from mixwright.units import Block

Makeup = float | Literal["matched"]
NO_EQ = EqSettings()
LONGEST_INSERT_TAIL_S = 12.0
DUCKING_MEMORY_MS = 9000.0


class RunningStage(Protocol):
    """A stage at work."""

    @property
    def latency(self) -> int:
        """Samples by which its output lags."""
        ...

    @property
    def process(self) -> Callable[..., Block]:
        """Work in place on a block; by the level of another, where it takes a key."""
        ...


class Stage:
    """One part of a chain; `kind` is its key in the sheet, `key` the track that it listens to.

    `is_added`: parts of a mix that add up can't go by the whole here, each is told by what it adds
    (:mod:`mixwright.rendering.following`).
    """

    kind: str
    settings: Any
    key: str | None = None
    makeup: Makeup = 0.0
    is_added: ClassVar[bool] = False

    @property
    def listens(self) -> bool:
        """Whether it goes by how loud something is: its key, what its lead hears, or itself."""
        return False

    @property
    def is_matched(self) -> bool:
        """Whether its change of level has to be measured and taken back."""
        return self.makeup == "matched"

    @property
    def as_matched(self) -> Stage:
        """What of it the match is for."""
        return self

    @property
    def keeps_time(self) -> bool:
        """Whether it swings or cuts into frames from the start of the song on."""
        return False

    @property
    def settling_ms(self) -> tuple[float, float]:
        """How long what it heard before fades from what it does, and how long it holds on."""
        return 0.0, 0.0

    def tail(self, rate_hz: int) -> int:
        """Return for how many samples it rings on."""
        return 0

    def start(self, path: PathKey, rate_hz: int, channels: int, at: int) -> RunningStage:
        """Start it in the strip at `path`; `at` is the song sample of its first frame."""
        raise NotImplementedError


@dataclass(frozen=True)
class EqStage(Stage):
    """The EQ. That of a track comes first, and other tracks listen after it."""

    settings: EqSettings
    level_match: bool = False
    kind = "eq"

    @property
    def is_matched(self) -> bool:
        """Whether bands that stay as they are change the level, and that is taken back."""
        return self.level_match and bool(self.as_matched.settings.bands)

    @property
    def as_matched(self) -> EqStage:
        """The EQ without the bands that move: what these do to the level is meant."""
        moving = {ride.band for ride in self.settings.rides}
        still = (band for index, band in enumerate(self.settings.bands) if index not in moving)
        return replace(self, settings=EqSettings(tuple(still)))

    def tail(self, rate_hz: int) -> int:
        """Return for how many samples its filters ring on."""
        return self.settings.start(rate_hz, 2).tail

    def start(self, path: PathKey, rate_hz: int, channels: int, at: int) -> RunningStage:
        """Start it; its rides are in song time."""
        return self.settings.start(rate_hz, channels, at)


@dataclass(frozen=True)
class ProcessorStage(Stage):
    """A processor between EQ and inserts."""

    kind: str
    settings: Any
    key: str | None = None
    makeup: Makeup = 0.0

    @property
    def listens(self) -> bool:
        """Always: what does not go by a level takes a key too, and leaves it alone."""
        return True

    @property
    def settling_ms(self) -> tuple[float, float]:
        """How long what it heard before fades from what it does, and how long it holds on."""
        settling_ms: tuple[float, float] = self.settings.settling_ms
        return settling_ms

    def start(self, path: PathKey, rate_hz: int, channels: int, at: int) -> RunningStage:
        """Start it."""
        running: RunningStage = self.settings.start(rate_hz, channels)
        return running


@dataclass(frozen=True)
class InsertsStage(Stage):
    """All inserts of a strip, in order: their level is matched together."""

    settings: tuple[InsertSettings, ...]
    level_match: bool = False
    kind = "inserts"
    is_added: ClassVar[bool] = True

    @property
    def is_matched(self) -> bool:
        """Whether what they do to the level is taken back."""
        return self.level_match

    @property
    def keeps_time(self) -> bool:
        """Whether one of them swings or cuts into frames from the start of the song on."""
        return any(not isinstance(one, SaturationSettings) for one in self.settings)

    def tail(self, rate_hz: int) -> int:
        """Return for how many samples they ring on, within reason."""
        ringing = sum(insert.tail_samples(rate_hz) for insert in self.settings)
        return min(ringing, round(LONGEST_INSERT_TAIL_S * rate_hz))

    def start(self, path: PathKey, rate_hz: int, channels: int, at: int) -> RunningInserts:
        """Start them; what is wrong with one is said at its place in the sheet."""
        running: list[Running] = []
        for index, settings in enumerate(self.settings):
            place = (*path, self.kind, index)
            try:
                with at_node(*place):
                    running.append(settings.start(rate_hz, channels))
            except ValueError as error:
                raise NodeError([Problem("render/insert", str(error))], place) from error
        return RunningInserts(running, path)


@dataclass(frozen=True)
class EffectStage(Stage):
    """The effect of a return, which comes first; `impulse` is the recording of a recorded room."""

    settings: ReverbSettings | ImpulseSettings | DelaySettings
    impulse: StemInfo | None = None
    kind = "effect"

    @property
    def listens(self) -> bool:
        """Whether it is a delay that ducks."""
        return isinstance(self.settings, DelaySettings) and self.settings.duck_db is not None

    @property
    def settling_ms(self) -> tuple[float, float]:
        """What ducks goes by the loudest it has heard in the last seconds."""
        return 0.0, DUCKING_MEMORY_MS if self.listens else 0.0

    def tail(self, rate_hz: int) -> int:
        """Return for how many samples it rings on."""
        return self.settings.tail_samples(rate_hz)

    def start(self, path: PathKey, rate_hz: int, channels: int, at: int) -> RunningStage:
        """Start it; times of it that go by the tempo are those at `at`."""
        settings = self.settings.begun_at(at / rate_hz)
        if not isinstance(settings, ImpulseSettings):
            return settings.start(rate_hz, channels)
        assert self.impulse is not None
        place = (*path, "impulse")
        with at_node(*place):
            frames = round(self.impulse.frames * rate_hz / self.impulse.rate_hz)
            samples = read_part(self.impulse, rate_hz, frames)
        try:
            started: RunningStage = settings.start_with(samples, rate_hz)
            return started
        except ValueError as error:
            message = f"{self.impulse.path.name}: {error}"
            raise NodeError([Problem("audio/bad-impulse", message)], place) from error


class RunningInserts:
    """Inserts of one strip at work, in order."""

    def __init__(self, running: list[Running], path: PathKey) -> None:
        self._running, self._path = running, path
        self.latency = sum(insert.latency for insert in running)

    def process(self, block: Block) -> Block:
        """Work in place on a block; one that fails is named by its place in the sheet."""
        for index, insert in enumerate(self._running):
            try:
                insert.process(block)
            except (ValueError, RuntimeError) as error:
                problem = Problem("render/insert-failed", str(error))
                raise NodeError([problem], (*self._path, InsertsStage.kind, index)) from error
        return block
