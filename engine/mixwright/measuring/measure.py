"""Measuring: every figure of a file, or of every node of a mix after any step, in one pass.

A mix is measured as its file would be: after make-up and limiter, its tail trimmed alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from mixwright.audio import StemInfo, played
from mixwright.meters import SoundMeter
from mixwright.problem import Problem
from mixwright.rendering.ears import Ear, Figures
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import Plan
from mixwright.rendering.probing import probed
from mixwright.rendering.recording import Recording
from mixwright.rendering.session import USUAL, Session
from mixwright.sheet import Sheet
from mixwright.units import or_silence, unless_silent


@dataclass(frozen=True)
class Loudest:
    """The section that is loudest in the balance, its loudness, and the one the sheet claims."""

    section: str
    integrated_lufs: float | None
    claimed: str | None


@dataclass(frozen=True)
class Measured:
    """What was measured of one file or sheet: a mix comes first, then its nodes in sheet order."""

    path: Path
    rate_hz: int
    figures: tuple[Figures, ...]
    through: str | None = None
    loudest: Loudest | None = None
    warnings: tuple[Problem, ...] = ()

    @property
    def whole(self) -> Figures:
        """The file or the mix, as a whole."""
        return self.figures[0]


def heard(info: StemInfo) -> Ear:
    """Play a file that was probed, at its own rate, to all meters."""
    ear = Ear("file", info.path.name, info.rate_hz, info.channels)
    for _, block in played(info):
        ear.feed(block)
    return ear


def measure_file(path: Path, session: Session = USUAL) -> Measured:
    """Return every figure of a sound file."""
    info = probed(path, session)
    return Measured(path, info.rate_hz, (heard(info).figures(),), warnings=info.problems)


def measure_plan(
    plan: Plan, balance: Plan, sheet: Sheet, session: Session = USUAL, *, by_section: bool = False
) -> Measured:
    """Return every figure of the mix of a plan and of each of its nodes, and the loudest section.

    That is found in the `balance` of the same song, in the same pass. With `by_section` the figures
    of each section follow those of the whole.
    """
    ears = {("track", t.name): Ear("track", t.name, plan.rate_hz) for t in plan.tracks}
    ears |= {("group", g.name): Ear("group", g.name, plan.rate_hz) for g in plan.groups}
    ears |= {("return", r.name): Ear("return", r.name, plan.rate_hz) for r in plan.returns}
    parts = [PlannedMix(plan), *([PlannedMix(balance)] if balance.sections else [])]
    with performed(parts, session, ears=ears) as (mix, *still):
        whole = hear_mix(mix)
    claimed = sheet.song.loudest_section
    loudest = _loudest(balance, still[0], claimed) if still else None
    found: list[Figures] = []
    for ear in (whole, *ears.values()):
        if ear is whole:
            found.append(ear.figures())
        else:  # to the end of the song: what rings on in one says nothing of the others
            found.append(ear.stretch(None, 0.0, plan.end / plan.rate_hz))
        if by_section:
            found += sections_of(ear, plan)
    rows = tuple(found)
    return Measured(sheet.path, plan.rate_hz, rows, plan.through, loudest, tuple(plan.warnings))


def hear_mix(mix: Recording) -> Ear:
    """Play a mix to all meters."""
    ear = Ear("mix", "mix", mix.rate_hz)
    for block in mix.blocks():
        ear.feed(block)
    return ear


def sections_of(ear: Ear, plan: Plan) -> list[Figures]:
    """Return the figures of each section of the song."""
    rate_hz = plan.rate_hz
    return [ear.stretch(s.name, s.start / rate_hz, s.end / rate_hz) for s in plan.sections]


def _loudest(plan: Plan, mix: Recording, claimed: str | None) -> Loudest:
    levels = levels_by_section(plan, mix.meter, mix.gain)
    section = max(levels, key=lambda name: levels[name])
    return Loudest(section, unless_silent(levels[section]), claimed)


def levels_by_section(plan: Plan, sound: SoundMeter, gain: float = 1.0) -> dict[str, float]:
    """Return the integrated loudness of each section of a mix; -inf for silent or short ones."""
    rate_hz, levels = plan.rate_hz, {}
    for part in plan.sections:
        of_part = sound.readings(part.start / rate_hz, part.end / rate_hz, gain)
        levels[part.name] = or_silence(of_part.integrated_lufs)
    return levels
