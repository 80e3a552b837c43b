"""The typed, frozen mix sheet. Processor settings are the ones in `dsp`: written once.

Built by :mod:`mixwright.sheet.build` from a validated tree; nothing here knows YAML. Every part
that can be pointed at carries the path it was read from, and :class:`Sheet` maps a path to its
place in the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Literal, cast

from mixwright.dsp.band import BandSettings
from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.de_esser import DeEsserSettings
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.expander import ExpanderSettings
from mixwright.dsp.inserts import InsertSettings
from mixwright.dsp.limiter import LimiterSettings
from mixwright.dsp.reverb import ReverbSettings
from mixwright.problem import Span
from mixwright.sheet.deliverables import NO_RELEASE, Cover, Release, Variant
from mixwright.timeline import Position, Section, TempoChange, Timeline

PathKey = tuple[str | int, ...]
StepName = Literal["balance", "bus", "eq", "dynamics", "effects", "automation"]
STEPS: tuple[StepName, ...] = ("balance", "bus", "eq", "dynamics", "effects", "automation")

ROLES = (
    "lead_vocal",
    "backing_vocal",
    "kick",
    "snare",
    "toms",
    "cymbals",
    "drum_overheads",
    "drum_room",
    "percussion",
    "bass",
    "electric_guitar",
    "acoustic_guitar",
    "piano",
    "keys",
    "organ",
    "synth",
    "pad",
    "strings",
    "brass",
    "woodwind",
    "sound_effect",
    "other",
)


@dataclass(frozen=True)
class Point:
    """One automation point: from `at` on, move to `value` over so many beats or ms (a step if 0).

    `value` is dB for gains and sends (-inf for ``off``), Hz for frequencies, -100..+100 for pan,
    0 or 1 for mute. `shape` says how it moves.
    """

    at: Position
    value: float
    over_beats: float = 0.0
    over_ms: float = 0.0
    shape: Literal["line", "smooth", "hold"] = "line"


Points = tuple[Point, ...]


@dataclass(frozen=True)
class BandAutomation:
    """Rides of an EQ band, in place of its frequency and gain."""

    freq_hz: Points = ()
    gain_db: Points = ()


@dataclass(frozen=True)
class Band:
    """One EQ band with the reason for it."""

    settings: BandSettings
    automation: BandAutomation = BandAutomation()
    why: str | None = None


class Processor:
    """A processor in its place in a chain: its settings and the reason for it.

    `key` is another track that it listens to. `makeup_db` is a gain after it; None means matched:
    the gated loudness after it is what it was before.
    """

    settings: Any
    why: str | None
    key: str | None = None
    makeup_db: float | None = 0.0


@dataclass(frozen=True)
class Gate(Processor):
    """A downward expander in its place."""

    settings: ExpanderSettings
    key: str | None = None
    why: str | None = None


@dataclass(frozen=True)
class Compressor(Processor):
    """A compressor in its place."""

    settings: CompressorSettings
    key: str | None = None
    makeup_db: float | None = None
    why: str | None = None


@dataclass(frozen=True)
class DeEsser(Processor):
    """A de-esser in its place."""

    settings: DeEsserSettings
    why: str | None = None


@dataclass(frozen=True)
class Limiter:
    """The limiter on the finished mix."""

    settings: LimiterSettings
    why: str | None = None


@dataclass(frozen=True)
class Insert:
    """An effect within a strip; a plug-in's settings know its name, not where it lies."""

    settings: InsertSettings
    why: str | None = None


@dataclass(frozen=True)
class RecordedRoom:
    """A reverb from a recorded impulse response; `impulse` is a path relative to the sheet."""

    impulse: str
    pre_delay_ms: float = 0.0
    high_pass_hz: float | None = None
    low_pass_hz: float | None = None


@dataclass(frozen=True)
class TrackAutomation:
    """Rides of a track: `gain_db` adds to the fader, everything else is absolute."""

    gain_db: Points = ()
    pan: Points = ()
    mute: Points = ()
    sends_db: Mapping[str, Points] = field(default_factory=dict)


@dataclass(frozen=True)
class BusAutomation:
    """Rides of a group, a return or the mix bus: `gain_db` adds to its gain."""

    gain_db: Points = ()
    mute: Points = ()


def _kind(model: type[Processor], step: StepName = "dynamics") -> dict[str, Any]:
    """What there is to say of a field that holds a processor, or none."""
    return {"model": model, "step": step}


@dataclass(frozen=True)
class Chained:
    """What the sound of a track or group runs through, in the order of the signal.

    Whatever else goes through the processors of a chain asks :data:`PROCESSORS`, which is made of
    these fields.
    """

    eq: tuple[Band, ...] = ()
    level_match: bool = True
    gate: Gate | None = field(default=None, metadata=_kind(Gate))
    compressor: Compressor | None = field(default=None, metadata=_kind(Compressor))
    de_esser: DeEsser | None = field(default=None, metadata=_kind(DeEsser))
    inserts: tuple[Insert, ...] = ()


@dataclass(frozen=True)
class ProcessorKind:
    """A processor that a chain may have: its key in a sheet, its class in the model, its step."""

    id: str
    model: type[Processor]
    step: StepName

    @property
    def takes_key(self) -> bool:
        """Whether it may listen to another track."""
        return any(entry.name == "key" for entry in fields(cast(Any, self.model)))


