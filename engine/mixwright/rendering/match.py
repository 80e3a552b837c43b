"""Level matching: what each EQ and compressor does to a track's loudness, measured and taken back.

Gated K-weighted loudness (BS.1770-5) over the whole song before and after. EQs come
first, because a compressor hears the matched level; then compressors, then groups, then the mix
bus. A figure depends on nothing but the stem and the settings before it, so it is kept in a cache
and a second render measures only what changed.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from mixwright.dsp.curve import Curve
from mixwright.meters import FilterLoudnessMeter
from mixwright.rendering.cache import NumberCache
from mixwright.rendering.engine import FRAMES, Engine, Progress
from mixwright.rendering.parts import BusPlan, ChainPlan, TrackPlan
from mixwright.rendering.plan import Plan
from mixwright.rendering.strip import Span, TrackStrip, match_db

Found = dict[tuple[str, str], float]
STILL = Curve("dB", 0.0)


@dataclasses.dataclass(frozen=True)
class Job:
    """One figure to measure: whose, of which part, what it depends on, how to get it."""

    name: str
    part: str
    depends: str
    measure: Callable[[Found], float]


def match_levels(
    plan: Plan, pool: ThreadPoolExecutor, cache: NumberCache, progress: Progress | None = None
) -> Found:
    """Return the gain in dB that takes back each level change, by ``(strip, part)``.

    For a whole song the mix bus's compressor is not among them: its gain comes out of the render
    itself. A part of a song needs it beforehand, to sound as it does in the whole.
    """
    whole = _whole(plan)
    stages = [_track_eqs(whole), _track_compressors(whole), *_group_stages(whole, pool)]
    stages.append(_bus_eq(whole, pool))
    if not plan.is_whole:
        stages.append(_bus_compressor(whole, pool))
    total = sum(len(stage) for stage in stages)
    found: Found = {}
    for stage in stages:
        missing = []
        for job in stage:
            kept = cache.get(job.depends)
            if kept is None:
                missing.append(job)
            else:
                found[job.name, job.part] = kept
        # Group and bus jobs run an engine that needs the pool itself, so they take turns.
        alone = any(job.name not in {t.name for t in plan.tracks} for job in missing)
        snapshot = dict(found)
        futures = [] if alone else [pool.submit(job.measure, snapshot) for job in missing]
        for index, job in enumerate(missing):
            value = job.measure(snapshot) if alone else futures[index].result()
            found[job.name, job.part] = value
            if not math.isnan(value):
                cache.put(job.depends, value)
            if progress is not None:
                progress(len(found) / total)
    return found


def _track_eqs(plan: Plan) -> list[Job]:
    def job(track: TrackPlan) -> Job:
        heard = _upstream(track, with_compressor=False)
        depends = repr((plan.rate_hz, plan.end, heard))
        return Job(track.name, "eq", depends, lambda found: _eq_match_db(plan, heard))

    return [job(track) for track in plan.tracks if track.chain.matches_eq]


def _eq_match_db(plan: Plan, track: TrackPlan) -> float:
    """Play one stem alone and read its level before and after its EQ."""
    sections = track.chain.eq.start(plan.rate_hz, track.stem.channels).sections
    meter = FilterLoudnessMeter(plan.rate_hz, track.stem.channels, sections)
    strip = TrackStrip(track, {}, plan.rate_hz, whole_span(plan), FRAMES)
    try:
        for at in range(0, plan.end, FRAMES):
            meter.feed(strip.source(at, min(FRAMES, plan.end - at)))
    finally:
        strip.close()
    return match_db(meter.before_lufs, meter.after_lufs)


def _track_compressors(plan: Plan) -> list[Job]:
    by_name = {track.name: track for track in plan.tracks}

    def job(track: TrackPlan) -> Job:
        heard = _upstream(track, with_compressor=True)
        key = None if track.chain.key is None else by_name[track.chain.key]
        key = key and _upstream(key, with_compressor=False)
        return Job(
            track.name,
            "compressor",
            repr((plan.rate_hz, plan.end, heard, key)),
            lambda found: _makeup_db(plan, heard, found, key),
        )

    return [job(track) for track in plan.tracks if track.chain.matches_compressor]


def _upstream(track: TrackPlan, with_compressor: bool) -> TrackPlan:
    """The track without what comes after the part in question: faders and sends change nothing."""
    chain = track.chain
    if not with_compressor:
        chain = ChainPlan(chain.eq, chain.level_match)
    return dataclasses.replace(
        track, chain=chain, gain=STILL, mute=STILL, pan=Curve("plain", 0.0), group=None, sends=()
    )


def _makeup_db(plan: Plan, track: TrackPlan, found: Found, key: TrackPlan | None) -> float:
    """Play one track alone and read its level before and after its compressor."""
    span = whole_span(plan)
    strip = TrackStrip(track, found, plan.rate_hz, span, FRAMES, watch="compressor")
    key_strip = None
    if key is not None:
        key_strip = TrackStrip(key, found, plan.rate_hz, span, FRAMES, heard_elsewhere=True)
    try:
        for at in range(0, plan.end, FRAMES):
            frames = min(FRAMES, plan.end - at)
            strip.compressed(at, frames, None if key_strip is None else key_strip.front(at, frames))
    finally:
        strip.close()
        if key_strip is not None:
            key_strip.close()
    return strip.chain.watched_match_db


def _group_stages(plan: Plan, pool: ThreadPoolExecutor) -> list[list[Job]]:
    def job(group: BusPlan, part: str) -> Job:
        heard = group if part == "compressor" else _eq_only(group)
        alone = dataclasses.replace(
            plan,
            tracks=_needed(plan, group),
            groups=(dataclasses.replace(heard, gain=STILL, mute=STILL),),
            returns=(),
            mix_bus=BusPlan("mix_bus", ChainPlan(), STILL, STILL),
            tail=0,
        )
        return _engine_job(alone, group.name, part, pool)

    eqs = [job(group, "eq") for group in plan.groups if group.chain.matches_eq]
    compressors = [job(g, "compressor") for g in plan.groups if g.chain.matches_compressor]
    return [eqs, compressors]


def _needed(plan: Plan, group: BusPlan) -> tuple[TrackPlan, ...]:
    """The group's own tracks, and those that key something among them; the latter go nowhere."""
    own = [track for track in plan.tracks if track.group == group.name]
    keys = {group.chain.key, *(track.chain.key for track in own)}
    kept = []
    for track in plan.tracks:
        if track.group == group.name:
            kept.append(dataclasses.replace(track, sends=()))
        elif track.name in keys:
            kept.append(dataclasses.replace(_upstream(track, False), group="(key only)"))
    return tuple(kept)


