"""What a review page lets listen to: every step, variants, the version before, references.

All mixes of the song are made side by side in one pass; the version before joins them where it has
the song's rate and length. Sounds are kept as float files until the page has its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from mixwright.audio import FORMATS, StemInfo
from mixwright.audio.encode import Encoding, encode
from mixwright.by_ear.takes import matched_gains_db
from mixwright.delivering.variants import versions_of
from mixwright.measuring.measure import heard
from mixwright.meters import SoundReadings
from mixwright.rendering.blocks import kept
from mixwright.rendering.ears import Ear
from mixwright.rendering.parts import Stretch
from mixwright.rendering.perform import (
    PlannedMix,
    performed,
)
from mixwright.rendering.plan import PlanOf, sounding
from mixwright.rendering.probing import probed
from mixwright.rendering.recording import Recording
from mixwright.rendering.session import Session
from mixwright.reviewing.data import Source, SourceKind
from mixwright.reviewing.sounds import in_stereo
from mixwright.sheet import STEPS, Sheet, StepName
from mixwright.sheet.deliverables import MAIN
from mixwright.units import or_silence
from mixwright.words import named

FINISHED: StepName = STEPS[-1]
# The bus compressor's reduction is read so often; pictures have no more points than that.
HOP_S = 0.2
# What is further below the mix is not matched (our choice).
MOST_MATCHED_LU = 20.0
TOO_SOFT = "too soft to be matched"
AS_FLOAT = Encoding(FORMATS["wav32f"])


@dataclass(frozen=True)
class HeardMix:
    """One mix, and what it is called on the page."""

    id: str
    label: str
    kind: SourceKind
    note: str
    done: Recording

    @cached_property
    def readings(self) -> SoundReadings:
        """Its figures; its length is that of what is left of its tail."""
        return self.done.figures()


@dataclass(frozen=True)
class ReferenceSound:
    """A reference as far as it is listened to: its loudest stretch as long as the song."""

    info: StemInfo
    ear: Ear
    start_s: float
    seconds: float

    @property
    def readings(self) -> SoundReadings:
        """The figures of what is listened to."""
        return self.ear.stretch(None, self.start_s, self.start_s + self.seconds).sound

    @property
    def note(self) -> str:
        """What part it is, if it isn't all of it."""
        if self.seconds >= self.ear.sound.seconds - 0.1:
            return ""
        return f"its loudest {self.seconds:.0f} s, from {self.start_s:.0f} s on"

    def written(self, path: Path) -> Path:
        """Write what is listened to and return where; the file itself if it is all of it."""
        if not self.note:
            return self.info.path
        info = self.info
        first = round(self.start_s * info.rate_hz)
        frames = min(round(self.seconds * info.rate_hz), info.frames - first)
        blocks = kept(in_stereo(info), info.frames, first, first + frames)
        encode(blocks, frames, info.rate_hz, path, AS_FLOAT)
        return path


@dataclass(frozen=True)
class Listening:
    """Everything to listen to: `mixes` with the finished one first, `references` by their ears."""

    mixes: tuple[HeardMix, ...]
    references: tuple[ReferenceSound, ...]

    @property
    def finished(self) -> HeardMix:
        """The mix as it stands."""
        return self.mixes[0]

    @property
    def previous(self) -> HeardMix | None:
        """The version before, if there is one to compare with."""
        return next((one for one in self.mixes if one.kind == "previous"), None)

    def sources(self) -> tuple[Source, ...]:
        """Return them as the page lists them, all matched in loudness.

        What is compared most comes first: the mix, the version before, the references; then the
        steps on the way to it, then variants.
        """
        rows: list[Row] = [_row(one) for one in self.mixes if one.kind in ("mix", "previous")]
        rows += [
            (f"reference-{count}", one.info.path.name, "reference", one.readings, one.note)
            for count, one in enumerate(self.references, 1)
        ]
        rows += [_row(one) for one in self.mixes if one.kind == "step"]
        rows += [_row(one) for one in self.mixes if one.kind == "variant"]
        least = or_silence(self.finished.readings.integrated_lufs) - MOST_MATCHED_LU
        levels = [readings.integrated_lufs for *_, readings, _ in rows]
        # What is far softer than the mix would turn everything down to where nobody hears it.
        matched = [None if level is None or level < least else level for level in levels]
        gains_db = matched_gains_db(matched)
        return tuple(
            Source(
                id,
                label,
                kind,
                readings.integrated_lufs,
                gain_db,
                readings.seconds,
                note if level is not None else "; ".join(filter(None, (note, TOO_SOFT))),
            )
            for (id, label, kind, readings, note), level, gain_db in zip(
                rows, matched, gains_db, strict=True
            )
        )

    def write(self, folder: Path) -> dict[str, Path]:
        """Write each mix into `folder` and return all sound files by their sources' ids."""
        found: dict[str, Path] = {}
        for count, one in enumerate(self.mixes):
            path = found[one.id] = folder / f"{count}.wav"
            done = one.done
            encode(done.blocks(), done.frames, done.rate_hz, path, AS_FLOAT)
        for count, reference in enumerate(self.references, 1):
            found[f"reference-{count}"] = reference.written(folder / f"reference-{count}.wav")
        return found


