"""A shared effect at work: the sum of its sends in, its wet sound out."""

from __future__ import annotations

import numpy as np

from mixwright.audio import StemReader
from mixwright.dsp.align import RunningAlign
from mixwright.dsp.contract import Running
from mixwright.dsp.impulse import ImpulseSettings
from mixwright.problem import Problem
from mixwright.rendering.chain import run_inserts, started_inserts
from mixwright.rendering.nodes import NodeError, at_node
from mixwright.rendering.parts import ReturnPlan
from mixwright.rendering.strip import apply_gain, set_width
from mixwright.units import Block


class ReturnStrip:
    """Effect -> inserts -> EQ -> width -> gain; `align` keeps it in time with the others.

    `start` is the song sample of the first frame it will see.
    """

    def __init__(self, plan: ReturnPlan, rate_hz: int, start: int) -> None:
        self.plan = plan
        path = ("returns", plan.name)
        self._effect = _started_effect(plan, rate_hz, start)
        self._inserts, self._path = started_inserts(plan.inserts, path, rate_hz, 2), path
        self.latency = sum(part.latency for part in (self._effect, *self._inserts))
        self._eq = plan.eq.start(rate_hz, 2, start - self.latency)
        self.align = RunningAlign(0)

    def process(self, block: Block, at: int) -> Block:
        """Work in place on the sends at song sample `at`."""
        self._effect.process(block)
        run_inserts(self._inserts, self._path, block)
        self._eq.process(block)
        set_width(block, self.plan.width_percent)
        sounding = at - self.latency  # what comes out now went in so much earlier
        gain = self.plan.gain.values(sounding, len(block))
        apply_gain(block, gain * self.plan.mute.values(sounding, len(block)))
        return self.align.process(block)


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
