"""A render from plan to file: match levels, run the engine, meter, write.

The readings are one frozen value; `report` prints it, `--json` dumps it, the Python API returns it.
"""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from mixwright import __version__
from mixwright.audio import MixFormat, Spool, check_target, write_mix
from mixwright.dsp.compressor import GainReduction
from mixwright.meters import MixMeter, MixReadings
from mixwright.problem import Problem, ProblemError, Severity
from mixwright.rendering.cache import NumberCache, cache_folder
from mixwright.rendering.engine import Engine, Progress
from mixwright.rendering.match import Found, keep_bus_makeup, match_levels
from mixwright.rendering.plan import Plan
from mixwright.rendering.strip import check_finite, match_gain
from mixwright.units import gain_to_db

# (stage, share done from 0 to 1)
StageProgress = Callable[[str, float], None]
FULL_SCALE_MARGIN = 1e-9
DOUBTFUL_MATCH_DB = 12.0
AUDIBLE = 10.0 ** (-100.0 / 20.0)  # a tail is over when it stays below this
SWITCH_INTERVAL_S = 2e-4


@dataclass(frozen=True)
class TrackReadings:
    """A track as it arrives at the bus."""

    name: str
    sample_peak_dbfs: float
    integrated_lufs: float


@dataclass(frozen=True)
class Readings:
    """All that a render measured. `matches_db` are level changes taken back, by strip and part."""

    through: str
    mix: MixReadings
    tracks: tuple[TrackReadings, ...]
    reductions: dict[str, GainReduction]
    matches_db: dict[str, float]
    loudest_section: str | None
    notes: tuple[str, ...]
    warnings: tuple[Problem, ...] = ()


@dataclass(frozen=True)
class Rendered:
    """A finished render: where it is and what was measured."""

    path: Path
    format: str
    rate_hz: int
    readings: Readings


def render_plan(
    plan: Plan,
    target: Path,
    form: MixFormat,
    *,
    threads: int | None = None,
    force: bool = False,
    seed: int = 0,
    keep_cache: bool = True,
    section_at: Callable[[int], str | None] = lambda sample: None,
    progress: StageProgress | None = None,
) -> Rendered:
    """Render `plan` into `target`, complete or not at all, and return what was measured.

    Raises ProblemError for stems that turn out unreadable, a mix that would clip in an integer
    format, a target that is not ours, or a machine that refuses.
    """
    check_target(target, force)
    interval_s = sys.getswitchinterval()
    # Threads spend most of their time in compiled loops outside the interpreter's lock; asking for
    # it back more often than every 5 ms keeps the others from waiting.
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    cache = NumberCache(cache_folder() if keep_cache else None)
    spool = Spool(target.parent)
    pool = ThreadPoolExecutor(threads or usable_cores(), thread_name_prefix="mixwright")
    try:
        found = match_levels(plan, pool, cache, _named("matching levels", progress))
        engine, meter = _play(plan, found, pool, spool, _named("rendering", progress))
        gain = _bus_makeup(engine, found, cache)
        if plan.keep_to is None:
            spool.trim(max(0, plan.end - plan.keep_from), AUDIBLE / max(gain, 1e-3))
        readings = _readings(plan, engine, meter, gain, spool.frames, found, section_at)
        warnings = [*_doubtful_matches(found), *refuse_clipping(readings, target, form)]
        check_target(target, force)  # someone may have put a file there meanwhile
        write_mix(spool, gain, target, form, plan.rate_hz, seed, __version__)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        spool.close()
        sys.setswitchinterval(interval_s)
    return Rendered(target, form.name, plan.rate_hz, replace(readings, warnings=tuple(warnings)))


def _play(
    plan: Plan, found: Found, pool: ThreadPoolExecutor, spool: Spool, progress: Progress | None
) -> tuple[Engine, MixMeter]:
    """Run the graph once into the spool, metering the mix on the way."""
    engine, meter = Engine(plan, found, pool), MixMeter(plan.rate_hz)
    try:
        for block in engine.blocks(progress):
            check_finite(meter.feed(block), "the mix bus", ("mix_bus",))
            spool.write(block)
    finally:
        engine.close()
    return engine, meter


def _bus_makeup(engine: Engine, found: Found, cache: NumberCache) -> float:
    """The matched make-up of the mix bus, known only now, as a gain on the finished mix."""
    chain = engine.mix_bus.chain
    if not chain.plan.matches_compressor or ("mix_bus", "compressor") in found:
        return 1.0
    makeup_db = chain.watched_match_db
    found["mix_bus", "compressor"] = makeup_db
    keep_bus_makeup(engine.plan, makeup_db, cache)
    return match_gain(makeup_db)


def _readings(
    plan: Plan,
    engine: Engine,
    meter: MixMeter,
    gain: float,
    frames: int,
    found: Found,
    section_at: Callable[[int], str | None],
) -> Readings:
    mix = replace(meter.readings(gain), seconds=frames / plan.rate_hz)
    loudest = None
    if mix.loudest_s is not None:
        # Said in the time of the song, also where only a part of it was rendered. The
        # middle of the loudest three seconds decides which section they belong to.
        mix = replace(mix, loudest_s=round(mix.loudest_s + plan.keep_from / plan.rate_hz, 3))
        loudest = section_at(round(((mix.loudest_s or 0.0) + 1.5) * plan.rate_hz))
    tracks = tuple(
        TrackReadings(strip.name, gain_to_db(strip.peak), strip.meter.integrated_lufs)
        for strip in engine.tracks
    )
    matches = {f"{name}.{part}": value for (name, part), value in found.items()}
    reductions = engine.reductions()
    return Readings(plan.through, mix, tracks, reductions, matches, loudest, tuple(plan.notes))


def usable_cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _doubtful_matches(found: Found) -> list[Problem]:
    """Warn of level matches that could not be measured, or that raise what little is left."""
    problems = []
    for (name, part), value_db in found.items():
        what = "EQ" if part == "eq" else "compressor"
        if math.isnan(value_db):
            message = f"{name}: its {what} leaves too little to measure, so it is not level-matched"
        elif abs(value_db) > DOUBTFUL_MATCH_DB:
            message = f"{name}: its {what} is level-matched by {value_db:+.1f} dB"
        else:
            continue
        help = "set level_match: false, or a makeup_db, if that is not meant"
        problems.append(Problem("render/doubtful-match", message, None, help, Severity.WARNING))
    return problems


def refuse_clipping(readings: Readings, target: Path, form: MixFormat) -> list[Problem]:
    """Raise for an integer format that would clip; return a warning for a float one."""
    peak_dbfs = readings.mix.sample_peak_dbfs
    if peak_dbfs <= FULL_SCALE_MARGIN:
        return []
    over = f"the mix peaks at {peak_dbfs:+.2f} dBFS"
    # The bus's own gain belongs to the second step: before it only the faders are there.
    where = "every fader" if readings.through == "balance" else "mix_bus.gain_db"
    remedy = f"take {peak_dbfs + 0.005:.2f} dB or more off {where}"
    if form.bits is None:
        return [
            Problem("render/over-full-scale", over, help=remedy, severity=Severity.WARNING),
        ]
    raise ProblemError(
        [
            Problem(
                "render/would-clip",
                f"{target.name} was not written: {over}, which {form.name} can't hold",
                help=f"{remedy}, or render with --format wav32f",
            )
        ]
    )


def _named(stage: str, progress: StageProgress | None) -> Progress | None:
    return None if progress is None else lambda share: progress(stage, share)
