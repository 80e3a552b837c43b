"""One part of one track's chain, with and without, at the same level: in the mix and alone.

In the mix, the track is as loud without the part as with it: its fader takes the difference, so
that the ear compares tone, not level. The difference is measured on the track as it reaches the
bus, over the part of the song that is heard: integrated loudness (BS.1770-5). Where a track hardly
sounds, its rumble and spill can count in one version and be gated in the other, which makes the
difference one of rests and not of music; it is then taken over the moments that count in both.
Everything else in the mix is left to follow: a compressor that listens to the track hears it as it
now is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from mixwright.by_ear.takes import (
    TakeOptions,
    check_targets,
    file_stem,
    heard,
    levels_lufs,
    lowering_db,
    matched_gains_db,
    peaks_dbfs,
    write_takes,
)
from mixwright.meters.loudness import (
    ABSOLUTE_GATE_LUFS,
    BLOCK_HOPS,
    RELATIVE_GATE_LU,
    LoudnessMeter,
    sliding_mean,
    to_lufs,
    to_mean_square,
)
from mixwright.problem import Problem, ProblemError, Span
from mixwright.rendering.alone import alone
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import PlanOf
from mixwright.rendering.session import Session
from mixwright.sheet import Group, Points, Sheet, Track
from mixwright.sheet.model import CHAIN_PARTS, processors_of
from mixwright.sheet.nearest import similar
from mixwright.units import unless_silent
from mixwright.words import listed, named

# Two ways to take a difference of level that are further apart than this (LU) do not speak of the
# same sound. The bound is ours: in the example song, where tracks play, they are within 1.2.
MOST_APART_LU = 3.0
WithOrWithout = Literal["with", "without"]
VERSIONS: tuple[WithOrWithout, ...] = ("with", "without")


@dataclass(frozen=True)
class BypassedFile:
    """One of the four files.

    `integrated_lufs` (BS.1770-5) and `sample_peak_dbfs` are those before `gain_db` (0 or less),
    which is the same for both mixes, and matches the loudness of the two that are alone.
    `fader_db` is by how much the fader is off that of the sheet: 0 with the part, and alone.
    """

    path: Path
    version: WithOrWithout
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


def bypass_files(folder: Path, name: str, part: str, words: str, suffix: str) -> list[Path]:
    """Return the four paths: the mix with and without, then alone; `words` say which part.

    >>> [path.name for path in bypass_files(Path("out"), "bass", "eq", "", ".wav")][2:]
    ['bypass-bass-eq-alone-with.wav', 'bypass-bass-eq-alone-without.wav']
    """
    stem = file_stem("bypass", name, part) + words
    return [folder / f"{stem}{kind}-{v}{suffix}" for kind in ("", "-alone") for v in VERSIONS]


def write_bypass(
    sheet: Sheet,
    what: tuple[str, str],
    plan_of: PlanOf,
    words: str,
    options: TakeOptions,
    session: Session,
) -> Bypassed:
    """Perform the four versions and write all of them or none.

    `what` is the name of a track or group and a part of its chain; `plan_of` plans a sheet over the
    part of the song that is asked for. Two passes are the least there can be: where the fader goes
    is known only once both versions were heard alone, which takes no other stems than theirs, and
    what comes after the fader, in mixes that are made side by side, need not be linear. Raises
    ProblemError for a track or part that isn't there, for one that is silent, and as a render does.
    """
    name, part = what
    check_part(sheet, name, part)
    targets = bypass_files(options.folder, name, part, words, options.encoding.form.suffix)
    check_targets(sheet, targets, options)
    bare = without_part(sheet, name, part)
    plans = [alone(plan_of(one), name) for one in (sheet, bare)]
    with performed([*map(PlannedMix, plans)], session.on(name), options.folder) as dry:
        meters = heard(dry)
        _refuse_silence(sheet, name, part, meters)
        fader_db, same_moments = difference_db(*meters)
        plans = [plan_of(one) for one in (sheet, with_fader(bare, name, fader_db))]
        with performed([*map(PlannedMix, plans)], session.on("the mix"), options.folder) as full:
            takes, peaks = [*full, *dry], peaks_dbfs([*full, *dry])
            levels = levels_lufs(takes)
            gains_db = _lowered([0.0, 0.0], peaks[:2])
            gains_db += _lowered(matched_gains_db([fader_db, 0.0]), peaks[2:])
            write_takes(targets, list(zip(takes, gains_db, strict=True)), options)
    kinds = [(version, is_alone) for is_alone in (False, True) for version in VERSIONS]
    rows = zip(targets, kinds, [0.0, fader_db, 0.0, 0.0], gains_db, levels, peaks, strict=True)
    files = tuple(BypassedFile(path, *kind, *figures) for path, kind, *figures in rows)
    warnings = tuple(dict.fromkeys(warning for take in takes for warning in take.warnings))
    return Bypassed(name, part, files, same_moments, listeners_of(sheet, name, part), warnings)


def difference_db(one: LoudnessMeter, other: LoudnessMeter) -> tuple[float, bool]:
    """Return by how much one is louder than another, and whether by the same moments alone.

    Both have heard as much, of the same part of the song, and neither silence.
    """
    by_loudness = one.integrated_lufs - other.integrated_lufs
    energies = [sliding_mean(meter.hops(), BLOCK_HOPS) for meter in (one, other)]
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


def _lowered(gains_db: list[float], peaks: list[float | None]) -> list[float]:
    """Lower the gains of a pair together where one of it would be over full scale."""
    lowered_db = lowering_db(peaks, gains_db)
    return [gain_db + lowered_db for gain_db in gains_db]


def _refuse_silence(sheet: Sheet, name: str, part: str, meters: list[LoudnessMeter]) -> None:
    for meter, version in zip(meters, VERSIONS, strict=True):
        if unless_silent(meter.integrated_lufs) is None:
            message = (
                f"{name} {version} its {named(part)} is silent or too short to be matched in "
                "loudness, expected 0.4 s of sound or more in the part that is compared"
            )
            raise ProblemError([Problem("bypass/silent", message, place_of(sheet, name))])
