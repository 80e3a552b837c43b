"""A performance of a plan: match levels, run the engine, limit if asked; the mix is in a spool.

Rendering writes it to a file, measuring listens to it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, replace
from itertools import repeat
from pathlib import Path

import numpy as np

from mixwright.audio import Spool
from mixwright.audio.opened import refuse_changed
from mixwright.claims import sweep
from mixwright.dsp.limiter import LimiterSettings
from mixwright.meters import MixMeter
from mixwright.places import cache_folder
from mixwright.rendering.apart import NOTHING_APART, Apart
from mixwright.rendering.cache import NumberCache, Remembered
from mixwright.rendering.chain import match_gain
from mixwright.rendering.cores import usable_cores
from mixwright.rendering.ears import NO_EARS, Ears
from mixwright.rendering.engine import Engine, Progress
from mixwright.rendering.identity import Contents, Sounds, contents_of
from mixwright.rendering.match import NOTHING_KNOWN, Found, keep_bus_makeup, match_levels
from mixwright.rendering.mixing import Mix, Mixing
from mixwright.rendering.placed_faults import check_finite
from mixwright.rendering.plan import Plan
from mixwright.rendering.reductions import MeasuredReduction, Reduction
from mixwright.units import Block

# (stage, share done from 0 to 1)
StageProgress = Callable[[str, float], None]
AUDIBLE = 10.0 ** (-100.0 / 20.0)  # a tail is over when it stays below this
SWITCH_INTERVAL_S = 2e-4


@dataclass(frozen=True)
class Performed:
    """A finished performance: `gain` times the spool is the mix; `engine` holds the meters."""

    spool: Spool
    gain: float
    engine: Engine
    meter: MixMeter
    found: Found
    reductions: dict[str, Reduction]

    @property
    def frames(self) -> int:
        """Its length in samples."""
        return self.spool.frames

    @property
    def rate_hz(self) -> int:
        """Its sample rate."""
        return self.engine.plan.rate_hz

    def blocks(self) -> Iterator[Block]:
        """Yield the mix in blocks of (frames, 2)."""
        for block in self.spool.blocks():
            yield block if self.gain == 1.0 else block * self.gain


@dataclass(frozen=True)
class Part:
    """A mix to be performed with others; all but the plan is as in :class:`Mix`.

    `part_of` is the name of the set, so that parts of two sets are never taken for one another.
    """

    plan: Plan
    follows: int | None = None
    parts_before: tuple[int, ...] | None = None
    part_of: str | None = None


@contextmanager
def performed(
    plan: Plan,
    folder: Path,
    *,
    threads: int | None = None,
    keep_cache: bool = True,
    ears: Ears = NO_EARS,
    apart: Apart = NOTHING_APART,
    progress: StageProgress | None = None,
) -> Iterator[Performed]:
    """Perform a plan; `folder` takes the spool, which is gone when the context is left.

    `ears` listen at points of the graph on the way, to what is `apart` too. Raises ProblemError
    for stems that turn out unreadable or change meanwhile, and for a machine that refuses.
    """
    options = {"threads": threads, "keep_cache": keep_cache, "progress": progress}
    with performed_together([Part(plan)], folder, ears=ears, apart=apart, **options) as (done,):  # type: ignore[arg-type]
        yield done


@contextmanager
def performed_together(
    parts: Sequence[Part],
    folder: Path,
    *,
    threads: int | None = None,
    keep_cache: bool = True,
    ears: Ears = NO_EARS,
    apart: Apart = NOTHING_APART,
    progress: StageProgress | None = None,
) -> Iterator[tuple[Performed, ...]]:
    """Perform several mixes of one song side by side, as :func:`performed` does one.

    What they share is done once, and each comes out as it would alone. A mix that follows another
    comes after it, and is as long; its make-up is that of the other. Ears hear the first.
    """
    interval_s = sys.getswitchinterval()
    # Threads spend most of their time in compiled loops outside the interpreter's lock; asking for
    # it back more often than every 5 ms keeps the others from waiting.
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    sweep(folder)
    kept_in = cache_folder() if keep_cache else None
    cache, threads = Remembered(kept_in), threads or usable_cores()
    recordings = (info for part in parts for info in part.plan.recordings)
    contents = contents_of(recordings, kept_in, threads)
    pool = ThreadPoolExecutor(threads, thread_name_prefix="mixwright")
    with ExitStack() as kept:
        kept.callback(sys.setswitchinterval, interval_s)
        kept.callback(pool.shutdown, wait=True, cancel_futures=True)
        mixes = _matched(parts, contents, pool, cache, _named("matching levels", progress))
        spools = [kept.enter_context(closing(Spool(folder))) for _ in mixes]
        engine = Engine(mixes, pool, ears=ears, apart=apart)
        meters = _play(engine, spools, _named("rendering", progress))
        refuse_changed(info for part in parts for info in part.plan.recordings)
        done: list[Performed] = []
        for index, mix in enumerate(mixes):
            lead = None if mix.follows is None else done[mix.follows]
            gain = _bus_makeup(engine.mixings[index], cache) if lead is None else lead.gain
            found, reductions = dict(mix.matches), engine.reductions(index)
            done.append(Performed(spools[index], gain, engine, meters[index], found, reductions))
        yield tuple(kept.enter_context(_finished(parts, done, folder)))


def _matched(
    parts: Sequence[Part],
    contents: Contents,
    pool: ThreadPoolExecutor,
    cache: NumberCache,
    progress: Progress | None,
) -> list[Mix]:
    """Match the levels of every mix; one that follows another takes over what was found there."""
    mixes: list[Mix] = []
    for index, part in enumerate(parts):
        share = None
        if progress is not None:
            share = lambda done, index=index: progress((index + done) / len(parts))  # noqa: E731
        lead = None if part.follows is None else mixes[part.follows]
        known = NOTHING_KNOWN if lead is None else lead.matches
        found = match_levels(part.plan, pool, cache, share, contents, known)
        before = tuple(mixes[other].sounds for other in part.parts_before or ())
        sounds = Sounds(part.plan, contents, None if lead is None else lead.sounds, before)
        mixes.append(Mix(part.plan, found, sounds, part.follows, part.parts_before))
    return mixes


def _play(engine: Engine, spools: Sequence[Spool], progress: Progress | None) -> list[MixMeter]:
    """Run the graph once into the spools, metering each mix on the way."""
    meters = [MixMeter(engine.plan.rate_hz) for _ in spools]
    try:
        for blocks in engine.blocks(progress):
            for block, meter, spool in zip(blocks, meters, spools, strict=True):
                check_finite(meter.feed(block), "the mix bus", ("mix_bus",))
                spool.write(block)
    finally:
        engine.close()
    return meters


@contextmanager
def _finished(
    parts: Sequence[Part], done: Sequence[Performed], folder: Path
) -> Iterator[list[Performed]]:
    """Limit what has a limiter, and cut what is unheard after the end.

    A limiter of a mix that follows another goes by the other as it was before its own limiter.
    """
    finished: list[Performed] = []
    with ExitStack() as kept:
        for part, one in zip(parts, done, strict=True):
            plan = part.plan
            if plan.limiter is not None:
                spool = kept.enter_context(closing(Spool(folder)))
                lead = None if part.follows is None else done[part.follows]
                meter, held = _limited(plan, plan.limiter, one, spool, lead)
                reductions = {**one.reductions, "mix_bus.limiter": held}
                one = replace(one, spool=spool, gain=1.0, meter=meter, reductions=reductions)
            finished.append(one)
        for part, one in zip(parts, finished, strict=True):
            if part.follows is not None:
                one.spool.cut(finished[part.follows].spool.frames)
            elif part.plan.keep_to is None:
                least = max(0, part.plan.end - part.plan.keep_from)
                one.spool.trim(least, AUDIBLE / max(one.gain, 1e-3))
        yield finished


def _limited(
    plan: Plan, settings: LimiterSettings, done: Performed, limited: Spool, lead: Performed | None
) -> tuple[MixMeter, Reduction]:
    """Run the finished mix through its limiter, metering it on the way.

    It comes after the make-up, which is known only once the whole mix has been heard: a second
    pass over the spool. What it lags by is dropped at the start and fetched at the end.
    """
    limiter, meter = settings.start(plan.rate_hz, 2), MixMeter(plan.rate_hz)
    at = plan.keep_from - plan.lead_in
    last = plan.end if plan.keep_to is None else plan.keep_to
    log = MeasuredReduction(limiter, plan.sections, plan.keep_from, last)
    skip = plan.lead_in + limiter.latency

    def finish(block: Block, key: Block | None) -> None:
        nonlocal at, skip
        log.process(block, at - limiter.latency, key)
        at += len(block)
        kept = block[min(skip, len(block)) :]
        skip -= len(block) - len(kept)
        meter.feed(kept)
        limited.write(kept)

    keys = repeat(None) if lead is None else lead.blocks()
    for block, key in zip(done.spool.blocks(), keys, strict=False):
        finish(block * done.gain, key)
    if plan.keep_to is None:  # a part has what follows in its spool
        silence = np.zeros((limiter.latency, 2))
        finish(silence, None if lead is None else silence.copy())
    return meter, log.reduction


def _bus_makeup(mixing: Mixing, cache: NumberCache) -> float:
    """The matched make-up of the mix bus, known only now, as a gain on the finished mix."""
    chain, found = mixing.mix_bus.chain, mixing.mix.matches
    if not chain.plan.matches_compressor or ("mix_bus", "compressor") in found:
        return 1.0
    makeup_db = chain.watched_match_db
    found["mix_bus", "compressor"] = makeup_db
    keep_bus_makeup(mixing.mix.sounds, makeup_db, cache)
    return match_gain(makeup_db)


def _named(stage: str, progress: StageProgress | None) -> Progress | None:
    return None if progress is None else lambda share: progress(stage, share)
