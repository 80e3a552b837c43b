"""A shared effect at work: the sum of its sends in, its wet sound out."""

from __future__ import annotations

import numpy as np

from mixwright.audio import StemReader
from mixwright.dsp.contract import Running
from mixwright.dsp.delay import RunningDelay
from mixwright.dsp.impulse import ImpulseSettings
from mixwright.problem import Problem
from mixwright.rendering.chain import NO_KEYS, Keys, run_inserts, started_inserts
from mixwright.rendering.following import ON_ITS_OWN, Following, Heard
from mixwright.rendering.parts import ReturnPlan
from mixwright.rendering.placed_faults import NodeError, at_node
from mixwright.rendering.strip import apply_gain, set_width
from mixwright.units import Block


class ReturnStrip:
    """Effect -> inserts -> EQ -> width -> gain.

    `start` is the song sample of the first frame it will see. A return that follows another ducks
    by what is sent to that one.
    """

    def __init__(
        self,
        plan: ReturnPlan,
        rate_hz: int,
        start: int,
        lead: ReturnStrip | None = None,
        following: Following = ON_ITS_OWN,
    ) -> None:
        self.plan, self._lead, self.following = plan, lead, following
        self.heard: Heard | None = None
        if lead is not None:
            lead.heard = lead.heard or Heard()
        path = ("returns", plan.name)
        self._effect = _started_effect(plan, rate_hz, start)
        self._inserts, self._path = started_inserts(plan.inserts, path, rate_hz, 2), path
        self.latency = sum(part.latency for part in (self._effect, *self._inserts))
        self._eq = plan.eq.start(rate_hz, 2, start - self.latency)

    def process(self, block: Block, at: int, _keys: Keys = NO_KEYS) -> Block:
        """Work in place on the sends at song sample `at`."""
        if self.heard is not None:
            self.heard.keep("sends", block)
        if self._lead is not None and self._lead.heard is not None:
            self._ducking.process(block, self._lead.heard.of("sends"))
        else:
            self._effect.process(block)
        self._insert(block)
        self._eq.process(block)
        set_width(block, self.plan.width_percent)
        sounding = at - self.latency  # what comes out now went in so much earlier
        gain = self.plan.gain.values(sounding, len(block))
        apply_gain(block, gain * self.plan.mute.values(sounding, len(block)))
        return block

    @property
    def _ducking(self) -> RunningDelay:
        """The effect, where it can go by another sound than its own."""
        assert isinstance(self._effect, RunningDelay)
        return self._effect

    def _insert(self, block: Block) -> None:
        additions, inserts, path = self.following.additions, self._inserts, self._path
        if additions is None:
            run_inserts(inserts, path, block)
        else:
            first = self.following.is_first
            additions.add(block, first, lambda whole: run_inserts(inserts, path, whole))


def _started_effect(plan: ReturnPlan, rate_hz: int, start: int) -> Running:
    effect = plan.effect.begun_at(start / rate_hz)
    if not isinstance(effect, ImpulseSettings):
        return effect.start(rate_hz, 2)
    assert plan.impulse is not None
    place = ("returns", plan.name, "impulse")
    with at_node(*place):
        reader = StemReader(plan.impulse, rate_hz)
        frames = round(plan.impulse.frames * rate_hz / plan.impulse.rate_hz)
        try:
            samples = reader.read(np.zeros((frames, plan.impulse.channels)))
        finally:
            reader.close()
    try:
        started: Running = effect.start_with(samples, rate_hz)
        return started
    except ValueError as error:
        message = f"{plan.impulse.path.name}: {error}"
        raise NodeError([Problem("audio/bad-impulse", message)], place) from error
