"""A mix or a part of it made ready for its file: gain, limiter, cut, fades, a block at a time.

The limiter of a part may listen to a `lead`, the whole that the part belongs to. All that happens
here is then linear in the sound, so that parts finished alike add up to the finished whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NoReturn

import numpy as np

from mixwright.dsp.contract import bounds_of
from mixwright.dsp.limiter import LimiterSettings, RunningLimiter
from mixwright.meters import SoundMeter, SoundReadings
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.blocks import in_time, kept, turned
from mixwright.rendering.recording import Recording
from mixwright.units import Block, db_to_gain, or_silence

# What is louder counts as sound where head and tail are cut (our choice).
SOUND_DBFS = -70.0
SOUND = db_to_gain(SOUND_DBFS)
# The loudness comes this near to the target, which leaves room for meters that differ from ours.
NEAR_LU = 0.01
# A limiter that takes more makes another mix of it (our choice).
MOST_REDUCTION_DB = 12.0
MOST_PASSES = 10
LOWEST_DBTP = bounds_of(LimiterSettings)["ceiling_dbtp"].low
# LU of loudness that a dB of gain into a limiter is believed to bring, at least.
LEAST_SLOPE = 0.1
# Lowered by so much more than its peaks are too high, a limiter that left them is safely under.
SAFE_DB = 0.01


@dataclass(frozen=True)
class Levelling:
    """A gain in dB, then a limiter if there has to be one; what it took away at most, in dB."""

    gain_db: float = 0.0
    limiter: LimiterSettings | None = None
    reduction_db: float = 0.0


@dataclass(frozen=True)
class Cut:
    """The frames kept: from `first` up to, and without, `last`, counted from the mix's first.

    What lies before the mix (`first` is negative) or beyond its end is silence.

    >>> Cut(-4800, 96000).frames
    100800
    """

    first: int
    last: int

    @property
    def frames(self) -> int:
        """How many are kept."""
        return self.last - self.first


def cut_of(source: Recording, head_s: float | None, tail_s: float | None) -> Cut:
    """Return the cut that leaves `head_s` before the first sound and `tail_s` after the last.

    Sound is a frame with a peak above -70 dBFS. None leaves that end where it is; a source
    without any sound is left as it is. Both in seconds, 0 or more.

    >>> from types import SimpleNamespace
    >>> sound = np.zeros((1000, 2))
    >>> sound[300:600] = 0.5
    >>> source = SimpleNamespace(frames=1000, rate_hz=1000, blocks=lambda: iter([sound]))
    >>> cut_of(source, 0.1, 0.5), cut_of(source, None, 0.0)
    (Cut(first=200, last=1100), Cut(first=0, last=600))
    """
    whole = Cut(0, source.frames)
    if head_s is None and tail_s is None:
        return whole
    first, last, at = -1, 0, 0
    for block in source.blocks():
        heard = np.flatnonzero(np.abs(block).max(axis=1) > SOUND)
        if len(heard):
            first = at + int(heard[0]) if first < 0 else first
            last = at + int(heard[-1]) + 1
        at += len(block)
    if first < 0:
        return whole
    return Cut(
        whole.first if head_s is None else first - round(head_s * source.rate_hz),
        whole.last if tail_s is None else last + round(tail_s * source.rate_hz),
    )


def finished(
    source: Recording,
    levelling: Levelling,
    cut: Cut,
    fade_in_s: float = 0.0,
    fade_out_s: float = 0.0,
    lead: Recording | None = None,
) -> Iterator[Block]:
    """Yield the source with gain and limiter, then cut, then faded; ``cut.frames`` in all.

    Fades are raised cosines over so many seconds (at most over all that is kept): in from the first
    frame kept, which is silent, out to the last one, which is silent too. `lead`, of as many frames
    at the same rate, is what the limiter listens to, after the same gain. What is neither turned
    nor faded keeps every bit. Blocks are of any size, may be the source's own memory, and are
    overwritten by the next. ValueError: the lead is not as long as the source.
    """
    limiter = _started(levelling, source.rate_hz)
    return _finished(source, levelling.gain_db, limiter, cut, (fade_in_s, fade_out_s), lead)


def level_to(
    source: Recording,
    integrated_lufs: float | None,
    true_peak_dbtp: float | None,
    cut: Cut | None = None,
    fade_in_s: float = 0.0,
    fade_out_s: float = 0.0,
) -> Levelling:
    """Return the gain that brings the source to a loudness, with a limiter if its peaks need one.

    ITU-R BS.1770-5: integrated loudness (LUFS) to within 0.05 LU, true peak (dBTP) not over its
    limit; None leaves either as it is. Both are those of what :func:`finished` makes with the same
    cut (None: the whole) and fades (s). The gain of silence, which has no loudness, is 0. Without a
    limiter the source is played once, with one mostly three to five times.

    ProblemError deliver/out-of-reach: the limiter would have to take more than 12 dB, or to hold
    peaks under less than -20 dBTP.
    """
    made = _Made(source, cut or Cut(0, source.frames), (fade_in_s, fade_out_s))
    meter, _ = made.played(Levelling())
    before = meter.readings()
    if before.integrated_lufs is None:
        integrated_lufs = None
    gain_db = _plain_gain_db(meter, integrated_lufs)
    found = meter.readings(gain=db_to_gain(gain_db))
    peak_dbtp = or_silence(found.true_peak_dbtp)
    if true_peak_dbtp is None or peak_dbtp <= true_peak_dbtp:
        return Levelling(gain_db)
    goal = _Goal(integrated_lufs, true_peak_dbtp, before)
    if true_peak_dbtp < LOWEST_DBTP:
        goal.refuse(f"the limiter goes down to {LOWEST_DBTP:g} dBTP")
    goal.refuse_beyond(peak_dbtp - true_peak_dbtp)
    return _limited_to(goal, made, gain_db)


@dataclass(frozen=True)
class _Made:
    """A source with all that is done to it but its level."""

    source: Recording
    cut: Cut
    fades_s: tuple[float, float]

    def played(self, levelling: Levelling) -> tuple[SoundMeter, float]:
        """Return a meter that has heard all of it, and the limiter's most reduction in dB."""
        rate_hz = self.source.rate_hz
        meter, limiter = SoundMeter(rate_hz, 2), _started(levelling, rate_hz)
        for block in _finished(self.source, levelling.gain_db, limiter, self.cut, self.fades_s):
            meter.feed(block)
        return meter, 0.0 if limiter is None else limiter.reduction.max_db


