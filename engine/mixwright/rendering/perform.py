"""One way to perform: match levels, run the engine, limit if asked; out come recordings.

Rendering writes them to files, measuring listens to them, a delivery finishes them.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from mixwright.audio import Spool
from mixwright.audio.opened import refuse_changed
from mixwright.claims import sweep
from mixwright.meters import SoundMeter
from mixwright.problem import Problem, Severity
from mixwright.rendering.apart import NOTHING_APART, Apart
from mixwright.rendering.blocks import in_time, kept
from mixwright.rendering.cache import NumberCache, Remembered
from mixwright.rendering.chain import match_gain
from mixwright.rendering.ears import NO_EARS, Ears
from mixwright.rendering.engine import Engine, Progress
from mixwright.rendering.identity import Contents, Sounds, contents_of
from mixwright.rendering.match import NOTHING_KNOWN, keep_bus_makeup, match_levels
from mixwright.rendering.mixing import MatchedMix, Mixing
from mixwright.rendering.placed_faults import check_finite
from mixwright.rendering.plan import Plan
from mixwright.rendering.recording import PlayedTrack, Recording, recorded, temporary_folder
from mixwright.rendering.reductions import MeasuredReduction
from mixwright.rendering.session import USUAL, Session

AUDIBLE = 10.0 ** (-100.0 / 20.0)  # a tail is over when it stays below this
SWITCH_INTERVAL_S = 2e-4
DOUBTFUL_MATCH_DB = 12.0


@dataclass(frozen=True)
class PlannedMix:
    """A mix to be performed with others; all but the plan is as in :class:`MatchedMix`.

    `part_of` is the name of the set, so that parts of two sets are never taken for one another.
    """

    plan: Plan
    follows: int | None = None
    parts_before: tuple[int, ...] | None = None
    part_of: str | None = None


@contextmanager
def performed(
    parts: Sequence[PlannedMix],
    session: Session = USUAL,
    folder: Path | None = None,
    *,
    ears: Ears = NO_EARS,
    apart: Apart = NOTHING_APART,
) -> Iterator[tuple[Recording, ...]]:
    """Perform one mix or several; their spools, in `folder`, are gone when the context is left.

    Without a folder they lie among the temporary files. Mixes that keep one time are made in one
    pass: what they share is done once, and each comes out as it would alone. A mix that follows
    another comes after it, and is as long; its make-up is that of the other. Ears hear the first
    mix on the way, and in it what is `apart`. Raises ProblemError for stems that turn out
    unreadable or change meanwhile, and for a machine that refuses.
    """
    folder = temporary_folder() if folder is None else folder
    sweep(folder)
    with ExitStack() as kept_open:
        done: dict[int, Recording] = {}
        read = (info for part in parts for info in part.plan.sound_files)
        contents = contents_of(read, session)
        with _threads(session) as pool:
            cache, shared = Remembered(session.cache_folder), passes(parts)
            for count, indices in enumerate(shared):
                together = [_counted(parts[index], indices) for index in indices]
                share = partial(_shared, session, count, len(shared))
                means = _Means(session.told(share), folder, pool, cache, contents, kept_open)
                heard = (ears, apart) if 0 in indices else (NO_EARS, NOTHING_APART)
                done |= zip(indices, _made(together, means, *heard), strict=True)
        yield tuple(done[index] for index in range(len(parts)))


def passes(parts: Sequence[PlannedMix]) -> list[list[int]]:
    """Return which mixes are made together: those that begin and end together, at one rate."""
    found: dict[tuple[int, int, int], list[int]] = {}
    for index, part in enumerate(parts):
        found.setdefault((part.plan.rate_hz, part.plan.start, part.plan.end), []).append(index)
    return list(found.values())


def _counted(part: PlannedMix, indices: Sequence[int]) -> PlannedMix:
    """A part that names those it goes by as they are counted within its pass."""
    follows = None if part.follows is None else indices.index(part.follows)
    before = None if part.parts_before is None else tuple(map(indices.index, part.parts_before))
    return replace(part, follows=follows, parts_before=before)


def _shared(session: Session, count: int, of: int, stage: str, share: float) -> None:
    """Tell how far one pass of several is."""
    session.tell(stage, (count + share) / of)


@contextmanager
def _threads(session: Session) -> Iterator[ThreadPoolExecutor]:
    """The threads that work, which are gone again when the context is left."""
    interval_s = sys.getswitchinterval()
    # Threads spend most of their time in compiled loops outside the interpreter's lock; asking for
    # it back more often than every 5 ms keeps the others from waiting.
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    pool = ThreadPoolExecutor(session.cores, thread_name_prefix="mixwright")
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        sys.setswitchinterval(interval_s)


@dataclass(frozen=True)
class _Means:
    """What a performance needs; spools are closed with `kept_open`."""

    session: Session
    folder: Path
    pool: ThreadPoolExecutor
    cache: NumberCache
    contents: Contents
    kept_open: ExitStack

    def spool(self) -> Spool:
        return self.kept_open.enter_context(closing(Spool(self.folder)))


def _made(parts: Sequence[PlannedMix], means: _Means, ears: Ears, apart: Apart) -> list[Recording]:
    """Make mixes side by side in one pass over the stems."""
    mixes = _matched(parts, means)
    spools = [means.spool() for _ in mixes]
    engine = Engine(mixes, means.pool, ears=ears, apart=apart)
    meters = _play(engine, spools, partial(means.session.tell, "rendering"))
    refuse_changed(info for part in parts for info in part.plan.sound_files)
    done: list[Recording] = []
    for index, (mix, spool, meter) in enumerate(zip(mixes, spools, meters, strict=True)):
        mixing = engine.mixings[index]
        readings = engine.readings(index)
        lead = None if mix.follows is None else done[mix.follows]
        gain = _bus_makeup(mixing, means.cache) if lead is None else lead.gain
        done.append(
            Recording(
                spool,
                mix.plan.rate_hz,
                meter,
                gain,
                tuple(PlayedTrack(track, readings[track.name]) for track in mix.plan.tracks),
                {name: one for node in readings.values() for name, one in node.reductions.items()},
                dict(mix.matches),
                (*mix.plan.warnings, *_doubtful_matches(mix.matches)),
            )
        )
    limited = [_limited(part, one, done, means) for part, one in zip(parts, done, strict=True)]
    for part, one in zip(parts, limited, strict=True):
        if part.follows is not None:
            one.spool.cut(limited[part.follows].frames)
        elif part.plan.keep_to is None:
            least = max(0, part.plan.end - part.plan.keep_from)
            one.spool.trim(least, AUDIBLE / max(one.gain, 1e-3))
    return limited


def _matched(parts: Sequence[PlannedMix], means: _Means) -> list[MatchedMix]:
    """Match the levels of every mix; one that follows another takes over what was found there."""
    mixes: list[MatchedMix] = []
    for index, part in enumerate(parts):
        share = partial(_shared, means.session, index, len(parts), "matching levels")
        lead = None if part.follows is None else mixes[part.follows]
        known = NOTHING_KNOWN if lead is None else lead.matches
        found = match_levels(part.plan, means.pool, means.cache, share, means.contents, known)
        before = tuple(mixes[other].sounds for other in part.parts_before or ())
        sounds = Sounds(part.plan, means.contents, None if lead is None else lead.sounds, before)
        mixes.append(MatchedMix(part.plan, found, sounds, part.follows, part.parts_before))
    return mixes


def _play(engine: Engine, spools: Sequence[Spool], progress: Progress) -> list[SoundMeter]:
    """Run the graph once into the spools, metering each mix on the way."""
    meters = [SoundMeter(engine.plan.rate_hz, 2) for _ in spools]
    try:
        for blocks in engine.blocks(progress):
            for block, meter, spool in zip(blocks, meters, spools, strict=True):
                check_finite(meter.feed(block), "the mix bus", ("mix_bus",))
                spool.write(block)
    finally:
        engine.close()
    return meters


def _limited(
    part: PlannedMix, one: Recording, done: Sequence[Recording], means: _Means
) -> Recording:
    """A mix through its limiter, if it has one; it goes by that of the mix that it follows.

    It comes after the make-up, which is known only once the whole mix has been heard: a second
    pass over the spool.
    """
    plan = part.plan
    if plan.limiter is None:
        return one
    limiter = plan.limiter.start(plan.rate_hz, 2)
    first, last = plan.keep_from - plan.lead_in, plan.end if plan.keep_to is None else plan.keep_to
    log = MeasuredReduction(limiter, plan.sections, plan.keep_from, last)
    blocks = in_time(
        one.blocks(),
        limiter.latency,
        lambda block, at, key: log.process(block, first + at, key),
        None if part.follows is None else done[part.follows].blocks(),
        rings_out=plan.keep_to is None,  # a part has what follows in its spool
    )
    frames = one.frames if plan.keep_to is None else one.frames - limiter.latency
    made = recorded(kept(blocks, frames, plan.lead_in, frames), plan.rate_hz, means.folder)
    means.kept_open.enter_context(closing(made))
    held = {**one.reductions, "mix_bus.limiter": log.reduction}
    return replace(one, spool=made.spool, meter=made.meter, gain=1.0, reductions=held)


def _bus_makeup(mixing: Mixing, cache: NumberCache) -> float:
    """The matched make-up of the mix bus, known only now, as a gain on the finished mix."""
    chain, found = mixing.mix_bus.chain, mixing.mix.matches
    if not chain.plan.matches("compressor") or ("mix_bus", "compressor") in found:
        return 1.0
    makeup_db = chain.watched_match_db
    found["mix_bus", "compressor"] = makeup_db
    keep_bus_makeup(mixing.mix.sounds, makeup_db, cache)
    return match_gain(makeup_db)


def _doubtful_matches(found: Mapping[tuple[str, str], float]) -> list[Problem]:
    """Warn of level matches that could not be measured, or that raise what little is left."""
    problems = []
    for (name, part), value_db in found.items():
        what = {"eq": "EQ", "inserts": "chain of inserts"}.get(part, part)
        if math.isnan(value_db):
            message = f"{name}: its {what} leaves too little to measure, so it is not level-matched"
        elif abs(value_db) > DOUBTFUL_MATCH_DB:
            message = f"{name}: its {what} is level-matched by {value_db:+.1f} dB"
        else:
            continue
        help = "set level_match: false if that is not meant"
        if part == "compressor":
            help = "raise threshold_db, or set makeup_db, if that is not meant"
        problems.append(Problem("render/doubtful-match", message, None, help, Severity.WARNING))
    return problems
