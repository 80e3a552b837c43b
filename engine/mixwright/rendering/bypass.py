"""One part of one track's chain, with and without, at the same level: in the mix and alone.

In the mix, the track is as loud without the part as with it: its fader takes the difference, so
that the ear compares tone, not level. The difference is measured on the track as it reaches the
bus, over the part of the song that is heard: integrated loudness (BS.1770-5). Where a track hardly
sounds, its rumble and spill can count in one version and be gated in the other, which makes the
difference one of rests and not of music; it is then taken over the moments that count in both.
Everything else in the mix is left to follow: a compressor that listens to the track hears it as it
now is.

Alone, a track is heard after its fader and pan, with no group, returns or mix bus; a group with its
tracks, after its own gain.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.curve import Curve
from mixwright.meters.loudness import (
    ABSOLUTE_GATE_LUFS,
    BLOCK_HOPS,
    RELATIVE_GATE_LU,
    sliding_mean,
    to_lufs,
    to_mean_square,
)
from mixwright.problem import Problem, ProblemError, Span
from mixwright.rendering.parts import BusPlan, ChainPlan, TrackPlan
from mixwright.rendering.plan import Plan, PlanOf, key_only
from mixwright.rendering.takes import (
    Take,
    TakeOptions,
    check_targets,
    file_stem,
    lowering_db,
    make_equally_long,
    matched_gains_db,
    taken,
    write_takes,
)
from mixwright.sheet import Group, Points, Sheet, Track
from mixwright.sheet.model import CHAIN_PARTS, processors_of
from mixwright.sheet.nearest import similar
from mixwright.words import listed, named

STILL = Curve("dB", 0.0)
# Two ways to take a difference of level that are further apart than this (LU) do not speak of the
# same sound. The bound is ours: in the example song, where tracks play, they are within 1.2.
MOST_APART_LU = 3.0
Version = Literal["with", "without"]
VERSIONS: tuple[Version, ...] = ("with", "without")


@dataclass(frozen=True)
class BypassedFile:
    """One of the four files.

    `integrated_lufs` (BS.1770-5) and `sample_peak_dbfs` are those before `gain_db` (0 or less),
    which is the same for both mixes, and matches the loudness of the two that are alone.
    `fader_db` is by how much the fader is off that of the sheet: 0 with the part, and alone.
    """

    path: Path
    version: Version
    alone: bool
    fader_db: float
    gain_db: float
    integrated_lufs: float | None
    sample_peak_dbfs: float | None


@dataclass(frozen=True)
class Bypassed:
    """A part of a track or group and the files that let it be heard, the mixes first.

    `same_moments` is whether the level was matched over the moments that count in both versions,
    the track hardly sounding otherwise. `listeners` are the tracks and groups that
    listen to it and hear the difference too.
    """

    strip: str
    part: str
    files: tuple[BypassedFile, ...]
    same_moments: bool
    listeners: tuple[str, ...]
    warnings: tuple[Problem, ...] = ()


def check_part(sheet: Sheet, name: str, part: str) -> None:
    """Raise ProblemError for a track, a group or a part of it that isn't there."""
    if part not in CHAIN_PARTS:
        message = f"unknown part '{part}', expected {listed(CHAIN_PARTS)}"
        raise ProblemError(
            [Problem("usage/unknown-part", message, help=similar("part", part, CHAIN_PARTS))]
        )
    strips = {strip.name: strip for strip in strips_of(sheet)}
    if name not in strips:
        message = f"unknown track '{name}', expected a track or group of the sheet"
        help = similar("track or group", name, strips)
        if name == "mix_bus":
            help = "to hear the mix bus, render --each-step: step 1 is without it, step 2 with it"
        raise ProblemError([Problem("usage/unknown-track", message, help=help)])
    strip = strips[name]
    if not getattr(strip, part):
        there = [named(one) for one in CHAIN_PARTS if getattr(strip, one)]
        expected = (
            f"expected what it has: {listed(there)}" if there else "nor any other part to compare"
        )
        message = f"{name} has no {named(part)}, {expected}"
        raise ProblemError([Problem("bypass/no-part", message, place_of(sheet, name))])