@dataclass(frozen=True)
class _Goal:
    """The loudness (None: whatever it is) and true peak wanted, and what there was before."""

    integrated_lufs: float | None
    true_peak_dbtp: float
    before: SoundReadings

    def over_lu(self, found: SoundReadings) -> float:
        """By how much it is too loud."""
        wanted_lufs = self.integrated_lufs
        return 0.0 if wanted_lufs is None else or_silence(found.integrated_lufs) - wanted_lufs

    def refuse_beyond(self, reduction_db: float) -> None:
        """Refuse a limiter that takes so much, if it is too much."""
        if reduction_db > MOST_REDUCTION_DB:
            self.refuse(
                f"the limiter would take {reduction_db:.2f} dB or more, "
                f"expected {MOST_REDUCTION_DB:g} dB at most"
            )

    def refuse(self, reason: str) -> NoReturn:
        """Raise a problem that says what was wanted of what, and why it can't be."""
        have = f"{self.before.true_peak_dbtp:.1f} dBTP"
        want, hint = f"under {self.true_peak_dbtp:.1f} dBTP", "raise true_peak_dbtp"
        if self.integrated_lufs is not None:
            have = f"{self.before.integrated_lufs:.1f} LUFS and {have}"
            want = f"at {self.integrated_lufs:.1f} LUFS {want}"
            hint = f"lower integrated_lufs or {hint}"
        message = f"a mix at {have} can't be had {want}: {reason}"
        raise ProblemError([Problem("deliver/out-of-reach", message, help=hint)])


