"""A mix against its references, never at unequal loudness.

What is compared of the mix is the section that the sheet names for a reference, of the reference
its loudest 15 s; without a section, the loudest 15 s of both. The reference is brought to the
mix's gated K-weighted loudness (ITU-R BS.1770-5) over these stretches: level differences are those
that remain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from mixwright.measuring.measure import hear_mix, heard
from mixwright.meters.differences import SpectrumDifferences, differences
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.ears import Ear, Figures
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import Plan
from mixwright.rendering.probing import probed_all
from mixwright.rendering.session import USUAL, Session
from mixwright.sheet import Sheet
from mixwright.units import difference_db

LOUDEST_S = 15.0


@dataclass(frozen=True)
class Comparison:
    """One reference: what was compared, the gain in dB on it, and mix less reference.

    `reference` holds its figures as they are, before that gain.
    """

    file: str
    section: str | None
    mix: Figures
    reference: Figures
    gain_db: float
    spectrum: SpectrumDifferences
    crest_db: float | None
    loudness_range_lu: float | None
    plr_lu: float | None
    warnings: tuple[Problem, ...] = ()


def compare_with_references(
    sheet: Sheet, plan: Plan, session: Session = USUAL
) -> tuple[Comparison, ...]:
    """Measure the mix once and each reference of the sheet; ProblemError if there are none."""
    if not sheet.references:
        problem = Problem(
            "measure/no-references",
            f"{sheet.path.name} names no references",
            help="add references: [{file: ..., section: ...}] to the sheet",
        )
        raise ProblemError([problem])
    with performed([PlannedMix(plan)], session) as (mix,):
        return compared(sheet, plan, hear_mix(mix), session)


def compared(sheet: Sheet, plan: Plan, mix: Ear, session: Session) -> tuple[Comparison, ...]:
    """Compare a mix that was heard already with each reference of the sheet; ProblemError."""
    found = []
    files = [sheet.folder / reference.file for reference in sheet.references]
    infos = probed_all(files, session)
    for index, (reference, info) in enumerate(zip(sheet.references, infos, strict=True)):
        span = sheet.span_of("references", index, "file")
        try:
            if isinstance(info, ProblemError):
                raise info
            ear = heard(info)
        except ProblemError as error:
            raise ProblemError(replace(p, span=span) for p in error.problems) from error
        theirs = _loudest_stretch(ear, None)
        ours = _section(mix, plan, reference.section) or _loudest_stretch(mix, reference.section)
        for figures, what in ((ours, "the mix"), (theirs, reference.file)):
            if figures.sound.integrated_lufs is None:
                message = f"{what} has too little to compare: its loudness can't be measured"
                raise ProblemError([Problem("measure/too-quiet", message, span)])
        comparison = _comparison(reference.file, reference.section, ours, theirs)
        found.append(replace(comparison, warnings=info.problems))
    return tuple(found)


def _section(mix: Ear, plan: Plan, name: str | None) -> Figures | None:
    for stretch in plan.sections:
        if stretch.name == name:
            return mix.stretch(name, stretch.start / plan.rate_hz, stretch.end / plan.rate_hz)
    return None


def _loudest_stretch(ear: Ear, section: str | None) -> Figures:
    """The loudest 15 s, or all of it where it is shorter."""
    levels: Sequence[float] = ear.sound.loudness_over_time(LOUDEST_S).tolist()
    if not levels:
        return ear.stretch(section, 0.0, None)
    start_s = float(np.argmax(levels)) / 100.0
    return ear.stretch(section, start_s, start_s + LOUDEST_S)


def _comparison(file: str, section: str | None, mix: Figures, reference: Figures) -> Comparison:
    ours, theirs = mix.sound, reference.sound
    assert ours.integrated_lufs is not None
    assert theirs.integrated_lufs is not None
    gain_db = ours.integrated_lufs - theirs.integrated_lufs
    return Comparison(
        file=Path(file).name,
        section=section,
        mix=mix,
        reference=reference,
        gain_db=gain_db,
        spectrum=differences(mix.spectrum, reference.spectrum, -gain_db),
        crest_db=difference_db(ours.crest_db, theirs.crest_db),
        loudness_range_lu=difference_db(ours.loudness_range_lu, theirs.loudness_range_lu),
        plr_lu=difference_db(ours.plr_lu, theirs.plr_lu),
    )
