"""Takes: performances kept side by side, brought to one loudness, written as one set of files.

What is to be compared by ear must be equally loud, or the louder one wins (common practice). The
quietest is not known before all have been played, so every take waits on disk: a nameless file of
16 bytes a frame, 0.23 GB for five minutes at 48 kHz. To play everything twice instead would save
that space and double the time. A take is a copy, so that the tracks, buffers and threads that
played it can go: memory is that of one performance, however many takes there are.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from mixwright.audio import Encoding, MixFormat, Spool, check_target
from mixwright.audio.staged import aside, check_name, told_as_problem
from mixwright.audio.write import encode_spool
from mixwright.meters import LoudnessMeter
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.perform import performed
from mixwright.rendering.plan import Plan
from mixwright.rendering.run import doubtful_matches
from mixwright.rendering.session import USUAL, Session
from mixwright.rendering.target import default_target, keep_sources, seed_of
from mixwright.sheet import STEPS, Sheet
from mixwright.timeline import Position
from mixwright.units import db_to_gain, or_silence, unless_silent
from mixwright.version import __version__

# Below full scale where a set has to be lowered: dither and rounding reach one or two steps of the
# format beyond a sample, 0.001 dB with 16 bits.
LOWERED_TO_DBFS = -0.01
PADDING_FRAMES = 65536


@dataclass(frozen=True)
class TakeOptions:
    """How takes are played and written: into `folder`, in the format `form`."""

    folder: Path
    form: MixFormat
    force: bool = False
    shaped: bool = False
    session: Session = USUAL


@dataclass(frozen=True)
class Take:
    """A finished performance as it is before any matching; `meter` has heard every sample of it."""

    spool: Spool
    meter: LoudnessMeter
    rate_hz: int
    sample_peak_dbfs: float | None
    warnings: tuple[Problem, ...]

    @property
    def integrated_lufs(self) -> float | None:
        """Gated loudness (BS.1770-5); None where no 0.4 s is loud enough to be measured."""
        return unless_silent(self.meter.integrated_lufs)

    def fill_up(self, frames: int) -> None:
        """Add silence up to that length; to be done before anything is read."""
        for at in range(self.spool.frames, frames, PADDING_FRAMES):
            silence = np.zeros((min(PADDING_FRAMES, frames - at), 2))
            self.spool.write(silence)
            self.meter.feed(silence)


@contextmanager
def taken(plan: Plan, options: TakeOptions, stage: str) -> Iterator[Take]:
    """Perform a plan and keep the result until the context is left.

    `stage` is what the progress is said to be of. Raises ProblemError as a render does.
    """
    spool = Spool(options.folder)
    try:
        yield _performed_into(spool, plan, options, stage)
    finally:
        spool.close()


def _performed_into(spool: Spool, plan: Plan, options: TakeOptions, stage: str) -> Take:
    """Perform a plan and copy the result; nothing else of the performance is held on to."""
    meter = LoudnessMeter(plan.rate_hz, 2)
    with performed(plan, options.folder, _of_stage(stage, options.session)) as done:
        for block in done.blocks():
            spool.write(block)
            meter.feed(block)
        peak_dbfs = done.meter.readings(done.gain).sample_peak_dbfs
        warnings = (*plan.warnings, *doubtful_matches(done.found))
    return Take(spool, meter, plan.rate_hz, peak_dbfs, warnings)


def make_equally_long(takes: Sequence[Take]) -> None:
    """Fill shorter takes up with silence, so that a player can switch at any place."""
    longest = max(take.spool.frames for take in takes)
    for take in takes:
        take.fill_up(longest)


def _of_stage(stage: str, session: Session) -> Session:
    """One bar for both halves of a performance: matching levels, then rendering."""
    halves = {"matching levels": 0.0, "rendering": 0.5}
    return session.told(lambda half, share: session.tell(stage, halves[half] + 0.5 * share))


def matched_gains_db(levels_lufs: Sequence[float | None]) -> list[float]:
    """Return the gain (dB) that brings each level down to the quietest; none goes up.

    What has no loudness is left as it is, and the others don't follow it.

    >>> matched_gains_db([-20.0, -23.0, None])
    [-3.0, 0.0, 0.0]
    """
    quietest = min((level for level in levels_lufs if level is not None), default=0.0)
    return [0.0 if level is None else quietest - level for level in levels_lufs]


def lowering_db(peaks_dbfs: Sequence[float | None], gains_db: Sequence[float]) -> float:
    """Return the gain (0 or less, dB) that all need for none to be over full scale.

    >>> lowering_db([-3.0, 2.0], [0.0, -1.0]), lowering_db([-3.0, 2.0], [0.0, -2.5])
    (-1.01, 0.0)
    """
    pairs = zip(peaks_dbfs, gains_db, strict=True)
    highest = max(or_silence(peak) + gain for peak, gain in pairs)
    return 0.0 if highest <= 0.0 else LOWERED_TO_DBFS - highest


def span_words(
    sheet: Sheet,
    form: MixFormat,
    section: str | None,
    span: tuple[Position | None, Position | None],
    mono: bool = False,
) -> str:
    """Return what a file's name says of the part of the song, as in the name of a render.

    Empty for the whole song, else such as ``-chorus-1``.
    """
    name = default_target(sheet, form, STEPS[-1], section, span, mono).name
    return name.removeprefix("mix").removesuffix(form.suffix)


def file_stem(*words: str) -> str:
    """Return a file's name without its end: words joined by hyphens, in what any disk can take.

    >>> file_stem("bypass", "lead vocal", "eq")
    'bypass-lead-vocal-eq'
    """
    return re.sub(r"[^\w.]+", "-", "-".join(words))


def check_targets(sheet: Sheet, targets: Sequence[Path], options: TakeOptions) -> None:
    """Refuse a folder that is a file, sources of the mix, and files that are not ours."""
    check_name(options.folder)
    with told_as_problem(options.folder):
        is_file = options.folder.exists() and not options.folder.is_dir()
    if is_file or options.folder.suffix.lower() in (".wav", ".flac"):
        message = f"{options.folder} is the name of a file, expected a folder for the files"
        raise ProblemError([Problem("output/no-folder", message, help="give another --out")])
    for target in targets:
        keep_sources(sheet, target)
        check_target(target, options.force)


def write_takes(
    sheet: Sheet, takes: Mapping[Path, tuple[Take, float]], options: TakeOptions
) -> None:
    """Write each take at its gain (dB) to its path: all of them or none.

    Half a new set beside half an old one would be compared at unequal loudness.
    Raises ProblemError when the disk refuses; leaves no debris.
    """
    with aside(options.folder, [target.name for target in takes]) as room:
        for number, (target, (take, gain_db)) in enumerate(takes.items(), 1):
            form, shaped = options.form, options.shaped
            how = Encoding(form, take.rate_hz, seed_of(sheet), __version__, shaped)
            gain, path = db_to_gain(gain_db), room / str(number)
            encode_spool(take.spool, gain, path, how, named=target)
        for target in takes:  # someone may have put a file there meanwhile
            check_target(target, options.force)
        for number, target in enumerate(takes, 1):
            with told_as_problem(target):
                os.replace(room / str(number), target)
