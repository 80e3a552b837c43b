"""Hear a mix for a check: two performances, the first two steps and the finished mix.

The first plays the mix through `bus`: what reaches its bus is the balance, so that one pass
proves two steps. The second is the finished mix, with ears before and after whatever changes a
level, and with the lead voice heard apart from the rest.
"""

from __future__ import annotations

import numpy as np

from mixwright.measuring.evidence import (
    Bands,
    Evidence,
    GroupHeard,
    Levels,
    ReturnHeard,
    TrackHeard,
    VoiceHeard,
)
from mixwright.measuring.intake import faults_of_stems, stems_of_sheet
from mixwright.measuring.measure import hear_mix, levels_by_section
from mixwright.measuring.placing import eq_power, placed_power, sent_levels
from mixwright.measuring.references import Comparison, compared
from mixwright.meters import LoudnessMeter, SoundMeter
from mixwright.meters.loudness import HOP_S
from mixwright.meters.spectrum import SpectrumMeter
from mixwright.rendering.apart import Apart
from mixwright.rendering.ears import Listener, Together, Within
from mixwright.rendering.parts import Stretch
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import Plan
from mixwright.rendering.recording import Recording
from mixwright.rendering.session import USUAL, Session
from mixwright.sheet import Sheet
from mixwright.units import Floats

BAND_HOP_S = 1.0 / 24.0
VOICE_ROLE = "lead_vocal"


def gather(sheet: Sheet, still: Plan, finished: Plan, session: Session = USUAL) -> Evidence:
    """Return everything that a check measures of a sheet.

    `still` is its plan through `bus`, `finished` that of the whole mix. Raises ProblemError for
    stems that turn out unreadable, references too quiet to compare, and a machine that refuses.
    """
    stems, rate_hz = stems_of_sheet(sheet, session), sheet.song.sample_rate_hz
    inspected = faults_of_stems(sheet.path, stems, rate_hz, session)
    first = _FirstHearing(sheet, still)
    first.perform(session.on("balance"))
    second = _SecondHearing(sheet, finished, first.focus)
    second.perform(session.on("mix"))
    return Evidence(
        sheet=sheet,
        plan=finished,
        inspected=inspected,
        focus=first.focus,
        loudest=first.loudest,
        balance=first.balance,
        mix=second.done.meter,
        mix_gain=second.done.gain,
        silence=second.done.meter.silence(second.done.gain, frames=second.done.frames),
        tracks=_tracks(sheet, first, second),
        groups=second.groups(),
        returns=second.returned(),
        dry=second.levels("dry", ""),
        wet=second.levels("wet", ""),
        reductions=second.done.reductions,
        matches_db=second.done.matches_db,
        bus_reduction=second.done.reductions.get("mix_bus.compressor"),
        bus_reduction_alone=first.done.reductions.get("mix_bus.compressor"),
        voice=second.voice(),
        references=first.references,
    )


class _FirstHearing:
    """The mix through `bus`, its balance before the bus, and each track as it comes."""

    done: Recording
    focus: Stretch
    loudest: str | None

    def __init__(self, sheet: Sheet, plan: Plan) -> None:
        self.sheet, self.plan = sheet, plan
        self.balance = SoundMeter(plan.rate_hz, 2)
        self.sources = {t.name: LoudnessMeter(plan.rate_hz, t.stem.channels) for t in plan.tracks}
        claimed = _section(plan, sheet.song.loudest_section)
        self._heard = claimed or Stretch("", 0, plan.end)
        self.spectra = {
            t.name: SpectrumMeter(plan.rate_hz, t.stem.channels, BAND_HOP_S) for t in plan.tracks
        }
        self.references: tuple[Comparison, ...] = ()

    def perform(self, session: Session) -> None:
        """Play it and keep what was heard."""
        ears: dict[tuple[str, str], Listener] = {
            ("source", name): Together(
                self.sources[name], Within(spectrum, self._heard.start, self._heard.end)
            )
            for name, spectrum in self.spectra.items()
        }
        ears["bus in", ""] = self.balance
        plan = self.plan
        with performed([PlannedMix(plan)], session, ears=ears) as (done,):
            self.done = done
            if self.sheet.references:
                self.references = compared(self.sheet, plan, hear_mix(done), session)
        levels = levels_by_section(plan, self.balance)
        self.loudest = max(levels, key=lambda name: levels[name]) if levels else None
        self.focus = (
            self._heard if self._heard.name else _section(plan, self.loudest) or self._heard
        )

    def bands(self, name: str) -> Bands:
        """The third octaves of a track over the focus: (frames, bands, left right middle sides)."""
        start = (self.focus.start - self._heard.start) / self.plan.rate_hz
        end = (self.focus.end - self._heard.start) / self.plan.rate_hz
        return self.spectra[name].band_powers_all_ways(start, end)


