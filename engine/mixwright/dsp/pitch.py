"""Pitch shift: a phase vocoder stretches the sound, and reading it faster or slower undoes that.

Frames of 64 ms are taken where they will be wanted and laid down at an even hop. Each is turned so
that its phases follow from the frame before: the spectrum one hop earlier in the input tells by how
much they moved (M. Puckette, "Phase-locked vocoder", 1995), and all bins about a peak turn as the
peak does (J. Laroche, M. Dolson, "Improved phase vocoder time-scale modification of audio", 1999).
Left and right turn alike, so that their phases to one another stay. The stretched sound is read
back through a table of sinc functions (J. O. Smith, P. Gossett, "A flexible sampling-rate
conversion method", 1984).

Why not pedalboard's pitch shift: version 0.9.26 can't be streamed. Each call to `process` empties
the second of delay that it puts ahead of the effect, so that with `reset=False` it returns silence
and nothing else. Only the whole signal at once comes out, up to 16 ms early or late depending on
the interval. The tests compare pitch and level with that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.align import RunningAlign
from mixwright.dsp.contract import bounded, check_bounds
from mixwright.dsp.grid import CHUNK, RunningInsert
from mixwright.units import Block, Floats


@dataclass(frozen=True)
class PitchShiftSettings:
    """Up (above 0) or down in semitones of equal temperament; the duration stays.

    At 0 it does nothing: it passes every bit, without latency.
    """

    semitones: float = bounded(-24.0, 24.0, default=0.0)
    mix_percent: float = bounded(0.0, 100.0, default=100.0)

    def __post_init__(self) -> None:
        check_bounds(self)

    @property
    def ratio(self) -> float:
        """The factor on every frequency.

        >>> PitchShiftSettings(12.0).ratio
        2.0
        """
        return float(2.0 ** (self.semitones / 12.0))

    def start(self, rate_hz: int, channels: int) -> RunningInsert | RunningAlign:
        """Return a running pitch shift for blocks of so many channels."""
        if self.semitones == 0.0:
            return RunningAlign(0, channels)
        effect = _PitchShift(self.ratio, rate_hz, channels)
        return RunningInsert(effect, channels, self.mix_percent)

    def tail_samples(self, rate_hz: int) -> int:
        """Samples until it is silent: what the frames reach beyond their middle."""
        return 0 if self.semitones == 0.0 else _Sizes.of(self.ratio, rate_hz).reach


FRAME_S = 0.064
HOPS = 8
TABLE_STEPS = 512
# Zero crossings of the sinc on each side, and its Kaiser shape: -100 dB beside a band of 0.08.
CROSSINGS, SHAPE = 40, 10.06


@dataclass(frozen=True)
class _Sizes:
    """Lengths in samples: of a frame, of the hop of the output, of half the sinc, of what is near.

    `reach` is how much later input still has a part in an output sample.
    """

    frame: int
    hop: int
    half: int
    reach: int

    @classmethod
    def of(cls, ratio: float, rate_hz: int) -> _Sizes:
        frame = 512 * max(1, round(FRAME_S * rate_hz / 512))
        # Downwards the input is stepped through faster: a closer hop leaves no gaps in it.
        closer = min(4, max(1, 2 ** round(-math.log2(ratio))))
        half = 2 * math.ceil(CROSSINGS * max(1.0, ratio) / 2)
        reach = math.ceil(frame / 2 + 2 + (frame / 2 + half + 1) / ratio)
        return cls(frame, frame // (HOPS * closer), half, reach)


class _PitchShift:
    """The shifted sound, all wet, a chunk at a time."""

    def __init__(self, ratio: float, rate_hz: int, channels: int) -> None:
        from scipy import fft

        self._fft = fft
        self._ratio = ratio
        self._sizes = sizes = _Sizes.of(ratio, rate_hz)
        self.latency = self.tail = sizes.reach
        window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(sizes.frame) / sizes.frame)
        self._window = window
        self._overlap = window * (sizes.hop / float(np.sum(window**2)))
        self._table = _sinc_table(ratio, sizes.half)
        # What the earliest frame still to be laid down needs, the first of all included.
        needed = sizes.frame + sizes.hop + math.ceil(sizes.hop / ratio) + 2
        self._heard = np.zeros((channels, needed + CHUNK))
        self._taken = 0
        self._said = np.zeros((channels, sizes.frame // 2 + 1), dtype=np.complex128)
        # The first frame with any input in it.
        self._turn = math.ceil(-sizes.frame / 2 * ratio / sizes.hop)
        self._base = math.floor(-sizes.reach * ratio) - sizes.half
        room = (CHUNK + sizes.reach) * ratio + 2 * (sizes.half + sizes.frame)
        self._stretched = np.zeros((channels, math.ceil(room)))

    def render(self, chunk: Block) -> Block:
        """Return the next chunk (`CHUNK`, channels), `latency` late."""
        from mixwright.dsp.kernels.pitch import read_between

        self._heard[:, :-CHUNK] = self._heard[:, CHUNK:].copy()
        self._heard[:, -CHUNK:] = chunk.T
        self._taken += CHUNK
        self._stretch()
        first = self._taken - CHUNK - self.latency
        wet = np.empty_like(chunk)
        read_between(self._stretched, self._base, self._ratio, first, self._table, wet)
        self._forget(math.floor((first + CHUNK) * self._ratio) - self._sizes.half)
        return wet

    def _stretch(self) -> None:
        """Lay down all frames whose input is there."""
        from mixwright.dsp.kernels.pitch import turn_phases

        starts: list[int] = []
        while (
            start := self._start_of(self._turn + len(starts))
        ) + self._sizes.frame <= self._taken:
            starts.append(start - self._taken + self._heard.shape[1])
        if not starts:
            return
        spectra = self._spectra(starts)
        earlier = self._spectra([start - self._sizes.hop for start in starts])
        turn_phases(spectra, earlier, self._said)
        frames = self._fft.irfft(spectra, self._sizes.frame, axis=2) * self._overlap
        for frame in frames:
            at = self._turn * self._sizes.hop - self._sizes.frame // 2 - self._base
            self._stretched[:, at : at + self._sizes.frame] += frame
            self._turn += 1

    def _start_of(self, turn: int) -> int:
        """The sample of the input at which the frame of so many hops begins."""
        middle = math.floor(turn * self._sizes.hop / self._ratio + 0.5)
        return middle - self._sizes.frame // 2

    def _spectra(self, starts: list[int]) -> NDArray[np.complex128]:
        """Spectra (starts, channels, bins) of the windowed input from each start on."""
        cut = [self._heard[:, start : start + self._sizes.frame] for start in starts]
        return np.asarray(self._fft.rfft(np.stack(cut) * self._window, axis=2))

    def _forget(self, base: int) -> None:
        """Drop the stretched sound before position `base`."""
        gone, self._base = base - self._base, base
        self._stretched[:, :-gone] = self._stretched[:, gone:].copy()
        self._stretched[:, -gone:] = 0.0


def _sinc_table(ratio: float, half: int) -> Floats:
    """Rows of sinc taps for each fraction of a sample, `half` on each side, of gain 1.

    Read faster than it was laid down, the sound is first cut below the new half of the rate.
    """
    cut = 0.5 if ratio <= 1.0 else 0.46 / ratio
    fraction = np.arange(TABLE_STEPS + 1)[:, None] / TABLE_STEPS
    offset = np.arange(2 * half)[None, :] - half + 1 - fraction
    shape = np.i0(SHAPE * np.sqrt(np.maximum(0.0, 1.0 - (offset / half) ** 2)))
    table = np.sinc(2.0 * cut * offset) * shape
    return np.asarray(table / table.sum(axis=1, keepdims=True))
