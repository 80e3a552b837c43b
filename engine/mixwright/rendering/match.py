"""Level matching: what each EQ and compressor does to a track's loudness, measured and taken back.

Gated K-weighted loudness (BS.1770-5) over the whole song before and after. EQs come
first, because a compressor hears the matched level; then compressors, then inserts, then groups,
then the mix bus. A figure depends on nothing but the stem and the settings before it, so it is kept
in a cache and a second render measures only what changed.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor

from mixwright.dsp.curve import Curve
from mixwright.dsp.filters import design_bands
from mixwright.meters import FilterLoudnessMeter
from mixwright.rendering.cache import NumberCache
from mixwright.rendering.chain import SampleSpan, match_db
from mixwright.rendering.engine import Engine, Progress
from mixwright.rendering.identity import Contents, Identity, Sounds, identity
from mixwright.rendering.mixing import MatchedMix
from mixwright.rendering.parts import PLAIN_BUS, STILL, BusPlan, ChainPlan, TrackPlan
from mixwright.rendering.plan import KEY_ONLY, Plan
from mixwright.rendering.strip import BusStrip, TrackStrip
from mixwright.rendering.sums import FRAMES
from mixwright.sheet.model import CHAIN_PARTS

Found = dict[tuple[str, str], float]
NOTHING_KNOWN: Mapping[tuple[str, str], float] = {}
BUS_MAKEUP = ("mix_bus", "compressor")


@dataclasses.dataclass(frozen=True)
class LevelJob:
    """One figure to measure: whose, of which part, what it depends on, how to get it."""

    name: str
    part: str
    depends: Identity
    measure: Callable[[Found], float]


def match_levels(
    plan: Plan,
    pool: ThreadPoolExecutor,
    cache: NumberCache,
    progress: Progress,
    contents: Contents,
    known: Mapping[tuple[str, str], float] = NOTHING_KNOWN,
) -> Found:
    """Return the gain in dB that takes back each level change, by ``(strip, part)``.

    `contents` are those of the plan's recordings; `known` is taken over as it is.

    For a whole song the mix bus's compressor is not among them: its gain comes out of the render
    itself. A part of a song needs it beforehand, to sound as it does in the whole.
    """
    whole = Sounds(_whole(plan), contents)
    rounds = [_of_tracks(whole, part) for part in CHAIN_PARTS]
    rounds += [_of_groups(whole, part, pool) for part in CHAIN_PARTS]
    rounds += [
        _of_bus(whole, part, pool)
        for part in CHAIN_PARTS
        if not plan.is_whole or ("mix_bus", part) != BUS_MAKEUP
    ]
    total = sum(len(jobs) for jobs in rounds)
    found: Found = dict(known)
    for jobs in rounds:
        missing = []
        for job in (job for job in jobs if (job.name, job.part) not in known):
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
            progress(min(1.0, len(found) / total))
    return found


def _depends(sounds: Sounds, part: str, heard: Identity) -> Identity:
    """What the level of a sound before and after a part of its chain depends on."""
    return identity(sounds.contents, "level", part, sounds.plan.end, heard)


def _of_tracks(whole: Sounds, part: str) -> list[LevelJob]:
    """One part of the chains of all tracks."""
    plan = whole.plan
    by_name = {track.name: track for track in plan.tracks}

    def job(track: TrackPlan) -> LevelJob:
        heard = _upstream(track, part)
        keys = tuple(_upstream(by_name[name], "eq") for name in heard.chain.keys)

        def measure(found: Found) -> float:
            if part == "eq":
                return _eq_match_db(plan, heard)
            return _part_match_db(plan, heard, part, found, keys)

        heard_by = dataclasses.replace(whole, plan=dataclasses.replace(plan, tracks=keys))
        depends = _depends(whole, part, heard_by.of_chain(heard, part))
        return LevelJob(track.name, part, depends, measure)

    return [job(track) for track in plan.tracks if track.chain.matches(part)]


def _eq_match_db(plan: Plan, track: TrackPlan) -> float:
    """Play one stem alone and read its level before and after its EQ."""
    sections = design_bands(track.chain.eq.bands, plan.rate_hz)
    meter = FilterLoudnessMeter(plan.rate_hz, track.stem.channels, sections)
    strip = TrackStrip(track, {}, plan.rate_hz, whole_span(plan), FRAMES)
    try:
        for at in range(0, plan.end, FRAMES):
            meter.feed(strip.source(at, min(FRAMES, plan.end - at)))
    finally:
        strip.close()
    return match_db(meter.before_lufs, meter.after_lufs)


def _upstream(track: TrackPlan, part: str) -> TrackPlan:
    """The track as far as the part in question: faders and sends change nothing."""
    return dataclasses.replace(
        track,
        chain=track.chain.as_matched(part),
        fader=STILL,
        mute=STILL,
        cover=STILL,
        pan=Curve("plain", 0.0),
        group=None,
        sends=(),
    )


def _part_match_db(
    plan: Plan, track: TrackPlan, part: str, found: Found, keys: tuple[TrackPlan, ...]
) -> float:
    """Play one track alone and read its level before and after one part of its chain."""
    span = whole_span(plan)
    strip = TrackStrip(track, found, plan.rate_hz, span, FRAMES, watch=part)
    key_strips = [TrackStrip(key, found, plan.rate_hz, span, FRAMES, True) for key in keys]
    for key_strip in key_strips:
        key_strip.wait_for(strip.ahead)
    try:
        for at in range(-strip.ahead, plan.end, FRAMES):
            frames = min(FRAMES, plan.end - at)
            heard = {key_strip.name: key_strip.front(at, frames) for key_strip in key_strips}
            strip.treated(at, frames, heard)
    finally:
        for opened in (strip, *key_strips):
            opened.close()
    return strip.chain.watched_match_db


def _of_groups(whole: Sounds, part: str, pool: ThreadPoolExecutor) -> list[LevelJob]:
    """One part of the chains of all groups, each with its tracks and nothing else."""
    plan = whole.plan

    def job(group: BusPlan) -> LevelJob:
        chain = group.chain.as_matched(part)
        alone = dataclasses.replace(
            plan,
            tracks=_needed(plan, group),
            groups=(_still(group, chain),),
            returns=(),
            mix_bus=PLAIN_BUS,
            limiter=None,
            tail=0,
        )
        return _engine_job(Sounds(alone, whole.contents), group.name, part, pool)

    return [job(group) for group in plan.groups if group.chain.matches(part)]


def _needed(plan: Plan, group: BusPlan) -> tuple[TrackPlan, ...]:
    """The group's own tracks, and those that key something among them; the latter go nowhere."""
    own = [track for track in plan.tracks if track.group == group.name]
    keys = {name for chain in (group.chain, *(t.chain for t in own)) for name in chain.keys}
    kept = []
    for track in plan.tracks:
        if track.group == group.name:
            kept.append(dataclasses.replace(track, sends=()))
        elif track.name in keys:
            kept.append(dataclasses.replace(_upstream(track, "eq"), group=KEY_ONLY))
    return tuple(kept)


