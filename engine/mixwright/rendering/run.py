"""A render from plan to file: perform it, read the meters, write.

The readings are one frozen value; `report` prints it, `--json` dumps it, the Python API returns it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from mixwright.audio import MixFormat, check_target
from mixwright.audio.encode import Encoding, encode
from mixwright.audio.staged import written_beside
from mixwright.meters import MixReadings
from mixwright.problem import Problem, ProblemError, Severity
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import Plan
from mixwright.rendering.recording import Recording
from mixwright.rendering.reductions import Reduction
from mixwright.rendering.session import USUAL, Session
from mixwright.units import or_silence

FULL_SCALE_MARGIN = 1e-9


@dataclass(frozen=True)
class TrackReadings:
    """A track as it arrives at the bus; None for silence."""

    name: str
    sample_peak_dbfs: float | None
    integrated_lufs: float | None


@dataclass(frozen=True)
class Readings:
    """All that a render measured.

    `reductions` (by ``strip.processor``) are of the measured part of the song, `matches_db` level
    changes taken back (by ``strip.part``).
    """

    through: str
    mix: MixReadings
    tracks: tuple[TrackReadings, ...]
    reductions: dict[str, Reduction]
    matches_db: dict[str, float]
    loudest_section: str | None
    notes: tuple[str, ...]
    warnings: tuple[Problem, ...] = ()


@dataclass(frozen=True)
class Rendered:
    """A finished render: where it is and what was measured."""

    path: Path
    format: str
    rate_hz: int
    readings: Readings


def render_plan(
    plan: Plan,
    target: Path,
    encoding: Encoding,
    session: Session = USUAL,
    *,
    force: bool = False,
) -> Rendered:
    """Render `plan` into `target`, complete or not at all, and return what was measured.

    Raises ProblemError for stems that turn out unreadable or change meanwhile, a mix that would
    clip in an integer format, a target that is not ours, or a machine that refuses.
    """
    check_target(target, force)
    with performed([PlannedMix(plan)], session, target.parent) as (mix,):
        readings = _readings(plan, mix)
        warnings = (*mix.warnings, *refuse_clipping(readings, target, encoding.form))
        check_target(target, force)  # someone may have put a file there meanwhile
        with written_beside(target) as beside:
            encode(mix.blocks(), mix.frames, mix.rate_hz, beside, encoding, target)
    readings = replace(readings, warnings=warnings)
    return Rendered(target, encoding.form.name, plan.rate_hz, readings)


def _readings(plan: Plan, made: Recording) -> Readings:
    mix = MixReadings.of(made.figures())
    loudest = None
    if mix.loudest_s is not None:
        # Said in the time of the song, also where only a part of it was rendered. The
        # middle of the loudest three seconds decides which section they belong to.
        mix = replace(mix, loudest_s=round(mix.loudest_s + plan.keep_from / plan.rate_hz, 3))
        middle = round(((mix.loudest_s or 0.0) + 1.5) * plan.rate_hz)
        loudest = next((s.name for s in plan.sections if s.start <= middle < s.end), None)
    tracks = tuple(
        TrackReadings(track.name, track.sample_peak_dbfs, track.integrated_lufs)
        for track in made.tracks
    )
    changes = dict(made.reductions), made.matches_db
    return Readings(plan.through, mix, tracks, *changes, loudest, tuple(plan.notes))


def refuse_clipping(readings: Readings, target: Path, form: MixFormat) -> list[Problem]:
    """Raise for an integer format that would clip; return a warning for a float one."""
    peak_dbfs = or_silence(readings.mix.sample_peak_dbfs)
    if peak_dbfs <= FULL_SCALE_MARGIN:
        return []
    over = f"the mix peaks at {peak_dbfs:+.2f} dBFS"
    # The bus's own gain belongs to the second step: before it only the faders are there.
    where = "every fader" if readings.through == "balance" else "mix_bus.gain_db"
    remedy = f"take {peak_dbfs + 0.005:.2f} dB or more off {where}"
    if form.bits is None:
        return [
            Problem("render/over-full-scale", over, help=remedy, severity=Severity.WARNING),
        ]
    raise ProblemError(
        [
            Problem(
                "render/would-clip",
                f"{target.name} was not written: {over}, which {form.name} can't hold",
                help=f"{remedy}, or render with --format wav32f",
            )
        ]
    )