def strips_of(sheet: Sheet) -> list[Track | Group]:
    """Return all that has a chain of its own, apart from the mix bus."""
    return [*sheet.tracks, *sheet.groups]


def place_of(sheet: Sheet, name: str) -> Span | None:
    """Return where a track or group stands in the sheet."""
    kind = "tracks" if any(track.name == name for track in sheet.tracks) else "groups"
    return sheet.span_of(kind, name)


def without_part(sheet: Sheet, name: str, part: str) -> Sheet:
    """Return the sheet without that part of a track or group, its rides included."""
    nothing: Any = () if part in ("eq", "inserts") else None
    return _changed(sheet, name, lambda strip: replace(strip, **{part: nothing}))


def with_fader(sheet: Sheet, name: str, by_db: float) -> Sheet:
    """Return the sheet with the fader of a track or group moved by so many dB.

    A group's fader takes along what its tracks send to returns. What they send was not changed by
    the group's chain, so these sends are moved the other way: the wet sound stays as it was.
    """
    moved = _changed(sheet, name, lambda strip: replace(strip, gain_db=strip.gain_db + by_db))
    if any(group.name == name for group in sheet.groups):
        tracks = (_sends_by(t, -by_db) if t.group == name else t for t in moved.tracks)
        moved = replace(moved, tracks=tuple(tracks))
    return moved


def _changed(sheet: Sheet, name: str, change: Callable[[Any], Any]) -> Sheet:
    tracks = tuple(change(t) if t.name == name else t for t in sheet.tracks)
    groups = tuple(change(g) if g.name == name else g for g in sheet.groups)
    return replace(sheet, tracks=tracks, groups=groups)


def _sends_by(track: Track, by_db: float) -> Track:
    sends = {name: level + by_db for name, level in track.sends_db.items()}
    rides: Mapping[str, Points] = {
        name: tuple(replace(point, value=point.value + by_db) for point in points)
        for name, points in track.automation.sends_db.items()
    }
    return replace(track, sends_db=sends, automation=replace(track.automation, sends_db=rides))


def listeners_of(sheet: Sheet, name: str, part: str) -> tuple[str, ...]:
    """Return who hears the difference besides the listener: keys are taken after the EQ."""
    if part != "eq":
        return ()
    return tuple(
        strip.name
        for strip in strips_of(sheet)
        if name in [processor.key for _, processor in processors_of(strip)]
    )


def alone(plan: Plan, name: str) -> Plan:
    """Return a plan of one track or group as it reaches the bus, and of nothing else."""
    groups = tuple(group for group in plan.groups if group.name == name)
    own = [t for t in plan.tracks if (t.group == name if groups else t.name == name)]
    chains = [t.chain for t in own] + [group.chain for group in groups]
    keys = {key for chain in chains for key in chain.keys}
    tracks = (_apart(track, track in own, name if groups else None, keys) for track in plan.tracks)
    return replace(
        plan,
        tracks=tuple(track for track in tracks if track is not None),
        groups=groups,
        returns=(),
        mix_bus=BusPlan("mix_bus", ChainPlan(), STILL, STILL),
        limiter=None,
        lead_in=0,
        lead_out=0,
    )


def _apart(track: TrackPlan, is_own: bool, group: str | None, keys: set[str]) -> TrackPlan | None:
    """A track on its own; one that is only listened to goes nowhere, and ends after its EQ."""
    if is_own:
        return replace(track, group=group, sends=())
    return key_only(track) if track.name in keys else None


def bypass_files(folder: Path, name: str, part: str, words: str, suffix: str) -> list[Path]:
    """Return the four paths: the mix with and without, then alone; `words` say which part.

    >>> [path.name for path in bypass_files(Path("out"), "bass", "eq", "", ".wav")][2:]
    ['bypass-bass-eq-alone-with.wav', 'bypass-bass-eq-alone-without.wav']
    """
    stem = file_stem("bypass", name, part) + words
    return [folder / f"{stem}{kind}-{v}{suffix}" for kind in ("", "-alone") for v in VERSIONS]


