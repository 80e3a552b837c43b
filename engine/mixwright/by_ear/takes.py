"""Takes: recordings brought to one loudness and one length, written as one set of files.

What is to be compared by ear must be equally loud, or the louder one wins (common practice). The
quietest is not known before all have been played, so every take waits on disk: 16 bytes a frame,
0.23 GB for five minutes at 48 kHz, and as much again as it was before its limiter.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mixwright.audio import MixFormat, check_target
from mixwright.audio.encode import Encoding, encode
from mixwright.audio.staged import aside, check_name, told_as_problem
from mixwright.meters import LoudnessMeter
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.blocks import turned
from mixwright.rendering.recording import Recording
from mixwright.rendering.target import default_target, keep_sources
from mixwright.sheet import STEPS, Sheet
from mixwright.timeline import Position
from mixwright.units import db_to_gain, or_silence, unless_silent

# Below full scale where a set has to be lowered: dither and rounding reach one or two steps of the
# format beyond a sample, 0.001 dB with 16 bits.
LOWERED_TO_DBFS = -0.01
Take = tuple[Recording, float]  # and its gain in dB


@dataclass(frozen=True)
class TakeOptions:
    """How a set of takes is written: into `folder`, in one format."""

    folder: Path
    encoding: Encoding
    force: bool = False


def heard(takes: Sequence[Recording]) -> list[LoudnessMeter]:
    """Return a loudness meter for each, which has heard it as long as the longest of them."""
    frames = longest(takes)
    return [_meter(take, frames) for take in takes]


def levels_lufs(takes: Sequence[Recording]) -> list[float | None]:
    """Return the gated loudness of each, None where there is too little to be measured."""
    return [unless_silent(meter.integrated_lufs) for meter in heard(takes)]


def _meter(take: Recording, frames: int) -> LoudnessMeter:
    meter = LoudnessMeter(take.rate_hz, 2)
    for block in take.blocks(0, frames):
        meter.feed(block)
    return meter


def longest(takes: Sequence[Recording]) -> int:
    """Return the frames of the longest: as long are all made, to switch at any place."""
    return max(take.frames for take in takes)


def peaks_dbfs(takes: Sequence[Recording]) -> list[float | None]:
    """Return the highest sample of each."""
    return [take.figures().sample_peak_dbfs for take in takes]


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


def write_takes(targets: Sequence[Path], takes: Sequence[Take], options: TakeOptions) -> None:
    """Write each take at its gain (dB) to its target, all equally long: all of them or none.

    Half a new set beside half an old one would be compared at unequal loudness.
    Raises ProblemError when the disk refuses; leaves no debris.
    """
    frames = longest([take for take, _ in takes])
    with aside(options.folder) as room:
        for number, (target, (take, gain_db)) in enumerate(zip(targets, takes, strict=True), 1):
            blocks = turned(take.blocks(0, frames), db_to_gain(gain_db))
            path, how = room / str(number), options.encoding
            encode(blocks, frames, take.rate_hz, path, how, named=target)
        for target in targets:  # someone may have put a file there meanwhile
            check_target(target, options.force)
        for number, target in enumerate(targets, 1):
            with told_as_problem(target):
                os.replace(room / str(number), target)
