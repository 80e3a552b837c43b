"""Measuring: every figure of a file, or of every node of a mix after any step, in one pass.

A mix is measured as its file would be: after make-up and limiter, its tail trimmed alike.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from mixwright.audio import StemInfo, played
from mixwright.audio.leftovers import clear_earlier
from mixwright.claims import nameless
from mixwright.meters import SoundMeter
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering.apart import NOTHING_APART, Apart
from mixwright.rendering.ears import NO_EARS, Ear, Ears, Figures
from mixwright.rendering.perform import Performed, performed
from mixwright.rendering.plan import Plan
from mixwright.rendering.probing import probed
from mixwright.rendering.session import USUAL, Session
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
    plan: Plan,
    path: Path,
    session: Session = USUAL,
    *,
    by_section: bool = False,
) -> Measured:
    """Return every figure of the mix of a plan and of each of its nodes.

    `path` is the sheet's. With `by_section` the figures of each section follow those of the whole.
    """
    ears = {("track", t.name): Ear("track", t.name, plan.rate_hz) for t in plan.tracks}
    ears |= {("group", g.name): Ear("group", g.name, plan.rate_hz) for g in plan.groups}
    ears |= {("return", r.name): Ear("return", r.name, plan.rate_hz) for r in plan.returns}
    mix = hear_mix(plan, ears, session)
    found: list[Figures] = []
    for ear in (mix, *ears.values()):
        if ear is mix:
            found.append(ear.figures())
        else:  # to the end of the song: what rings on in one says nothing of the others
            found.append(ear.stretch(None, 0.0, plan.end / plan.rate_hz))
        if by_section:
            found += sections_of(ear, plan)
    warnings = tuple(plan.warnings)
    return Measured(path, plan.rate_hz, tuple(found), plan.through, warnings=warnings)


def hear_mix(plan: Plan, ears: Ears = NO_EARS, session: Session = USUAL) -> Ear:
    """Perform a plan and play its mix to all meters; `ears` hear its nodes."""
    mix = Ear("mix", "mix", plan.rate_hz)
    with performance(plan, ears, session) as done:
        for block in done.blocks():
            mix.feed(block)
    return mix


@contextmanager
def performance(
    plan: Plan, ears: Ears, session: Session, apart: Apart = NOTHING_APART
) -> Iterator[Performed]:
    """Perform a plan for the sake of its figures: the spool is among the temporary files."""
    folder = working_folder("measure")
    with performed(plan, folder, session, ears=ears, apart=apart) as done:
        yield done


def working_folder(command: str) -> Path:
    """Return the folder of temporary files, for the spools of a command that writes no mix.

    They have no names: nothing of them is left, whatever happens. ProblemError (fault MACHINE)
    where there can be none.
    """
    try:
        folder = Path(tempfile.gettempdir())
        nameless(folder).close()
    except OSError as error:
        message = f"there is no folder for temporary files: {error.strerror or error}"
        hint = "set $TMPDIR to one that can be written to"
        problem = Problem(f"{command}/machine", message, help=hint, fault=Fault.MACHINE)
        raise ProblemError([problem]) from error
    clear_earlier(folder)
    return folder


def sections_of(ear: Ear, plan: Plan) -> list[Figures]:
    """Return the figures of each section of the song."""
    rate_hz = plan.rate_hz
    return [ear.stretch(s.name, s.start / rate_hz, s.end / rate_hz) for s in plan.sections]


def loudest_section(balance: Plan, claimed: str | None, session: Session = USUAL) -> Loudest | None:
    """Return the section that is loudest when only gain and pan are there, if there are any."""
    if not balance.sections:
        return None
    with performance(balance, NO_EARS, session) as done:
        levels = levels_by_section(balance, done.meter.sound, done.gain)
    section = max(levels, key=lambda name: levels[name])
    return Loudest(section, unless_silent(levels[section]), claimed)


def levels_by_section(plan: Plan, sound: SoundMeter, gain: float = 1.0) -> dict[str, float]:
    """Return the integrated loudness of each section of a mix; -inf for silent or short ones."""
    rate_hz, levels = plan.rate_hz, {}
    for part in plan.sections:
        of_part = sound.readings(part.start / rate_hz, part.end / rate_hz, gain)
        levels[part.name] = or_silence(of_part.integrated_lufs)
    return levels