def _of_bus(whole: Sounds, part: str, pool: ThreadPoolExecutor) -> list[LevelJob]:
    """A part of the mix bus's chain, if it is matched."""
    if not whole.plan.mix_bus.chain.matches(part):
        return []
    return [_engine_job(_as_far_as(whole, part), "mix_bus", part, pool)]


def _as_far_as(whole: Sounds, part: str) -> Sounds:
    """The mix as far as a part of the mix bus that is to be matched."""
    bus = whole.plan.mix_bus
    bus = dataclasses.replace(bus, chain=bus.chain.as_matched(part))
    return Sounds(dataclasses.replace(whole.plan, mix_bus=bus), whole.contents)


def keep_bus_makeup(sounds: Sounds, value_db: float, cache: NumberCache) -> None:
    """Keep the make-up that a render of the whole song gave, for renders of its parts."""
    if sounds.plan.is_whole and not math.isnan(value_db):
        whole = _as_far_as(Sounds(_whole(sounds.plan), sounds.contents), BUS_MAKEUP[1])
        cache.put(_depends(whole, BUS_MAKEUP[1], whole.bus), value_db)


def _still(bus: BusPlan, chain: ChainPlan) -> BusPlan:
    """A group or the mix bus with that chain, and nothing after it."""
    return BusPlan(bus.name, chain, STILL, STILL)


def whole_span(plan: Plan) -> SampleSpan:
    """Return the span of the whole song."""
    return SampleSpan(0, 0, None, plan.end)


def _whole(plan: Plan) -> Plan:
    """The plan of the whole song, without what comes after the last level that is matched."""
    return dataclasses.replace(
        plan,
        start=0,
        keep_from=0,
        keep_to=None,
        sections=(),
        limiter=None,
        lead_in=0,
        lead_out=0,
        mix_bus=_still(plan.mix_bus, plan.mix_bus.chain),
    )


def _engine_job(sounds: Sounds, name: str, part: str, pool: ThreadPoolExecutor) -> LevelJob:
    """A figure for which a part of the graph has to be played."""

    def measure(found: Found) -> float:
        engine = Engine([MatchedMix(sounds.plan, found, sounds)], pool, watch=(name, part))
        try:
            for _ in engine.blocks():
                pass
        finally:
            engine.close()
        mixing = engine.mixings[0]
        strips: list[BusStrip] = [*(node.strip for node in mixing.groups), mixing.mix_bus]
        return next(strip for strip in strips if strip.name == name).chain.watched_match_db

    heard = sounds.bus if name == "mix_bus" else sounds.groups[name]
    return LevelJob(name, part, _depends(sounds, part, heard), measure)