def _plain_gain_db(meter: SoundMeter, integrated_lufs: float | None) -> float:
    """The gain that brings what the meter has heard to a loudness.

    It may need a second look: the gate at -70 LUFS lets more pass when the gain is higher.
    """
    gain_db = 0.0
    if integrated_lufs is not None:
        for _ in range(3):
            found = meter.readings(gain=db_to_gain(gain_db))
            gain_db += integrated_lufs - or_silence(found.integrated_lufs)
    return gain_db


def _limited_to(goal: _Goal, made: _Made, gain_db: float) -> Levelling:
    """The levelling with a limiter that meets the goal; each try plays the source once.

    The next gain is that of the straight line through the last two tries (the secant method).
    """
    limiter = LimiterSettings(ceiling_dbtp=goal.true_peak_dbtp)
    slope, over_lu, step_db = 1.0, 0.0, 0.0
    for _ in range(MOST_PASSES):
        meter, reduction_db = made.played(Levelling(gain_db, limiter))
        found, before_lu = meter.readings(), over_lu
        over_lu = goal.over_lu(found)
        peak_over_db = or_silence(found.true_peak_dbtp) - goal.true_peak_dbtp
        if over_lu <= NEAR_LU:  # more is not needed
            goal.refuse_beyond(reduction_db)
        if abs(over_lu) <= NEAR_LU and peak_over_db <= 0.0:
            return Levelling(gain_db, limiter, reduction_db)
        if peak_over_db > 0.0:
            lower_dbtp = limiter.ceiling_dbtp - peak_over_db - SAFE_DB
            limiter = replace(limiter, ceiling_dbtp=max(lower_dbtp, LOWEST_DBTP))
        if step_db:
            slope = min(max((over_lu - before_lu) / step_db, LEAST_SLOPE), 1.0)
        step_db = -over_lu / slope
        gain_db += step_db
    goal.refuse(
        f"after {MOST_PASSES} tries it is {over_lu:+.2f} LU off, its peaks {peak_over_db:+.2f} dB"
    )


def _started(levelling: Levelling, rate_hz: int) -> RunningLimiter | None:
    return None if levelling.limiter is None else levelling.limiter.start(rate_hz, 2)


def _finished(
    source: Recording,
    gain_db: float,
    limiter: RunningLimiter | None,
    cut: Cut,
    fades_s: tuple[float, float],
    lead: Recording | None = None,
) -> Iterator[Block]:
    """:func:`finished`, with a limiter that can be asked afterwards."""
    gain = db_to_gain(gain_db)
    blocks = turned(source.blocks(), gain)
    if limiter is not None:
        keys = None
        if lead is not None and lead is not source:
            if lead.frames != source.frames:
                raise ValueError(f"the lead has {lead.frames} frames, expected {source.frames}")
            keys = turned(lead.blocks(), gain)
        work = limiter.process
        blocks = in_time(blocks, limiter.latency, lambda block, _, key: work(block, key), keys)
    inside = kept(blocks, source.frames, cut.first, cut.last)
    return _faded(inside, cut.frames, *(round(fade_s * source.rate_hz) for fade_s in fades_s))


def _faded(blocks: Iterator[Block], frames: int, fade_in: int, fade_out: int) -> Iterator[Block]:
    """Blocks of `frames` in all, faded over so many of them."""
    rising, falling = _rise(min(fade_in, frames)), _rise(min(fade_out, frames))[::-1]
    at, falls_at = 0, frames - len(falling)
    for block in blocks:
        end = at + len(block)
        if at < len(rising) or end > falls_at:
            block = block.copy()
            in_gains, out_at = rising[at:end], max(falls_at, at)
            block[: len(in_gains)] *= in_gains
            block[out_at - at :] *= falling[out_at - falls_at : end - falls_at]
        yield block
        at = end


def _rise(frames: int) -> Block:
    """Half a raised cosine (frames, 1), from 0 to one frame before 1."""
    turn = np.arange(frames)[:, None] / max(frames, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * turn))
