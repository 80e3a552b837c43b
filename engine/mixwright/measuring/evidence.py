"""What a check has heard of a mix: levels of every node, bands, reductions, the voice and the rest.

Everything is of one performance (see :mod:`mixwright.measuring.hearing`); rules ask it and measure
nothing themselves. Times are seconds of the song; `Levels` are K-weighted mean squares by hops of
100 ms, summed over channels, so a level in LUFS can be had of any stretch.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from mixwright.measuring.intake import Inspected
from mixwright.measuring.references import Comparison
from mixwright.meters import SoundMeter, SoundReadings
from mixwright.meters.loudness import HOP_S, OFFSET_LU, integrated_lufs, sliding_mean, to_lufs
from mixwright.meters.silence import SilenceReadings
from mixwright.rendering.parts import Stretch, TrackPlan
from mixwright.rendering.plan import Plan
from mixwright.rendering.reductions import Reduction
from mixwright.sheet import Group, Return, Sheet, Track
from mixwright.timeline import Timeline
from mixwright.units import SILENCE_DB, Floats, db_to_gain

Bands = Floats  # (frames, third octaves from 25 Hz), mean powers added over channels
MOMENTARY_HOPS = 4
PLAYS_WITHIN_LU = 20.0


@dataclass(frozen=True)
class Levels:
    """K-weighted mean squares of one signal, shape ``(hops,)``, the first from song time 0.

    >>> levels = Levels(np.full(40, 0.01))
    >>> round(levels.integrated_lufs(), 2), round(levels.mean_lufs(1.0, 2.0), 2)
    (-20.69, -20.69)
    """

    hops: Floats

    def between(self, start_s: float, end_s: float | None = None) -> Floats:
        """Return the hops of a stretch, its ends to the nearest 100 ms."""
        first = max(0, round(start_s / HOP_S))
        return self.hops[first : None if end_s is None else max(first, round(end_s / HOP_S))]

    def integrated_lufs(self, start_s: float = 0.0, end_s: float | None = None) -> float:
        """Gated loudness (BS.1770-5) of a stretch; -inf for silence or less than 400 ms."""
        return integrated_lufs(self.between(start_s, end_s))

    def mean_lufs(self, start_s: float = 0.0, end_s: float | None = None) -> float:
        """Ungated loudness of a stretch: what its energy adds up to; -inf for silence."""
        hops = self.between(start_s, end_s)
        return to_lufs(float(hops.mean())) if len(hops) else SILENCE_DB

    def momentary_lufs(self, start_s: float = 0.0, end_s: float | None = None) -> Bands:
        """Return the loudness of every 400 ms, one each 100 ms, shape ``(n,)``; silence is -inf."""
        windows = sliding_mean(self.between(start_s, end_s), MOMENTARY_HOPS)
        with np.errstate(divide="ignore"):
            return np.asarray(OFFSET_LU + 10.0 * np.log10(windows))


@dataclass(frozen=True)
class TrackHeard:
    """A track at four points of its way, and its bands in the balance.

    `source`: the stem with polarity and trim. `balance`: that at the still fader and pan (the first
    step). `equalised`: after EQ and level match. `treated`: after its whole chain. `placed`: after
    fader, pan and width in the finished mix; its group comes after that. `balance_bands` and
    `eq_bands`: third octaves of the first and third step at still fader and pan (the group's fader
    and EQ too), over the focus; the latter are the former times the response of the EQ at rest.
    """

    track: Track
    plan: TrackPlan
    source: Levels
    balance: Levels
    equalised: Levels
    treated: Levels
    placed: Levels
    balance_bands: Bands
    eq_bands: Bands

    @property
    def name(self) -> str:
        """Its name."""
        return self.track.name


@dataclass(frozen=True)
class GroupHeard:
    """A group: its sum before EQ and dynamics, and as it leaves."""

    group: Group
    before: Levels
    after: Levels

    @property
    def chain(self) -> Floats:
        """What it does to each of its tracks, as a power ratio by hop, shape ``(hops,)``."""
        before, after = self.before.hops, self.after.hops
        return np.divide(after, before, out=np.zeros_like(after), where=before > 0.0)


@dataclass(frozen=True)
class ReturnHeard:
    """A return as it reaches the mix bus; `sent` is what each track sends to it.

    `bands` are over the focus.
    """

    part: Return
    wet: Levels
    sent: Mapping[str, Levels]
    bands: Bands

    def share_of(self, track: str, start_s: float = 0.0, end_s: float | None = None) -> float:
        """Return how much of what is sent is the track's, 0 to 1 by energy."""
        whole = sum(float(one.between(start_s, end_s).sum()) for one in self.sent.values())
        own = self.sent.get(track)
        if own is None or whole <= 0.0:
            return 0.0
        return float(own.between(start_s, end_s).sum()) / whole