def _bus_eq(plan: Plan, pool: ThreadPoolExecutor) -> list[Job]:
    if not plan.mix_bus.chain.matches_eq:
        return []
    bus = dataclasses.replace(_eq_only(plan.mix_bus), gain=STILL, mute=STILL)
    return [_engine_job(dataclasses.replace(plan, mix_bus=bus), "mix_bus", "eq", pool)]


def _bus_compressor(plan: Plan, pool: ThreadPoolExecutor) -> list[Job]:
    if not plan.mix_bus.chain.matches_compressor:
        return []
    return [_engine_job(plan, "mix_bus", "compressor", pool)]


def keep_bus_makeup(plan: Plan, value_db: float, cache: NumberCache) -> None:
    """Keep the make-up that a render of the whole song gave, for renders of its parts."""
    if plan.is_whole and not math.isnan(value_db):
        cache.put(_depends(_whole(plan), "mix_bus", "compressor"), value_db)


def whole_span(plan: Plan) -> Span:
    """Return the span of the whole song."""
    return Span(0, 0, None, plan.end)


def _whole(plan: Plan) -> Plan:
    return dataclasses.replace(plan, start=0, keep_from=0, keep_to=None)


def _depends(plan: Plan, name: str, part: str) -> str:
    return repr((plan, name, part))


def _eq_only(bus: BusPlan) -> BusPlan:
    return dataclasses.replace(bus, chain=ChainPlan(bus.chain.eq, bus.chain.level_match))


def _engine_job(plan: Plan, name: str, part: str, pool: ThreadPoolExecutor) -> Job:
    """A figure for which a part of the graph has to be played."""

    def measure(found: Found) -> float:
        engine = Engine(plan, found, pool, watch=(name, part))
        try:
            for _ in engine.blocks():
                pass
        finally:
            engine.close()
        strips = {strip.name: strip for strip in (*engine.groups, engine.mix_bus)}
        return strips[name].chain.watched_match_db

    return Job(name, part, _depends(plan, name, part), measure)
