"""A performance of a plan: match levels, run the engine, limit if asked; the mix is in a spool.

Rendering writes it to a file, measuring listens to it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from mixwright.audio import Spool
from mixwright.dsp.limiter import LimiterSettings
from mixwright.meters import MixMeter
from mixwright.rendering.apart import NOTHING_APART, Apart
from mixwright.rendering.cache import NumberCache, cache_folder
from mixwright.rendering.chain import match_gain
from mixwright.rendering.engine import NO_EARS, Ears, Engine, Progress
from mixwright.rendering.match import Found, keep_bus_makeup, match_levels
from mixwright.rendering.nodes import check_finite
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

    def blocks(self) -> Iterator[Block]:
        """Yield the mix in blocks of (frames, 2)."""
        for block in self.spool.blocks():
            yield block if self.gain == 1.0 else block * self.gain


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
    for stems that turn out unreadable and for a machine that refuses.
    """
    spools = [Spool(folder)]
    interval_s = sys.getswitchinterval()
    # Threads spend most of their time in compiled loops outside the interpreter's lock; asking for
    # it back more often than every 5 ms keeps the others from waiting.
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    cache = NumberCache(cache_folder() if keep_cache else None)
    pool = ThreadPoolExecutor(threads or usable_cores(), thread_name_prefix="mixwright")
    try:
        found = match_levels(plan, pool, cache, _named("matching levels", progress))
        engine = Engine(plan, found, pool, ears=ears, apart=apart)
        meter = _play(engine, spools[0], _named("rendering", progress))
        gain, reductions = _bus_makeup(engine, found, cache), engine.reductions()
        if plan.limiter is not None:
            spools.append(Spool(folder))
            meter, held = _limited(plan, plan.limiter, gain, *spools)
            gain, reductions["mix_bus.limiter"] = 1.0, held
        if plan.keep_to is None:
            spools[-1].trim(max(0, plan.end - plan.keep_from), AUDIBLE / max(gain, 1e-3))
        yield Performed(spools[-1], gain, engine, meter, found, reductions)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        for spool in spools:
            spool.close()
        sys.setswitchinterval(interval_s)


def _play(engine: Engine, spool: Spool, progress: Progress | None) -> MixMeter:
    """Run the graph once into the spool, metering the mix on the way."""
    meter = MixMeter(engine.plan.rate_hz)
    try:
        for block in engine.blocks(progress):
            check_finite(meter.feed(block), "the mix bus", ("mix_bus",))
            spool.write(block)
    finally:
        engine.close()
    return meter


def _limited(
    plan: Plan, settings: LimiterSettings, gain: float, spool: Spool, limited: Spool
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

    def finish(block: Block) -> None:
        nonlocal at, skip
        log.process(block, at - limiter.latency)
        at += len(block)
        kept = block[min(skip, len(block)) :]
        skip -= len(block) - len(kept)
        meter.feed(kept)
        limited.write(kept)

    for block in spool.blocks():
        finish(block * gain)
    if plan.keep_to is None:  # a part has what follows in its spool
        finish(np.zeros((limiter.latency, 2)))
    return meter, log.reduction


def _bus_makeup(engine: Engine, found: Found, cache: NumberCache) -> float:
    """The matched make-up of the mix bus, known only now, as a gain on the finished mix."""
    chain = engine.mix_bus.chain
    if not chain.plan.matches_compressor or ("mix_bus", "compressor") in found:
        return 1.0
    makeup_db = chain.watched_match_db
    found["mix_bus", "compressor"] = makeup_db
    keep_bus_makeup(engine.plan, makeup_db, cache)
    return match_gain(makeup_db)


def usable_cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _named(stage: str, progress: StageProgress | None) -> Progress | None:
    return None if progress is None else lambda share: progress(stage, share)