Row = tuple[str, str, SourceKind, SoundReadings, str]


def _row(one: HeardMix) -> Row:
    return one.id, one.label, one.kind, one.readings, one.note


@contextmanager
def listened(
    sheet: Sheet, before: tuple[str, Sheet] | None, plan_of: PlanOf, folder: Path, session: Session
) -> Iterator[Listening]:
    """Perform everything there is to listen to; `folder` takes the spools.

    `before` is the version before and its name. Raises ProblemError.
    """
    entries = [*_steps(sheet, plan_of), *_variants(sheet, plan_of)]
    if before is not None:
        old = PlannedMix(plan_of(before[1], FINISHED))
        entries.append(("previous", "the version before", "previous", before[0], old))
    with performed([part for *_, part in entries], session, folder) as done:
        yield _listening(sheet, entries, done, session)


Playable = tuple[str, str, SourceKind, str, PlannedMix]


def _steps(sheet: Sheet, plan_of: PlanOf) -> list[Playable]:
    """The finished mix first, its bus reduction by short stretches; then the steps before it."""
    finished = plan_of(sheet, FINISHED)
    hop = round(HOP_S * finished.rate_hz)
    stretches = (
        Stretch(str(count), at, min(at + hop, finished.end))
        for count, at in enumerate(range(0, finished.end, hop))
    )
    plans = [replace(finished, sections=tuple(stretches))]
    plans += [plan_of(sheet, step) for step in STEPS[:-1]]
    first, *others = plans
    found: list[Playable] = [("mix", "the mix", "mix", "all six steps", PlannedMix(first))]
    for count, (step, plan) in enumerate(zip(STEPS, others, strict=False), 1):
        label = f"through {'mix bus' if step == 'bus' else named(step)}"
        found.append((f"step-{step}", label, "step", f"step {count} of six", PlannedMix(plan)))
    return found


def _variants(sheet: Sheet, plan_of: PlanOf) -> list[Playable]:
    """Variants that are one mix, and another one than the main mix."""
    found: list[Playable] = []
    main = sounding(plan_of(sheet, FINISHED))
    for variant in sheet.variants:
        if variant.name == MAIN or variant.is_split:
            continue
        (version,) = versions_of(sheet, variant, plan_of)
        if version.plan == main:
            continue  # it differs in its files alone
        label = variant.name.replace("_", " ")
        part = PlannedMix(version.plan, 0 if version.follows_main else None)
        found.append((f"variant-{variant.name}", label, "variant", variant.why or "", part))
    return found


def _listening(
    sheet: Sheet, entries: Sequence[Playable], done: Sequence[Recording], session: Session
) -> Listening:
    mixes = tuple(
        HeardMix(id, label, kind, note, one)
        for (id, label, kind, note, _), one in zip(entries, done, strict=True)
    )
    seconds = done[0].seconds
    paths = [sheet.folder / reference.file for reference in sheet.references]
    return Listening(mixes, tuple(_reference(path, seconds, session) for path in paths))


def _reference(path: Path, seconds: float, session: Session) -> ReferenceSound:
    """A reference, cut to its loudest stretch where it is longer than the song."""
    info = probed(path, session)
    ear = heard(info)
    if ear.sound.seconds <= seconds + 0.1:
        return ReferenceSound(info, ear, 0.0, ear.sound.seconds)
    levels = ear.sound.loudness_over_time(seconds)
    start_s = float(np.argmax(levels)) / 100.0 if len(levels) else 0.0
    return ReferenceSound(info, ear, start_s, seconds)
