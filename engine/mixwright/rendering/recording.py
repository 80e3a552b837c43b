"""A recording: sound that was made and is kept on disk, with all that was measured on the way."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from mixwright.audio import Spool
from mixwright.claims import nameless
from mixwright.meters import SoundMeter, SoundReadings
from mixwright.meters.loudness import integrated_lufs
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering.blocks import kept, turned
from mixwright.rendering.identity import Identity
from mixwright.rendering.parts import TrackPlan
from mixwright.rendering.placed_faults import check_finite
from mixwright.rendering.reductions import Reduction
from mixwright.units import Block, Floats, gain_to_db, unless_silent


@dataclass(frozen=True)
class NodeReadings:
    """What was measured of one sound on the way, for all mixes that share it.

    `reductions` are what its dynamics did, by ``strip.part``, of tracks and groups in the sections
    of the first mix that has them. Of tracks, `peak` is the highest sample as they are placed and
    `hops` the K-weighted mean squares of 0.1 s each, shape (hops,).
    """

    sound: Identity
    reductions: Mapping[str, Reduction]
    peak: float = 0.0
    hops: Floats = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True)
class PlayedTrack:
    """A track as it reached its bus: its plan, and what was measured of it."""

    plan: TrackPlan
    readings: NodeReadings

    @property
    def name(self) -> str:
        """Its name in the sheet."""
        return self.plan.name

    @property
    def sample_peak_dbfs(self) -> float | None:
        """Its highest sample, None for silence."""
        return unless_silent(gain_to_db(self.readings.peak))

    @property
    def integrated_lufs(self) -> float | None:
        """Its gated loudness (BS.1770-5), None for silence."""
        return unless_silent(integrated_lufs(self.readings.hops))


@dataclass(frozen=True)
class Recording:
    """A mix, or sound made of one: `gain` times a spool, which `meter` has heard as it is there.

    `reductions` (by ``strip.processor``) are of the measured part of the song, `matches` the level
    changes taken back, in dB, by strip and part. Can be played any number of times, by several
    threads at once.
    """

    spool: Spool
    rate_hz: int
    meter: SoundMeter
    gain: float = 1.0
    tracks: tuple[PlayedTrack, ...] = ()
    reductions: Mapping[str, Reduction] = field(default_factory=dict)
    matches: Mapping[tuple[str, str], float] = field(default_factory=dict)
    warnings: tuple[Problem, ...] = ()

    @property
    def frames(self) -> int:
        """Its length in samples."""
        return self.spool.frames

    @property
    def seconds(self) -> float:
        """Its length."""
        return self.frames / self.rate_hz

    @property
    def matches_db(self) -> dict[str, float]:
        """The level changes taken back, by ``strip.part``."""
        return {f"{name}.{part}": value for (name, part), value in self.matches.items()}

    def blocks(self, first: int = 0, last: int | None = None) -> Iterator[Block]:
        """Yield it in blocks of (frames, 2), which are valid until the next.

        From frame `first` up to, and without, `last`; what lies outside of it is silence.
        """
        blocks = turned(self.spool.blocks(), self.gain)
        if (first, last) == (0, None):
            return blocks
        return kept(blocks, self.frames, first, self.frames if last is None else last)

    def figures(self, start_s: float = 0.0, end_s: float | None = None) -> SoundReadings:
        """Return the figures of a stretch, or of the whole, as long as what is left of its tail."""
        found = self.meter.readings(start_s, end_s, self.gain)
        is_whole = (start_s, end_s) == (0.0, None)
        return replace(found, seconds=self.seconds) if is_whole else found

    def close(self) -> None:
        """Give the space back."""
        self.spool.close()


def recorded(blocks: Iterable[Block], rate_hz: int, folder: Path) -> Recording:
    """Keep blocks (frames, 2) in a spool in `folder`, measured on the way; who calls closes it.

    Raises ProblemError for samples that are no numbers, and (fault MACHINE) when the disk refuses.
    """
    recording = Recording(Spool(folder), rate_hz, SoundMeter(rate_hz, 2))
    try:
        for block in blocks:
            check_finite(recording.meter.feed(block), "the mix", ("mix_bus",))
            recording.spool.write(block)
    except BaseException:
        recording.close()
        raise
    return recording


def temporary_folder() -> Path:
    """Return the folder of temporary files, for the spools of whoever writes no mix.

    They have no names: nothing of them is left, whatever happens. ProblemError (fault MACHINE)
    where there can be none.
    """
    try:
        folder = Path(tempfile.gettempdir())
        nameless(folder).close()
    except OSError as error:
        message = f"there is no folder for temporary files: {error.strerror or error}"
        hint = "set $TMPDIR to one that can be written to"
        problem = Problem("output/machine", message, help=hint, fault=Fault.MACHINE)
        raise ProblemError([problem]) from error
    return folder
