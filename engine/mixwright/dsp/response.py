"""What a room's response goes through, synthesised or recorded: cuts, loudness, pre-delay."""

from __future__ import annotations

import math

import numpy as np

from mixwright.dsp.convolution import RunningConvolution
from mixwright.dsp.delay import RunningPreDelay, Times
from mixwright.dsp.eq import RunningCascade
from mixwright.dsp.filters import design_cuts, k_weighting, response_db
from mixwright.units import Block, Floats

# A source panned hard is heard in both sides of a room, nearer its own.
CROSSFEED = 0.3


def cut(
    response: Floats, high_pass_hz: float | None, low_pass_hz: float | None, rate_hz: int
) -> Floats:
    """Return `response` (samples, 2) through the return's low and high cut, 12 dB per octave.

    Applied to the response once instead of to the sound all the time.
    """
    cuts = design_cuts(high_pass_hz, low_pass_hz, rate_hz)
    return RunningCascade(cuts, 2).process(np.array(response, order="C"))


def as_loud_as_dry(response: Floats, rate_hz: int) -> Floats:
    """Return `response` so that centred pink noise is as loud wet as dry, by BS.1770."""
    return np.asarray(response / _pink_gain(response, rate_hz))


def after_silence(response: Floats, pre_delay_ms: float, rate_hz: int) -> Floats:
    """Return `response` with its pre-delay before it, to the nearest sample."""
    wait = np.zeros((round(pre_delay_ms * rate_hz / 1000.0), 2))
    return np.ascontiguousarray(np.concatenate([wait, response]))


class RunningRoom:
    """Convolution behind a pre-delay that moves with the tempo."""

    def __init__(self, line: RunningPreDelay, convolution: RunningConvolution) -> None:
        self._line, self._convolution = line, convolution
        self.latency, self.tail = convolution.latency, convolution.tail

    def process(self, block: Block) -> Block:
        """Replace `block` (frames, 2) by the wet signal, in place."""
        return self._convolution.process(self._line.process(block))


def started(
    response: Floats, tail: int, pre_delay_ms: float, later_pre_delays_ms: Times, rate_hz: int
) -> RunningConvolution | RunningRoom:
    """Return the running room; only a pre-delay that never moves is in its response."""
    convolution = RunningConvolution(response, tail, CROSSFEED)
    if not later_pre_delays_ms:
        return convolution
    pre_delays = ((0.0, pre_delay_ms), *later_pre_delays_ms)
    return RunningRoom(RunningPreDelay(pre_delays, rate_hz), convolution)


def _pink_gain(response: Floats, rate_hz: int) -> float:
    """The gain in K-weighted loudness that the response gives to centred pink noise."""
    from scipy import fft

    # A short response is read no coarser than every 4 Hz.
    size = fft.next_fast_len(max(len(response), rate_hz // 4), real=True)
    hz = fft.rfftfreq(size, 1.0 / rate_hz)
    audible = (hz >= 20.0) & (hz <= min(20000.0, 0.49 * rate_hz))
    sides = np.ascontiguousarray(response.T, dtype=np.float32)
    power = np.mean(np.abs(fft.rfft(sides, size, axis=1)) ** 2, axis=0)[audible]
    weight = 10.0 ** (response_db(k_weighting(rate_hz), hz[audible], rate_hz) / 10.0) / hz[audible]
    return float(math.sqrt(np.sum(power * weight) / np.sum(weight)))