@dataclass(frozen=True)
class VoiceHeard:
    """The lead voice as it reaches the mix bus, dry, and everything else, wet voice included.

    `voice` and `rest` are third octaves of the whole song, a frame each `hop_s`; `levels` the
    voice's own. `tracks` are the names of the tracks that make it up.
    """

    tracks: tuple[str, ...]
    voice: Bands
    rest: Bands
    hop_s: float
    levels: Levels


@dataclass(frozen=True)
class Evidence:
    """Everything a check measured of one sheet.

    `balance` is the mix through that step, `mix` the finished one: meters that know any stretch,
    the latter before its make-up, which is `mix_gain` (use `mix_readings`). `loudest` is the
    section that is loudest in the balance, `focus` the stretch that steps are judged on: the
    section that the sheet claims to be the loudest, else `loudest`, else the whole song.
    `bus_reduction` and `bus_reduction_alone` are the reductions of the mix bus's compressor in
    the finished mix and with the balance alone; `references` compare the mix through `bus`.
    """

    sheet: Sheet
    plan: Plan
    inspected: Inspected
    focus: Stretch
    loudest: str | None
    balance: SoundMeter
    mix: SoundMeter
    mix_gain: float
    silence: SilenceReadings
    tracks: Mapping[str, TrackHeard]
    groups: Mapping[str, GroupHeard]
    returns: Mapping[str, ReturnHeard]
    dry: Levels
    wet: Levels
    reductions: Mapping[str, Reduction]
    matches_db: Mapping[str, float]
    bus_reduction: Reduction | None = None
    bus_reduction_alone: Reduction | None = None
    voice: VoiceHeard | None = None
    references: tuple[Comparison, ...] = ()

    @property
    def timeline(self) -> Timeline:
        """The song's map in time."""
        return self.sheet.timeline

    @property
    def rate_hz(self) -> int:
        """The song's sample rate."""
        return self.plan.rate_hz

    @property
    def sections(self) -> tuple[Stretch, ...]:
        """The sections of the song as samples."""
        return self.plan.sections

    def seconds_of(self, stretch: Stretch) -> tuple[float, float]:
        """Return where a stretch begins and ends, in seconds."""
        return stretch.start / self.rate_hz, stretch.end / self.rate_hz

    @property
    def focus_s(self) -> tuple[float, float]:
        """Where the focus begins and ends, in seconds."""
        return self.seconds_of(self.focus)

    @property
    def in_focus(self) -> str:
        """The focus for the end of a phrase: `` in chorus 2``, or nothing for the whole song."""
        return f" in {self.focus.name}" if self.focus.name else ""

    def section_at(self, seconds: float) -> str | None:
        """Return the name of the section at a time; None before the first."""
        sample = round(seconds * self.rate_hz)
        return next((s.name for s in self.sections if s.start <= sample < s.end), None)

    def at_bus(self, name: str) -> Levels:
        """Return a track as it reaches the bus in the finished mix, through its group."""
        track = self.tracks[name]
        group = self.groups.get(track.track.group or "")
        if group is None:
            return track.placed
        count = min(len(track.placed.hops), len(group.before.hops), len(group.after.hops))
        return Levels(track.placed.hops[:count] * group.chain[:count])

    def balance_at_bus(self, name: str) -> Levels:
        """Return a track in the balance, with its group's fader at rest."""
        track = self.tracks[name]
        group = self.groups.get(track.track.group or "")
        if group is None:
            return track.balance
        fader = 0.0 if group.group.mute else db_to_gain(group.group.gain_db)
        return Levels(track.balance.hops * fader**2)

    def heard_tracks(self) -> list[TrackHeard]:
        """Return the tracks that sound anywhere in the finished mix, in sheet order."""
        sounding = (t for t in self.tracks.values() if t.placed.hops.any())
        return [t for t in sounding if self.at_bus(t.name).integrated_lufs() > SILENCE_DB]

    def plays_in_focus(self, name: str) -> bool:
        """Whether a track has something to play in the focus, and is not muted there.

        Within 20 LU of its own loudness, our choice. What is muted as the focus begins fades out in
        its first moments: they don't count.
        """
        start_s, end_s = self.focus_s
        start_s = min(start_s + 2.0 * HOP_S, max(start_s, end_s - 1.0))
        for levels in (self.tracks[name].source, self.at_bus(name)):
            least = levels.integrated_lufs() - PLAYS_WITHIN_LU
            here = levels.integrated_lufs(start_s, end_s)
            if here == SILENCE_DB or here < least:
                return False
        return True

    def mix_readings(self, start_s: float = 0.0, end_s: float | None = None) -> SoundReadings:
        """Return the figures of the finished mix, or of a stretch of it."""
        return self.mix.readings(start_s, end_s, self.mix_gain)
