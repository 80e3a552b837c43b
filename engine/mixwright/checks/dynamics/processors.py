"""Processors of dynamics in their places, and what was heard of them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.compressor import CompressorSettings
from mixwright.measuring.evidence import Evidence, Levels
from mixwright.meters.loudness import HOP_S, to_mean_square
from mixwright.rendering.reductions import Reduction
from mixwright.sheet import Bus, Compressor, Group, Sheet, Track
from mixwright.sheet.model import Limiter, Processor, processors_of
from mixwright.units import SILENCE_DB
from mixwright.words import named

# A signal sounds where it is within so much of its own loudness: below that are pauses, spill and
# decay. The same distance as the gate of EBU Tech 3342.
SOUNDS_WITHIN_LU = 20.0
# Reduction below this counts as none, see `mixwright.dsp.reduction`.
AT_WORK_DB = 0.1


@dataclass(frozen=True)
class Placed:
    """A processor in its place in the sheet, whether it is heard or not."""

    name: str
    part: str
    path: tuple[str | int, ...]
    settings: Processor | Limiter

    @property
    def told(self) -> str:
        """Its name in words: ``the compressor of lead_vocal``."""
        return f"the {named(self.part)} of {'the mix bus' if self.name == 'mix_bus' else self.name}"


@dataclass(frozen=True)
class AtWork(Placed):
    """A processor of a track or group that sounds: levels around its chain, what it reduced.

    `before` is what the chain's dynamics are given, `after` what comes out of the whole chain.
    """

    strip: Track | Group
    before: Levels
    after: Levels
    reduction: Reduction

    @property
    def key(self) -> str | None:
        """The track that it listens to, if not its own."""
        return getattr(self.settings, "key", None)

    @property
    def is_parallel(self) -> bool:
        """Whether the untouched sound is mixed to the compressed."""
        return isinstance(self.settings, Compressor) and self.settings.settings.mix_percent < 100.0

    @property
    def worst_section(self) -> str | None:
        """The section in which it reduces most; None without sections."""
        sections = self.reduction.by_section
        return max(sections, key=lambda name: sections[name].max_db, default=None)


def placed(sheet: Sheet) -> Iterator[Placed]:
    """Yield every processor of dynamics of a sheet: of tracks, of groups, of the mix bus."""
    bus = sheet.mix_bus
    strips: list[tuple[tuple[str, ...], Track | Group | Bus]] = [
        *((("tracks", one.name), one) for one in sheet.tracks),
        *((("groups", one.name), one) for one in sheet.groups),
        (("mix_bus",), bus),
    ]
    for path, strip in strips:
        for kind, settings in processors_of(strip):
            if kind.step == "dynamics":
                yield Placed(path[-1], kind.id, (*path, kind.id), settings)
    if bus.limiter is not None:
        yield Placed("mix_bus", "limiter", ("mix_bus", "limiter"), bus.limiter)


def at_work(heard: Evidence) -> Iterator[AtWork]:
    """Yield the processors of tracks and groups that are heard in the mix, in sheet order."""
    ways: dict[str, tuple[Track | Group, Levels, Levels]] = {
        track.name: (track.track, track.equalised, track.treated) for track in heard.heard_tracks()
    }
    for group in heard.groups.values():
        if group.after.integrated_lufs() > SILENCE_DB:
            ways[group.group.name] = (group.group, group.before, group.after)
    for one in placed(heard.sheet):
        reduction = heard.reductions.get(f"{one.name}.{one.part}")
        if one.name in ways and reduction is not None:
            yield AtWork(one.name, one.part, one.path, one.settings, *ways[one.name], reduction)


def compressors(heard: Evidence) -> list[AtWork]:
    """Return the compressors of tracks and groups that are heard, in sheet order."""
    return [one for one in at_work(heard) if one.part == "compressor"]


def sounding(levels: Levels) -> NDArray[np.bool_]:
    """Return in which hops of 100 ms a signal sounds, shape ``(hops,)``."""
    loudness = levels.integrated_lufs()
    if not math.isfinite(loudness):
        return np.zeros(len(levels.hops), dtype=np.bool_)
    return np.asarray(levels.hops >= to_mean_square(loudness - SOUNDS_WITHIN_LU))


def runs(on: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return where the runs of true values begin and end (not included), shape ``(runs, 2)``.

    >>> runs(np.array([True, True, False, True])).tolist()
    [[0, 2], [3, 4]]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    return edges.reshape(-1, 2)


def lasting(on: NDArray[np.bool_], shortest: int) -> NDArray[np.bool_]:
    """Return `on` without the runs that are shorter than so many.

    >>> lasting(np.array([True, True, False, True]), 2).tolist()
    [True, True, False, False]
    """
    kept = np.zeros(len(on), dtype=np.bool_)
    for start, end in runs(on):
        kept[start:end] = end - start >= shortest
    return kept


def seconds_at_work(heard: Evidence, one: AtWork) -> float:
    """Return for how long a processor reduced by more than 0.1 dB, in seconds."""
    return one.reduction.active_share * heard.plan.end / heard.rate_hz


def held_over_s(sounds: NDArray[np.bool_], settings: CompressorSettings, most_db: float) -> float:
    """Return how long a compressor may still have held on after the sound had stopped, in seconds.

    After each stretch of sound it takes its release to come back from `most_db` to 0.1 dB, or until
    the next sound.
    """
    if most_db <= AT_WORK_DB:
        return 0.0
    longest = settings.release_ms / 1000.0 * math.log(most_db / AT_WORK_DB)
    stretches = runs(sounds)
    pauses = np.append(stretches[1:, 0], len(sounds)) - stretches[:, 1]
    return float(np.minimum(pauses * HOP_S, longest).sum()) if len(stretches) else 0.0


def spread_lu(momentary: NDArray[np.float64]) -> float:
    """Return the distance from the 10th to the 95th percentile of loudnesses in LUFS, in LU.

    >>> spread_lu(np.linspace(-30.0, -20.0, 101))
    8.5
    """
    low, high = np.percentile(momentary, (10.0, 95.0))
    return float(high - low)