def write_bypass(
    sheet: Sheet, name: str, part: str, plan_of: PlanOf, words: str, options: TakeOptions
) -> Bypassed:
    """Perform the four versions and write all of them or none.

    `plan_of` plans a sheet over the part of the song that is asked for. Raises ProblemError for a
    track or part that isn't there, for one that is silent, and as a render does.
    """
    check_part(sheet, name, part)
    targets = bypass_files(options.folder, name, part, words, options.form.suffix)
    check_targets(sheet, targets, options)
    with ExitStack() as kept:
        takes, (fader_db, same_moments) = _played(sheet, name, part, plan_of, options, kept)
        make_equally_long(takes)
        gains_db = _lowered([0.0, 0.0], takes[:2])
        gains_db += _lowered(matched_gains_db([fader_db, 0.0]), takes[2:])
        pairs = list(zip(takes, gains_db, strict=True))
        write_takes(sheet, dict(zip(targets, pairs, strict=True)), options)
    kinds = ((version, is_alone) for is_alone in (False, True) for version in VERSIONS)
    rows = zip(targets, kinds, [0.0, fader_db, 0.0, 0.0], pairs, strict=True)
    files = [
        BypassedFile(path, *kind, fader, gain_db, take.integrated_lufs, take.sample_peak_dbfs)
        for path, kind, fader, (take, gain_db) in rows
    ]
    warnings = tuple(dict.fromkeys(warning for take in takes for warning in take.warnings))
    listeners = listeners_of(sheet, name, part)
    return Bypassed(name, part, tuple(files), same_moments, listeners, warnings)


def _played(
    sheet: Sheet,
    name: str,
    part: str,
    plan_of: PlanOf,
    options: TakeOptions,
    kept: ExitStack,
) -> tuple[list[Take], tuple[float, bool]]:
    """Return the mix with and without, then alone; and what :func:`difference_db` says of these."""

    def take(plan: Plan, stage: str) -> Take:
        return kept.enter_context(taken(plan, options, stage))

    bare = without_part(sheet, name, part)
    dry = [take(alone(plan_of(sheet), name), f"{name} with its {named(part)}")]
    dry.append(take(alone(plan_of(bare), name), f"{name} without its {named(part)}"))
    make_equally_long(dry)
    _refuse_silence(sheet, name, part, dry)
    fader_db, same_moments = difference_db(*dry)
    full = [take(plan_of(sheet), "the mix with it")]
    full.append(take(plan_of(with_fader(bare, name, fader_db)), "the mix without it"))
    return [*full, *dry], (fader_db, same_moments)


def difference_db(one: Take, other: Take) -> tuple[float, bool]:
    """Return by how much a take is louder than another, and whether by the same moments alone.

    Both are equally long and of the same part of the song, and neither is silent.
    """
    by_loudness = one.meter.integrated_lufs - other.meter.integrated_lufs
    energies = [sliding_mean(take.meter.hops(), BLOCK_HOPS) for take in (one, other)]
    both = _counting(energies[0]) & _counting(energies[1])
    if not both.any():
        return by_loudness, False
    by_moments = to_lufs(energies[0][both].mean()) - to_lufs(energies[1][both].mean())
    same_moments = abs(by_moments - by_loudness) > MOST_APART_LU
    return (by_moments if same_moments else by_loudness), same_moments


def _counting(blocks: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which mean squares of 400 ms pass both gates of BS.1770-5."""
    loud = blocks > to_mean_square(ABSOLUTE_GATE_LUFS)
    if not loud.any():
        return loud
    relative_gate_lufs = to_lufs(blocks[loud].mean()) + RELATIVE_GATE_LU
    return np.asarray(loud & (blocks > to_mean_square(relative_gate_lufs)))


def _lowered(gains_db: list[float], takes: list[Take]) -> list[float]:
    """Lower the gains of a pair together where one of it would be over full scale."""
    lowered_db = lowering_db([take.sample_peak_dbfs for take in takes], gains_db)
    return [gain_db + lowered_db for gain_db in gains_db]


def _refuse_silence(sheet: Sheet, name: str, part: str, takes: list[Take]) -> None:
    for take, version in zip(takes, VERSIONS, strict=True):
        if take.integrated_lufs is None:
            message = (
                f"{name} {version} its {named(part)} is silent or too short to be matched in "
                "loudness, expected 0.4 s of sound or more in the part that is compared"
            )
            raise ProblemError([Problem("bypass/silent", message, place_of(sheet, name))])
