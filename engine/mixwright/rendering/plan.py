"""The plan: everything that will happen to the sound, worked out before any of it does.

Built from a sheet, a step and a span; printable, comparable, no audio in it. Musical time has
become samples, steps that come later have been left out, and each stem has been probed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Protocol

from mixwright.audio import StemInfo
from mixwright.audio.mp3 import MP3_HELP, MP3_WORDS
from mixwright.dsp.curve import Curve
from mixwright.dsp.inserts import PluginSettings
from mixwright.dsp.limiter import LimiterSettings
from mixwright.problem import Problem, ProblemError, Severity
from mixwright.rendering.draw import Drawer, stem_end
from mixwright.rendering.parts import BusPlan, Stretch, TrackPlan
from mixwright.rendering.probing import probed, probed_all
from mixwright.rendering.session import USUAL, Session
from mixwright.rendering.settle import Paths, limiter_settling
from mixwright.sheet import STEPS, Sheet, StepName, check_length
from mixwright.timeline import Position, Timeline
from mixwright.units import SILENCE_DB

SILENT = Curve("dB", SILENCE_DB)
KEY_ONLY = "(key only)"  # the group of tracks that go nowhere; no name in a sheet has brackets


@dataclass(frozen=True)
class Plan:
    """A whole render. Positions are samples of the song; `start <= keep_from < keep_to`.

    Rendering begins at `start` (before `keep_from`, so that compressors and tails have settled),
    and `tail` is how long the sound may ring on after `end`, the end of the song. `lead_in` is
    rendered before `keep_from`, and `lead_out` after `keep_to`, for the limiter alone.
    """

    rate_hz: int
    through: StepName
    tracks: tuple[TrackPlan, ...]
    groups: tuple[BusPlan, ...]
    returns: tuple[BusPlan, ...]
    mix_bus: BusPlan
    start: int
    keep_from: int
    keep_to: int | None
    end: int
    tail: int
    sections: tuple[Stretch, ...] = ()
    limiter: LimiterSettings | None = None
    lead_in: int = 0
    lead_out: int = 0

    @property
    def sound_files(self) -> Iterator[StemInfo]:
        """Every sound file that it reads."""
        yield from (track.stem for track in self.tracks)
        yield from (part.impulse for part in self.returns if part.impulse is not None)

    @property
    def is_whole(self) -> bool:
        """Whether it covers the whole song."""
        return self.keep_from == 0 and self.keep_to is None

    @property
    def notes(self) -> list[str]:
        """What a person should be told about the stems: rates that are converted."""
        return [
            f"{track.name}: converted from {track.stem.rate_hz} Hz to {self.rate_hz} Hz"
            for track in self.tracks
            if track.stem.rate_hz != self.rate_hz
        ]

    @property
    def warnings(self) -> list[Problem]:
        """What is doubtful about the stems: what their decoders say, and what they have lost."""
        found = [problem for track in self.tracks for problem in track.stem.problems]
        found += [
            problem
            for part in self.returns
            if part.impulse is not None
            for problem in part.impulse.problems
        ]
        found += [
            Problem(
                "audio/mp3",
                f"{track.name}: {track.stem.path.name} {MP3_WORDS}",
                help=MP3_HELP,
                severity=Severity.WARNING,
            )
            for track in self.tracks
            if track.stem.container == "MP3"
        ]
        return found


class PlanOf(Protocol):
    """Plans a sheet through a step, over the part of the song that is asked for."""

    def __call__(self, sheet: Sheet, through: StepName = ...) -> Plan:
        """Return its plan; raises ProblemError as :func:`make_plan` does."""
        ...


def make_plan(
    sheet: Sheet,
    through: StepName = "automation",
    span: tuple[Position | None, Position | None] = (None, None),
    *,
    plugins: Mapping[str, Path] | None = None,
    mono: bool = False,
    session: Session = USUAL,
    decode: bool = True,
) -> Plan:
    """Work out a render of `sheet` through a step, whole or from one position to another.

    `plugins` is where this machine has the plug-ins that a sheet may name; None allows none.
    `mono` folds the mix down to one channel, on both sides. Not to `decode` compressed stems will
    do for a plan that is never performed.
    Raises ProblemError, with the sheet's line, for stems that can't be read, for plug-ins that are
    not allowed or not known, and for positions beyond the end of the song.
    """
    stems = probe_stems(sheet, session, decode)
    timeline = sheet.timeline
    length = song_length(sheet, stems)
    if length < 1:
        message = f"the song ends at {sheet.song.end}, expected an end after its start"
        raise ProblemError([Problem("sheet/end", message, sheet.span_of("song", "end"))])
    if problems := check_length(sheet, length):
        raise ProblemError(problems)
    probe = partial(probed, session=session, decode=decode)
    drawn = Drawer(sheet, timeline, STEPS.index(through), plugins, probe)
    tracks = tuple(drawn.track(t, s, length) for t, s in zip(sheet.tracks, stems, strict=True))
    returns = tuple(drawn.returned(r) for r in sheet.returns) if drawn.has("effects") else ()
    groups = tuple(drawn.group(group) for group in sheet.groups)
    mix_bus = drawn.mix_bus(sheet.mix_bus, mono)
    drawn.raise_faults()
    returns = tuple(r for r in returns if any(_is_sent_to(r.name, track) for track in tracks))
    keep_from, keep_to = _span(timeline, span, length)
    limiter = drawn.limiter(sheet.mix_bus)
    lead_in = min(keep_from, limiter_settling(limiter, timeline.rate_hz))
    paths = Paths(tracks, groups, returns, mix_bus, timeline.rate_hz)
    return Plan(
        rate_hz=timeline.rate_hz,
        through=through,
        tracks=tracks,
        groups=groups,
        returns=returns,
        mix_bus=mix_bus,
        start=0 if paths.keeps_time else max(0, keep_from - lead_in - paths.settling),
        keep_from=keep_from,
        keep_to=keep_to,
        end=length,
        tail=paths.ring_out,
        sections=tuple(Stretch(s.name, a, b) for s, a, b in timeline.section_bounds(length)),
        limiter=limiter,
        lead_in=lead_in,
        lead_out=0 if limiter is None else limiter.start(timeline.rate_hz, 2).latency,
    )


def sounding(plan: Plan) -> Plan:
    """Return the plan without what is silent throughout: it sounds the same.

    What only keys something ends after its EQ, which is where it is listened to.
    """
    muted = {group.name for group in plan.groups if group.mute == SILENT}
    heard = [t for t in plan.tracks if SILENT not in (t.fader, t.mute) and t.group not in muted]
    groups = [g for g in plan.groups if any(track.group == g.name for track in heard)]
    chains = [track.chain for track in heard] + [group.chain for group in groups]
    keys = {key for chain in chains for key in chain.keys}
    tracks = [t if t in heard else key_only(t) for t in plan.tracks if t in heard or t.name in keys]
    sending = [name for name, level in _sends_of(heard) if level != SILENT]
    returns = [r for r in plan.returns if r.name in sending and SILENT not in (r.fader, r.mute)]
    kept = {part.name for part in returns}
    tracks = [replace(t, sends=tuple(s for s in t.sends if s[0] in kept)) for t in tracks]
    return replace(plan, tracks=tuple(tracks), groups=tuple(groups), returns=tuple(returns))


def key_only(track: TrackPlan) -> TrackPlan:
    """Return a track that is only listened to: it goes nowhere, and ends after its EQ."""
    return replace(track, chain=track.chain.as_far_as("eq"), group=KEY_ONLY, sends=())


def _sends_of(tracks: Sequence[TrackPlan]) -> list[tuple[str, Curve]]:
    return [send for track in tracks for send in track.sends]


def unchecked_plugins(sheet: Sheet) -> dict[str, Path]:
    """Return a place for every plug-in a sheet names, for plans that are never performed."""
    lists = [track.inserts for track in sheet.tracks]
    lists += [bus.inserts for bus in sheet.groups] + [part.inserts for part in sheet.returns]
    settings = [insert.settings for inserts in lists for insert in inserts]
    return {s.plugin: Path(s.plugin) for s in settings if isinstance(s, PluginSettings)}


def probe_stems(sheet: Sheet, session: Session = USUAL, decode: bool = True) -> list[StemInfo]:
    """Return what every stem is, in sheet order; ProblemError names each one that fails."""
    stems: list[StemInfo] = []
    problems: list[Problem] = []
    found = probed_all((sheet.folder / track.file for track in sheet.tracks), session, decode)
    for track, stem in zip(sheet.tracks, found, strict=True):
        if isinstance(stem, ProblemError):
            span = sheet.span_of("tracks", track.name, "file")
            problems += [dataclasses.replace(p, span=span) for p in stem.problems]
        else:
            stems.append(stem)
    if problems:
        raise ProblemError(problems)
    return stems


def song_length(sheet: Sheet, stems: Sequence[StemInfo]) -> int:
    """Return the song's length in samples: its `end`, or the end of its longest track."""
    timeline = sheet.timeline
    if sheet.song.end is not None:
        return timeline.sample_at(sheet.song.end)
    pairs = zip(sheet.tracks, stems, strict=True)
    return max(1, *(stem_end(track, stem, timeline.rate_hz) for track, stem in pairs))


def _is_sent_to(name: str, track: TrackPlan) -> bool:
    """Whether anything of a track ever reaches a return."""
    return any(
        target == name and not (level.is_constant and level.initial == SILENCE_DB)
        for target, level in track.sends
    )


def _span(
    timeline: Timeline, span: tuple[Position | None, Position | None], length: int
) -> tuple[int, int | None]:
    try:
        start = 0 if span[0] is None else timeline.sample_at(span[0])
        stop = None if span[1] is None else timeline.sample_at(span[1])
    except KeyError as error:
        raise _span_fault(f"unknown section {error}") from error
    except ValueError as error:
        raise _span_fault(str(error)) from error
    if start >= length or (stop is not None and stop > length):
        which = span[0] if start >= length else span[1]
        raise _span_fault(
            f"{which} is beyond the end of the song ({length / timeline.rate_hz:.3f} s)"
        )
    if stop is not None and stop <= start:
        raise _span_fault(f"the span ends ({span[1]}) before it begins ({span[0]})")
    return start, stop


def _span_fault(message: str) -> ProblemError:
    return ProblemError([Problem("render/span", message)])