def _levels(hops: Floats, plan: Plan) -> Levels:
    """What was heard in whole hops up to the end of the song; tails say nothing of a level."""
    return Levels(hops[: plan.end // round(HOP_S * plan.rate_hz)])


def _section(plan: Plan, name: str | None) -> Stretch | None:
    return next((part for part in plan.sections if part.name == name), None)


class _SecondHearing:
    """The finished mix, with ears along the way."""

    done: Recording

    def __init__(self, sheet: Sheet, plan: Plan, focus: Stretch) -> None:
        self.sheet, self.plan, rate_hz = sheet, plan, plan.rate_hz
        self._end = plan.end / rate_hz
        self._levels = {
            (point, t.name): LoudnessMeter(rate_hz, t.stem.channels)
            for t in plan.tracks
            for point in ("equalised", *(("treated",) if t.chain.after_eq else ()))
        }
        stereo = [(point, g.name) for g in plan.groups for point in ("group in", "group")]
        stereo += [("return", r.name) for r in plan.returns]
        stereo += [("dry", ""), ("wet", "")]
        voices = frozenset(t.name for t in sheet.tracks if t.role == VOICE_ROLE and not t.mute)
        self._apart = Apart.of(plan, voices)
        if self._apart.tracks:
            stereo += [("apart", ""), *(("apart in", g) for g in sorted(self._apart.mixed))]
        self._levels |= {point: LoudnessMeter(rate_hz, 2) for point in stereo}
        heard = [("return", r.name) for r in plan.returns]
        self._spectra = {point: SpectrumMeter(rate_hz, 2, BAND_HOP_S) for point in heard}
        self._within = dict.fromkeys(heard, (focus.start, focus.end))
        if self._apart.tracks:
            whole = [("apart", ""), ("rest", "")]
            for group in sorted(self._apart.mixed):
                whole += [(p, group) for p in ("group in", "group", "apart in", "others in")]
            self._spectra |= {point: SpectrumMeter(rate_hz, 2, BAND_HOP_S) for point in whole}

    def perform(self, session: Session) -> None:
        """Play it and keep what was heard."""
        ears = {
            point: Together(
                *([self._levels[point]] if point in self._levels else []),
                *([self._ear_of(point)] if point in self._spectra else []),
            )
            for point in self._levels | self._spectra
        }
        parts, apart = [PlannedMix(self.plan)], self._apart
        with performed(parts, session, ears=ears, apart=apart) as (done,):
            self.done = done

    def _ear_of(self, point: tuple[str, str]) -> Within:
        start, end = self._within.get(point, (0, None))
        return Within(self._spectra[point], start, end)

    def levels(self, point: str, name: str) -> Levels:
        """What was heard at a point, up to the end of the song."""
        return _levels(self._levels[point, name].hops(), self.plan)

    def treated(self, name: str) -> Levels:
        """A track after its whole chain; one that has only an EQ is done after that."""
        point = "treated" if ("treated", name) in self._levels else "equalised"
        return self.levels(point, name)

    def groups(self) -> dict[str, GroupHeard]:
        """All groups."""
        return {
            g.name: GroupHeard(g, self.levels("group in", g.name), self.levels("group", g.name))
            for g in self.sheet.groups
        }

    def returned(self) -> dict[str, ReturnHeard]:
        """All returns that anything is sent to."""
        parts = {part.name: part for part in self.sheet.returns}
        tracks = self.done.tracks
        faders = {group.name: group for group in self.plan.groups}
        return {
            r.name: ReturnHeard(
                parts[r.name],
                self.levels("return", r.name),
                sent_levels(r.name, tracks, faders, self.plan.rate_hz),
                self._spectra["return", r.name].band_powers(),
            )
            for r in self.plan.returns
        }

    def voice(self) -> VoiceHeard | None:
        """The lead voice and the rest; None if nothing is one."""
        if not self._apart.tracks:
            return None
        # To the end of the song: what lags is heard a little less far beyond it.
        end_s = self.plan.end / self.plan.rate_hz
        voice, rest = (self._spectra[p, ""].band_powers(0.0, end_s) for p in ("apart", "rest"))
        levels, groups = self.levels("apart", "").hops, self.groups()
        for group in sorted(self._apart.mixed):
            before, after, own, others = (
                self._spectra[point, group].band_powers(0.0, end_s)
                for point in ("group in", "group", "apart in", "others in")
            )
            # What the group's chain does to all of it in a band, it does to the voice in it.
            chain = np.divide(after, before, out=np.zeros_like(after), where=before > 0.0)
            voice, rest = voice + own * chain, rest + others * chain
            levels = levels + self.levels("apart in", group).hops * groups[group].chain
        names = tuple(t.name for t in self.sheet.tracks if t.name in self._apart.tracks)
        hop_s = self._spectra["apart", ""].hop_s
        return VoiceHeard(names, voice, rest, hop_s, Levels(levels))


def _tracks(sheet: Sheet, first: _FirstHearing, second: _SecondHearing) -> dict[str, TrackHeard]:
    ways = zip(sheet.tracks, first.done.tracks, second.done.tracks, strict=True)
    matches, rate_hz = second.done.matches, second.plan.rate_hz
    groups = {group.name: group for group in second.plan.groups}
    still_groups = {group.name: group for group in first.plan.groups}
    heard = {}
    for track, still, finished in ways:
        placed = placed_power(first.bands(track.name), still.plan, still_groups)
        equalised = placed * eq_power(finished.plan, groups, matches, rate_hz)
        heard[track.name] = TrackHeard(
            track,
            finished.plan,
            _levels(first.sources[track.name].hops(), first.plan),
            _levels(still.readings.hops, first.plan),
            second.levels("equalised", track.name),
            second.treated(track.name),
            _levels(finished.readings.hops, second.plan),
            placed.sum(axis=2),
            equalised.sum(axis=2),
        )
    return heard
