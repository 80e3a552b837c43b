"""What changed between two mixes in the sound: figures, residual, tracks, gain reduction.

Nothing is performed for two plans that come to the same. Otherwise both mixes are, in one pass
where they can be, and what is in both is worked out once; then whatever differs at the bus.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from mixwright.comparing.reach import Reach, reaches
from mixwright.comparing.residual import Residual, ResidualMeter, lifted_lufs, side_by_side
from mixwright.comparing.stems import OtherFile, other_files
from mixwright.meters.spectrum import SpectrumMeter
from mixwright.rendering import Plan
from mixwright.rendering.ears import Figures
from mixwright.rendering.identity import Sounds, contents_of, identity
from mixwright.rendering.parts import Stretch
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import sounding
from mixwright.rendering.recording import Recording
from mixwright.rendering.reductions import Reduction
from mixwright.rendering.session import Session
from mixwright.sheet import Sheet
from mixwright.timeline import Timeline

OF_THE_BUS = ("mix_bus.compressor", "mix_bus.limiter")
BEFORE, AFTER = "before the first section", "after the end"


@dataclass(frozen=True)
class StretchCompared:
    """The whole song (`name` None) or a stretch of it, before and after.

    A side is None where a sheet has no such section, `residual` for songs at two sample rates.
    `is_section` is False of the whole and of what lies outside of all sections. Where a section
    `is_moved`, the residual is of the place that it has in the new mix.
    """

    name: str | None
    old: Figures | None
    new: Figures | None
    residual: Residual | None
    is_section: bool = False
    is_moved: bool = False


@dataclass(frozen=True)
class ReductionCompared:
    """What a processor of the mix bus did before and after; None where there was none.

    The make-up of a compressor is in dB, as given or as matched.
    """

    name: str
    old: Reduction | None
    new: Reduction | None
    old_makeup_db: float | None = None
    new_makeup_db: float | None = None


@dataclass(frozen=True)
class SoundCompared:
    """Two mixes compared. Without `whole` both plans come to the same, and nothing was performed.

    `elsewhere` are returns and buses with other settings, which have no figures of their own here;
    `files` whose content is another.
    """

    whole: StretchCompared | None = None
    stretches: tuple[StretchCompared, ...] = ()
    reaches: tuple[Reach, ...] = ()
    reductions: tuple[ReductionCompared, ...] = ()
    elsewhere: tuple[str, ...] = ()
    files: tuple[OtherFile, ...] = ()

    @property
    def is_same(self) -> bool:
        """Whether the new mix is the old one to the last bit."""
        residual = None if self.whole is None else self.whole.residual
        return self.whole is None or (residual is not None and residual.same_bits)


def compare_sound(
    sheets: tuple[Sheet, Sheet], plans: tuple[Plan, Plan], session: Session
) -> SoundCompared:
    """Compare the mixes of two plans of whole songs, the old one by the new one's names.

    Raises ProblemError as a render does.
    """
    recordings = (info for plan in plans for info in plan.sound_files)
    contents = contents_of(recordings, session)
    files = other_files(*plans, contents)
    old, new = (Sounds(sounding(plan), contents) for plan in plans)
    if old.mix == new.mix:
        return SoundCompared(files=files)
    was_there, is_there = (
        {*(track.name for track in sheet.tracks), *(group.name for group in sheet.groups)}
        for sheet in sheets
    )
    mixes = _compare_mixes(old.plan, new.plan, sheets[1].timeline, session)
    found = reaches(old, new, (was_there, is_there), session)
    return replace(mixes, reaches=found, elsewhere=_elsewhere(old, new), files=files)


def _elsewhere(old: Sounds, new: Sounds) -> tuple[str, ...]:
    """Returns that differ in their settings, and the mix bus if it does."""
    was, now = (
        {part.name: identity(sounds.contents, part) for part in sounds.plan.returns}
        | {"mix_bus": identity(sounds.contents, sounds.plan.mix_bus, sounds.plan.limiter)}
        for sounds in (old, new)
    )
    return tuple(name for name in now | was if was.get(name) != now.get(name))


class _Side:
    """One of the two mixes: what its performance knows of it, and its spectrum."""

    def __init__(self, done: Recording, plan: Plan) -> None:
        self.done, self.plan = done, plan
        self.sections = {stretch.name: stretch for stretch in plan.sections}
        self.spectrum = SpectrumMeter(plan.rate_hz, 2)

    def seconds(self, stretch: Stretch | None) -> tuple[float, float]:
        """Where a stretch begins and ends; for None the whole, with what rings on."""
        start, end = (0, self.done.frames) if stretch is None else (stretch.start, stretch.end)
        return start / self.plan.rate_hz, end / self.plan.rate_hz

    def figures(self, stretch: Stretch | None) -> Figures:
        place = self.seconds(stretch)
        sound = self.done.figures(*place)
        name = None if stretch is None else stretch.name
        # The spectrum has heard what is kept, and no more.
        spectrum = self.spectrum.readings(*(place if stretch else (0.0, None)))
        return Figures("mix", "mix", name, sound, spectrum)

    def lufs(self, stretch: Stretch | None) -> float | None:
        return lifted_lufs(self.done.meter, *self.seconds(stretch), self.done.gain)


def _compare_mixes(old: Plan, new: Plan, timeline: Timeline, session: Session) -> SoundCompared:
    with performed([PlannedMix(old), PlannedMix(new)], session.on("mixes")) as (was, now):
        sides = _Side(was, old), _Side(now, new)
        stretches = _stretches(new, max(was.frames, now.frames))
        meter = None
        if old.rate_hz == new.rate_hz:
            meter = ResidualMeter(timeline, list(stretches), new.end)
        for before, after, left in side_by_side(was, now):
            sides[0].spectrum.feed(before)
            sides[1].spectrum.feed(after)
            if meter is not None:
                meter.feed(left)
        whole = _compared(sides, None, meter, False)
        found = [_compared(sides, s, meter, is_one) for s, is_one in stretches.items()]
        found += [
            StretchCompared(name, sides[0].figures(stretch), None, None, is_section=True)
            for name, stretch in sides[0].sections.items()
            if name not in sides[1].sections
        ]
        reductions = [_reduction(sides, name) for name in OF_THE_BUS]
    kept = [one for one in found if one.is_section or not (one.residual and one.residual.same_bits)]
    return SoundCompared(whole, tuple(kept), reductions=tuple(r for r in reductions if r))


def _stretches(plan: Plan, frames: int) -> Mapping[Stretch, bool]:
    """The parts that a song falls into, in order, and whether each is a section."""
    found = {stretch: True for stretch in plan.sections if stretch.start < stretch.end}
    first = min((stretch.start for stretch in found), default=0)
    before = {Stretch(BEFORE, 0, first): False} if first else {}
    after = {Stretch(AFTER, plan.end, frames): False} if found and frames > plan.end else {}
    return {**before, **found, **after}


def _compared(
    sides: Sequence[_Side], stretch: Stretch | None, meter: ResidualMeter | None, is_section: bool
) -> StretchCompared:
    """The whole, or a stretch by its place in the new mix; a section by its own in the old one."""
    here = sides[0].figures(stretch)
    old: Figures | None = here
    is_moved = False
    if is_section and stretch is not None:
        then = sides[0].sections.get(stretch.name)
        is_moved = then not in (None, stretch)
        old = None if then is None else sides[0].figures(then)
    residual = None
    if meter is not None:
        residual = meter.residual(here, sides[0].lufs(stretch), stretch)
    name = None if stretch is None else stretch.name
    return StretchCompared(name, old, sides[1].figures(stretch), residual, is_section, is_moved)


def _reduction(sides: Sequence[_Side], name: str) -> ReductionCompared | None:
    old, new = (side.done.reductions.get(name) for side in sides)
    if old is None and new is None:
        return None
    makeups = [_makeup_db(side) if name == OF_THE_BUS[0] else None for side in sides]
    return ReductionCompared(name, old, new, *makeups)


def _makeup_db(side: _Side) -> float | None:
    stage = side.plan.mix_bus.chain.stage("compressor")
    if stage is None:
        return None
    if stage.makeup == "matched":
        return side.done.matches.get(("mix_bus", "compressor"))
    return stage.makeup
