"""A performance made ready for its files: at their rate, levelled, cut, faded, measured.

It is converted first: what a limiter holds at one rate may peak higher at another. So the loudness
and peaks that were asked for are those of the files at every rate.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from mixwright.audio import Spool
from mixwright.delivering.convert import converted
from mixwright.delivering.finish import Cut, Levelling, Source, cut_of, finished, level_to
from mixwright.delivering.orders import Finish, Order
from mixwright.meters import SoundMeter, SoundReadings
from mixwright.rendering.perform import Performed
from mixwright.rendering.placed_faults import check_finite
from mixwright.units import Block


@dataclass(frozen=True)
class Spooled:
    """Sound in a spool, at its rate."""

    spool: Spool
    rate_hz: int

    @property
    def frames(self) -> int:
        """Its length in samples."""
        return self.spool.frames

    def blocks(self) -> Iterator[Block]:
        """Yield it in blocks of (frames, 2)."""
        return self.spool.blocks()

    def close(self) -> None:
        """Give the space back."""
        self.spool.close()


@dataclass(frozen=True)
class Ready:
    """A mix as its files will hold it: `levelling` and `cut` are what was done to it.

    `is_unmeasurable`: a loudness was asked for, and there is not enough sound to have one.
    """

    source: Source
    readings: SoundReadings
    levelling: Levelling
    cut: Cut
    is_unmeasurable: bool = False


class Lead:
    """The main mix at every rate asked for, with what brings it to its loudness there.

    Worked out once for all that follow it; may be asked by several threads.
    """

    def __init__(self, main: Performed, finish: Finish, folder: Path) -> None:
        self._main, self._finish, self._folder = main, finish, folder
        self._sources: dict[int, Source] = {main.rate_hz: main}
        self._levellings: dict[int, Levelling] = {}
        self._working = threading.Lock()

    def at(self, rate_hz: int) -> Source:
        """Return the main mix at a rate."""
        with self._working:
            if rate_hz not in self._sources:
                self._sources[rate_hz] = _converted(self._main, rate_hz, self._folder)
            return self._sources[rate_hz]

    def levelling(self, rate_hz: int) -> Levelling:
        """Return what is done to its level; ProblemError where its loudness is out of reach."""
        source = self.at(rate_hz)
        with self._working:
            if rate_hz not in self._levellings:
                cut = cut_of(source, self._finish.head_s, self._finish.tail_s)
                self._levellings[rate_hz] = levelled(source, self._finish, cut)
            return self._levellings[rate_hz]

    def close(self) -> None:
        """Give the space back."""
        for source in self._sources.values():
            if isinstance(source, Spooled):
                source.close()


def levelled(source: Source, finish: Finish, cut: Cut) -> Levelling:
    """Return what brings a source, cut and faded, to the loudness that a finish asks for."""
    if finish.aim is None:
        return Levelling()
    aim = (finish.aim.integrated_lufs, finish.aim.true_peak_dbtp)
    return level_to(source, *aim, cut, finish.fade_in_s, finish.fade_out_s)


@contextmanager
def made_ready(
    order: Order, done: Performed, lead: Lead | None, rate_hz: int, folder: Path
) -> Iterator[Ready]:
    """Finish a version at a rate; what `folder` takes for it is gone when the context is left.

    `lead` is the main mix where the order needs it. Raises ProblemError.
    """
    finish, source = order.finish, _converted(done, rate_hz, folder)
    try:
        cut_by = lead.at(rate_hz) if order.cut_by_main and lead is not None else source
        cut = cut_of(cut_by, finish.head_s, finish.tail_s)
        main: Source | None = None
        if order.follows_main and order.variant.loudness is None and lead is not None:
            levelling = lead.levelling(rate_hz)
            main = lead.at(rate_hz) if levelling.limiter is not None else None
        else:
            levelling = levelled(source, finish, cut)
        fades_s = (finish.fade_in_s, finish.fade_out_s)
        untouched = cut == Cut(0, source.frames) and levelling == Levelling()
        if untouched and fades_s == (0.0, 0.0) and source is done:
            readings = done.meter.sound.readings(gain=done.gain)
            yield Ready(done, readings, levelling, cut, _has_no_loudness(order, readings))
            return
        blocks = finished(source, levelling, cut, *fades_s, main)
        with _measured(blocks, rate_hz, folder) as (spooled, readings):
            yield Ready(spooled, readings, levelling, cut, _has_no_loudness(order, readings))
    finally:
        if isinstance(source, Spooled):
            source.close()


def _has_no_loudness(order: Order, readings: SoundReadings) -> bool:
    return order.variant.loudness is not None and readings.integrated_lufs is None


def _converted(done: Performed, rate_hz: int, folder: Path) -> Source:
    """The performance itself, or a spool of it at another rate."""
    if rate_hz == done.rate_hz:
        return done
    spool = Spool(folder)
    try:
        for block in converted(done.blocks(), done.rate_hz, rate_hz, done.frames):
            spool.write(block)
    except BaseException:
        spool.close()
        raise
    return Spooled(spool, rate_hz)


@contextmanager
def _measured(
    blocks: Iterator[Block], rate_hz: int, folder: Path
) -> Iterator[tuple[Spooled, SoundReadings]]:
    """Keep blocks in a spool and measure them on the way."""
    spooled, meter = Spooled(Spool(folder), rate_hz), SoundMeter(rate_hz, 2)
    try:
        for block in blocks:
            check_finite(meter.feed(block), "the mix", ("mix_bus",))
            spooled.spool.write(block)
        yield spooled, meter.readings()
    finally:
        spooled.close()
