"""What is left when an old mix is subtracted from a new one: how much, in which bands, and where.

Loudness is that of ITU-R BS.1770-5, but the absolute gate lies 80 LU lower, at -150 LUFS: it is
there for the silence between programmes, and a residual is quiet by nature.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np

from mixwright.meters import SoundMeter, SoundReadings
from mixwright.meters.spectrum import SpectrumMeter
from mixwright.rendering.ears import Figures
from mixwright.rendering.parts import Stretch
from mixwright.rendering.recording import Recording
from mixwright.timeline import Timeline
from mixwright.units import Block, db_to_gain, difference_db, or_silence

NOTHING = np.zeros((0, 2))
LIFTED_DB = 80.0
# A residual that peaks below this is called a null: it is 20 dB below what still counts as a tail,
# and 30 below the step of 16 bits. Ours.
NULL_DBFS = -120.0


@dataclass(frozen=True)
class Moment:
    """A place in the song; `section` is None before the first one and after the end."""

    seconds: float
    bar: int
    beat: float
    section: str | None


@dataclass(frozen=True)
class Residual:
    """The new mix minus the old one, over the whole or a stretch.

    - `same_bits`: both mixes are equal to the last bit; there is no level then.
    - `peak_dbfs`: the highest sample, None for none. `integrated_lufs`: gated loudness.
    - `relative_lu`: that loudness over the old mix's; None where either can't be had.
    - `octave_db`: mean power by octave, in the way of `SpectrumReadings`; `octave_relative_db` the
      same over the old mix's, None where that is silent.
    - `loudest`: where its loudest 400 ms begin; in less than that, where it peaks.
    """

    same_bits: bool
    peak_dbfs: float | None
    integrated_lufs: float | None
    relative_lu: float | None
    octave_db: tuple[float | None, ...]
    octave_relative_db: tuple[float | None, ...]
    loudest: Moment | None

    @property
    def is_null(self) -> bool:
        """Whether there is nothing that anyone could hear: below -120 dBFS."""
        return or_silence(self.peak_dbfs) < NULL_DBFS


class ResidualMeter:
    """Fed the residual in blocks (frames, 2), in order; then asked for the whole or a stretch.

    `stretches` are those of which it is to be known whether they are the same bits.
    """

    def __init__(self, timeline: Timeline, stretches: Sequence[Stretch], end: int) -> None:
        self._timeline, self._stretches, self._end, self._at = timeline, stretches, end, 0
        self._sound = SoundMeter(timeline.rate_hz, 2)
        self._spectrum = SpectrumMeter(timeline.rate_hz, 2)
        self._differing: set[Stretch] = set()
        self._is_silent = True

    def feed(self, block: Block) -> None:
        """Take a block."""
        self._sound.feed(block)
        self._spectrum.feed(block)
        if block.any():
            self._is_silent = False
            for stretch in self._stretches:
                inside = block[max(0, stretch.start - self._at) : max(0, stretch.end - self._at)]
                if inside.any():
                    self._differing.add(stretch)
        self._at += len(block)

    def residual(
        self, old: Figures, old_lufs: float | None, stretch: Stretch | None = None
    ) -> Residual:
        """Return what is left in a stretch or as a whole, held against the old mix there.

        `old_lufs` is the loudness of that, read as :func:`lifted_lufs` does.
        """
        rate_hz = self._timeline.rate_hz
        start_s, end_s = 0.0, None
        if stretch is not None:
            start_s, end_s = stretch.start / rate_hz, stretch.end / rate_hz
        same_bits = self._is_silent if stretch is None else stretch not in self._differing
        sound = self._sound.readings(start_s, end_s)
        spectrum = self._spectrum.readings(start_s, end_s)
        level = lifted_lufs(self._sound, start_s, end_s)
        octaves = zip(spectrum.octave_db, old.spectrum.octave_db, strict=True)
        return Residual(
            same_bits,
            sound.sample_peak_dbfs,
            level,
            difference_db(level, old_lufs),
            spectrum.octave_db,
            tuple(difference_db(*pair) for pair in octaves),
            None if same_bits else self._loudest(sound),
        )

    def _loudest(self, sound: SoundReadings) -> Moment | None:
        seconds = sound.sample_peak_s if sound.momentary_max_s is None else sound.momentary_max_s
        if seconds is None:
            return None
        sample = self._timeline.nearest_sample(seconds)
        section = self._timeline.section_at(sample) if sample < self._end else None
        bar, beat = self._timeline.bar_and_beat_at(seconds)
        return Moment(seconds, bar, beat, section.name if section else None)


def lifted_lufs(
    meter: SoundMeter, start_s: float = 0.0, end_s: float | None = None, gain: float = 1.0
) -> float | None:
    """Return the integrated loudness of a stretch, with the absolute gate at -150 LUFS.

    >>> import numpy as np
    >>> meter = SoundMeter(48000, 1)
    >>> tone = 1e-5 * np.sin(2 * np.pi * 997 / 48000 * np.arange(48000))
    >>> energy = meter.feed(tone[:, None])
    >>> meter.readings().integrated_lufs, round(lifted_lufs(meter), 2)
    (None, -103.01)
    """
    lifted = meter.readings(start_s, end_s, gain * db_to_gain(LIFTED_DB)).integrated_lufs
    return None if lifted is None else lifted - LIFTED_DB


def side_by_side(
    old: Recording | None, new: Recording | None
) -> Iterator[tuple[Block, Block, Block]]:
    """Yield blocks (frames, 2) of both mixes and of what is left when the old is subtracted.

    One that has ended is silence from there on; its own blocks are empty then. Blocks are valid
    until the next ones.
    """
    streams = [iter(()) if done is None else done.blocks() for done in (old, new)]
    for was, now in zip_longest(*streams, fillvalue=NOTHING):
        left = np.zeros((max(len(was), len(now)), 2))
        left[: len(now)] = now
        left[: len(was)] -= was
        yield was, now, left