PROCESSORS = tuple(ProcessorKind(f.name, **f.metadata) for f in fields(Chained) if f.metadata)
# The parts of a chain by their keys, in the order of the signal.
CHAIN_PARTS = ("eq", *(kind.id for kind in PROCESSORS), "inserts")


@dataclass(frozen=True)
class Recorded:
    """A recording, how loud it is and where it stands."""

    name: str
    file: str
    role: str = "other"
    group: str | None = None
    polarity: Literal["normal", "invert"] = "normal"
    offset_ms: float = 0.0
    trim_db: float = 0.0
    gain_db: float = 0.0
    pan: float = 0.0
    width_percent: float = 100.0
    mute: bool = False


@dataclass(frozen=True)
class Track(Chained, Recorded):
    """One recorded track and everything done to it; `covers` are those of a clean version."""

    sends_db: Mapping[str, float] = field(default_factory=dict)
    automation: TrackAutomation = TrackAutomation()
    covers: tuple[Cover, ...] = ()
    why: str | None = None


@dataclass(frozen=True)
class Summed:
    """A sum of tracks, and how loud it is."""

    name: str
    gain_db: float = 0.0
    width_percent: float = 100.0
    mute: bool = False


@dataclass(frozen=True)
class Group(Chained, Summed):
    """A sum of tracks with its own EQ, dynamics, inserts, width and gain."""

    level_match: bool = False
    automation: BusAutomation = BusAutomation()
    why: str | None = None


@dataclass(frozen=True)
class Return:
    """A shared effect that tracks send to.

    `note` times a delay by the tempo instead of ms, `pre_delay_note` a reverb's pre-delay.
    """

    name: str
    effect: ReverbSettings | RecordedRoom | DelaySettings
    note: str | None = None
    pre_delay_note: str | None = None
    gain_db: float = 0.0
    width_percent: float = 100.0
    mute: bool = False
    inserts: tuple[Insert, ...] = ()
    eq: tuple[Band, ...] = ()
    automation: BusAutomation = BusAutomation()
    why: str | None = None


@dataclass(frozen=True)
class Bus:
    """What the whole mix passes through: EQ, compressor, width, gain, limiter."""

    gain_db: float = 0.0
    width_percent: float = 100.0
    eq: tuple[Band, ...] = ()
    level_match: bool = False
    compressor: Compressor | None = None
    limiter: Limiter | None = None
    automation: BusAutomation = BusAutomation()
    why: str | None = None


def processors_of(part: Track | Group | Bus) -> Iterator[tuple[ProcessorKind, Processor]]:
    """Yield the processors of a chain that it has, in the order of the signal."""
    for kind in PROCESSORS:
        if (processor := getattr(part, kind.id, None)) is not None:
            yield kind, processor


@dataclass(frozen=True)
class Reference:
    """A finished mix to compare with, over one of this song's section names if given."""

    file: str
    section: str | None = None
    why: str | None = None


@dataclass(frozen=True)
class Delivery:
    """The loudness and true peak that the finished mix is to have; what is given goes first."""

    standard: str | None = None
    integrated_lufs: float | None = None
    tolerance_lu: float | None = None
    true_peak_dbtp: float | None = None
    why: str | None = None


@dataclass(frozen=True)
class Accept:
    """What a rule of a check finds and this song lives with: all of it, or of a name or section."""

    rule: str
    why: str
    name: str | None = None
    section: str | None = None


@dataclass(frozen=True)
class Song:
    """Title, sample rate and the song's map in time; `end` overrides the longest track."""

    title: str
    sample_rate_hz: int
    artist: str | None = None
    tempo: tuple[TempoChange, ...] = (TempoChange(1, 120.0, 4),)
    sections: tuple[Section, ...] = ()
    loudest_section: str | None = None
    end: Position | None = None


@dataclass(frozen=True)
class Sheet:
    """A whole mix. `spans` maps a path such as ``("tracks", "bass", "gain_db")`` to its place.

    `sha256` is that of the file that it was read from.
    """

    path: Path
    song: Song
    tracks: tuple[Track, ...]
    groups: tuple[Group, ...] = ()
    returns: tuple[Return, ...] = ()
    mix_bus: Bus = Bus()
    references: tuple[Reference, ...] = ()
    delivery: Delivery | None = None
    release: Release = NO_RELEASE
    limits: Mapping[str, float] = field(default_factory=dict)
    accept: tuple[Accept, ...] = ()
    variants: tuple[Variant, ...] = ()
    spans: Mapping[PathKey, Span] = field(default_factory=dict, repr=False, compare=False)
    sha256: str = field(default="", repr=False, compare=False)

    @property
    def folder(self) -> Path:
        """The folder that paths in the sheet are relative to."""
        return self.path.parent

    @property
    def timeline(self) -> Timeline:
        """The song's map from musical time to samples."""
        return Timeline(self.song.sample_rate_hz, self.song.tempo, self.song.sections)

    def span_of(self, *path: str | int) -> Span | None:
        """Return the place of a path, or of its nearest parent that has one."""
        for length in range(len(path), 0, -1):
            if (span := self.spans.get(tuple(path[:length]))) is not None:
                return span
        return None
