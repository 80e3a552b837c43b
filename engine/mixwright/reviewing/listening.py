"""What a review page lets listen to: every step, variants, the version before, references.

All mixes of the song are made side by side in one pass; the version before joins them where it has
the song's rate and length. Sounds are kept as float files until the page has its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from mixwright.audio import FORMATS
from mixwright.audio.encode import encode
from mixwright.delivering.variants import versions_of
from mixwright.measuring.measure import hear_file
from mixwright.meters import SoundReadings
from mixwright.rendering.ears import Ear
from mixwright.rendering.parts import Stretch
from mixwright.rendering.perform import (
    Part,
    Performed,
    StageProgress,
    performed,
    performed_together,
)
from mixwright.rendering.plan import Plan, sounding
from mixwright.reviewing.data import Source, SourceKind, matching_gains_db
from mixwright.sheet import STEPS, Sheet, StepName
from mixwright.sheet.deliverables import MAIN
from mixwright.version import __version__

PlanOf = Callable[[Sheet, StepName], Plan]
FINISHED: StepName = STEPS[-1]
# The glue's reduction is read so often; pictures have no more points than that.
HOP_S = 0.2
WORDS = {"mixbus": "mix bus", "eq": "EQ"}


@dataclass(frozen=True)
class Work:
    """How to work: on how many threads (None: all cores), and whom to tell of it."""

    threads: int | None = None
    keep_cache: bool = True
    progress: StageProgress | None = None


@dataclass(frozen=True)
class Heard:
    """One mix: what it is called on the page, its performance, and its figures."""

    id: str
    label: str
    kind: SourceKind
    note: str
    done: Performed
    readings: SoundReadings


@dataclass(frozen=True)
class Listening:
    """Everything to listen to: `mixes` with the finished one first, `references` by their ears."""

    mixes: tuple[Heard, ...]
    references: tuple[tuple[Path, Ear], ...]

    @property
    def finished(self) -> Heard:
        """The mix as it stands."""
        return self.mixes[0]

    @property
    def previous(self) -> Heard | None:
        """The version before, if there is one to compare with."""
        return next((one for one in self.mixes if one.kind == "previous"), None)

    def sources(self) -> tuple[Source, ...]:
        """Return them as the page lists them, steps in order first, all matched in loudness."""
        finished, *others = self.mixes
        steps = [one for one in others if one.kind == "step"]
        rest = [one for one in others if one.kind != "step"]
        rows = [
            (one.id, one.label, one.kind, one.readings, one.note)
            for one in (*steps, finished, *rest)
        ]
        rows += [
            (f"reference-{count}", path.name, "reference", ear.figures().sound, "")
            for count, (path, ear) in enumerate(self.references, 1)
        ]
        gains_db = matching_gains_db([readings.integrated_lufs for *_, readings, _ in rows])
        return tuple(
            Source(id, label, kind, readings.integrated_lufs, gain_db, readings.seconds, note)
            for (id, label, kind, readings, note), gain_db in zip(rows, gains_db, strict=True)
        )

    def write(self, folder: Path) -> dict[str, Path]:
        """Write each mix into `folder` and return all sound files by their sources' ids."""
        found: dict[str, Path] = {}
        for count, one in enumerate(self.mixes):
            path = found[one.id] = folder / f"{count}.wav"
            done, form = one.done, FORMATS["wav32f"]
            encode(
                done.blocks(), done.frames, path, form, done.rate_hz, seed=0, version=__version__
            )
        for count, (path, _) in enumerate(self.references, 1):
            found[f"reference-{count}"] = path
        return found


@contextmanager
def listened(
    sheet: Sheet, before: tuple[str, Sheet] | None, plan_of: PlanOf, folder: Path, work: Work
) -> Iterator[Listening]:
    """Perform everything there is to listen to; `folder` takes the spools.

    `before` is the version before and its name. Raises ProblemError.
    """
    entries = [*_steps(sheet, plan_of), *_variants(sheet, plan_of)]
    parts = [part for *_, part in entries]
    options = {"threads": work.threads, "keep_cache": work.keep_cache, "progress": work.progress}
    if before is None:
        with performed_together(parts, folder, **options) as done:  # type: ignore[arg-type]
            yield _listening(sheet, entries, done)
        return
    old = plan_of(before[1], FINISHED)
    entries.append(("previous", "the version before", "previous", before[0], Part(old)))
    if _keep_time(parts[0].plan, old):
        with performed_together([*parts, Part(old)], folder, **options) as done:  # type: ignore[arg-type]
            yield _listening(sheet, entries, done)
        return
    with (
        performed_together(parts, folder, **options) as done,  # type: ignore[arg-type]
        performed(old, folder, **options) as previous,  # type: ignore[arg-type]
    ):
        yield _listening(sheet, entries, (*done, previous))


Entry = tuple[str, str, SourceKind, str, Part]


def _steps(sheet: Sheet, plan_of: PlanOf) -> list[Entry]:
    """The finished mix first, its glue told by short stretches; then the steps before it."""
    finished = plan_of(sheet, FINISHED)
    hop = round(HOP_S * finished.rate_hz)
    stretches = (
        Stretch(str(count), at, min(at + hop, finished.end))
        for count, at in enumerate(range(0, finished.end, hop))
    )
    plans = [replace(finished, sections=tuple(stretches))]
    plans += [plan_of(sheet, step) for step in STEPS[:-1]]
    steps = (FINISHED, *STEPS[:-1])
    return [
        (f"step-{step}", f"through {WORDS.get(step, step)}", "step", "", Part(plan))
        for step, plan in zip(steps, plans, strict=True)
    ]


def _variants(sheet: Sheet, plan_of: PlanOf) -> list[Entry]:
    """Variants that are one mix, and another one than the main mix."""
    found: list[Entry] = []
    main = sounding(plan_of(sheet, FINISHED))
    for variant in sheet.variants:
        if variant.name == MAIN or variant.is_split:
            continue
        (version,) = versions_of(sheet, variant, lambda changed: plan_of(changed, FINISHED))
        if version.plan == main:
            continue  # it differs in its files alone
        label = variant.name.replace("_", " ")
        part = Part(version.plan, 0 if version.follows_main else None)
        found.append((f"variant-{variant.name}", label, "variant", variant.why or "", part))
    return found


def _keep_time(plan: Plan, other: Plan) -> bool:
    times = {(one.rate_hz, one.start, one.end) for one in (plan, other)}
    return len(times) == 1


def _readings(done: Performed) -> SoundReadings:
    """The figures of a mix; its length is that of what is left of its tail."""
    readings = done.meter.sound.readings(gain=done.gain)
    return replace(readings, seconds=done.frames / done.rate_hz)


def _listening(sheet: Sheet, entries: Sequence[Entry], done: Sequence[Performed]) -> Listening:
    mixes = tuple(
        Heard(id, label, kind, note, one, _readings(one))
        for (id, label, kind, note, _), one in zip(entries, done, strict=True)
    )
    paths = [sheet.folder / reference.file for reference in sheet.references]
    return Listening(mixes, tuple((path, hear_file(path)) for path in paths))
