"""What a review page tells, as plain frozen data: whoever gathers it fills this in, the page asks
for nothing more.

Times are seconds from the start of the song. A figure that there isn't is None, and so is a level
of silence; in a series along the song silence is ``-inf``, which is drawn at the bottom, where None
leaves a gap. Both are ``null`` in the page's JSON.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, Literal, TypeAlias

from mixwright.checks.judged import State
from mixwright.comparing.change import Change
from mixwright.escaping import one_line, plain_data, script_json

Level: TypeAlias = float | None
Series: TypeAlias = tuple[Level, ...]
SourceKind: TypeAlias = Literal["step", "previous", "mix", "variant", "reference"]
Standing: TypeAlias = Literal["fails", "look", "note"]
Keeping: TypeAlias = Literal["highest", "mean"]

# More points than this can't be seen on any screen.
MOST_POINTS = 2000
MOST_AUTOMATION_POINTS = 400


@dataclass(frozen=True)
class SectionLine:
    """A part of the song, from `start_s` up to `end_s`."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Source:
    """Something to listen to. `gain_db` (0 or less) makes it as loud as the quietest of them.

    `integrated_lufs` is as delivered, before that gain; `seconds` its own length.
    """

    id: str
    label: str
    kind: SourceKind
    integrated_lufs: Level
    gain_db: float
    seconds: float
    note: str = ""


@dataclass(frozen=True)
class Phrase:
    """A phrase of the lead voice, and the share of it (0 to 1) that is heard."""

    start_s: float
    end_s: float
    heard_share: Level


@dataclass(frozen=True)
class Automation:
    """A value that moves: points are (time, value), straight lines between them.

    `what` is ``fader``, ``pan``, ``hall send``, ``mute``...; a mute is 1 where it is muted and
    jumps. A value of None or ``-inf`` is off.
    """

    name: str
    what: str
    unit: str
    points: tuple[tuple[float, Level], ...]


@dataclass(frozen=True)
class SongTimeline:
    """What happens along the song: value `i` of a series is of the moment ``i * hop_s``.

    `bus_reduction_db` is 0 or more, None where the bus has no compressor; `voice_over_band_db` is
    the lead voice's level less that of all the rest, None without a lead voice.
    """

    hop_s: float
    short_term_lufs: Series
    true_peak_dbtp: Series
    bus_reduction_db: Series | None = None
    voice_over_band_db: Series | None = None
    phrases: tuple[Phrase, ...] = ()
    automation: tuple[Automation, ...] = ()


@dataclass(frozen=True)
class SpectrumCurve:
    """Levels (dB), one for each band of the spectrum it is part of."""

    label: str
    db: Series


@dataclass(frozen=True)
class Spectra:
    """The mix and its references by bands, at equal loudness; the first curve is the mix."""

    bands_hz: tuple[float, ...]
    curves: tuple[SpectrumCurve, ...]


@dataclass(frozen=True)
class MoveLine:
    """One thing done to a track, and the sheet's reason for it."""

    what: str
    why: str | None = None


@dataclass(frozen=True)
class Send:
    """What a track sends to a return, in dB; None or ``-inf`` is off."""

    to: str
    db: Level


@dataclass(frozen=True)
class TrackRow:
    """A track as the mix has it; `pan` is -100 (left) to +100 (right)."""

    name: str
    role: str
    group: str | None
    level_lufs: Level
    peak_dbfs: Level
    pan: Level
    width_percent: Level = None
    moves: tuple[MoveLine, ...] = ()
    sends: tuple[Send, ...] = ()
    muted: bool = False


@dataclass(frozen=True)
class FindingLine:
    """One thing a rule says; `place` is where in the sheet, as ``mix.yaml:12:7``.

    `accepted_why` is the sheet's reason for living with it. `standing` is what it counts as
    otherwise.
    """

    message: str
    help: str | None = None
    at_s: float | None = None
    until_s: float | None = None
    section: str | None = None
    name: str | None = None
    place: str | None = None
    accepted_why: str | None = None
    standing: Standing = "look"


@dataclass(frozen=True)
class RuleLine:
    """One rule: its id, its state, what was measured in words, what it found."""

    rule: str
    state: State
    words: str
    findings: tuple[FindingLine, ...] = ()


@dataclass(frozen=True)
class StageLine:
    """One line of the scoreboard."""

    stage: str
    state: State
    rules: tuple[RuleLine, ...]
    headline: str = ""


@dataclass(frozen=True)
class SoundChange:
    """A figure of the finished mix, before and after."""

    label: str
    before: Level
    after: Level
    unit: str


@dataclass(frozen=True)
class ReviewData:
    """All that one page shows.

    `against` names what the changes are against; `changes` and `sound_changes` are None where there
    is nothing to compare with. Raises ValueError for sources that can't be told apart or that would
    be turned up.
    """

    title: str
    artist: str
    version: str
    rate_hz: int
    seconds: float
    sections: tuple[SectionLine, ...]
    sources: tuple[Source, ...]
    timeline: SongTimeline
    spectrum: Spectra | None = None
    tracks: tuple[TrackRow, ...] = ()
    stages: tuple[StageLine, ...] = ()
    changes: tuple[Change, ...] | None = None
    against: str | None = None
    sound_changes: tuple[SoundChange, ...] | None = None

    def __post_init__(self) -> None:
        ids = [source.id for source in self.sources]
        if not ids or len(set(ids)) != len(ids):
            raise ValueError(f"expected sources with ids of their own, not {ids}")
        if any(not source.gain_db <= 0.0 for source in self.sources):
            raise ValueError("a source is only ever turned down")


def decimated(series: Series, stride: int, keep: Keeping) -> Series:
    """Return one value for every `stride`: the highest of them or their mean.

    A stretch of nothing but None stays None; the mean is that of the figures there are.

    >>> decimated((-20.0, -18.0, None, None, -30.0), 2, "highest")
    (-18.0, None, -30.0)
    """
    if stride == 1:
        return series
    stretches = (series[at : at + stride] for at in range(0, len(series), stride))
    return tuple(_summed_up(stretch, keep) for stretch in stretches)


def _summed_up(stretch: Series, keep: Keeping) -> Level:
    known = [value for value in stretch if value is not None]
    if not known:
        return None
    return max(known) if keep == "highest" else sum(known) / len(known)


def thinned(automation: Automation, most: int = MOST_AUTOMATION_POINTS) -> Automation:
    """Return it with at most about `most` points: of each stretch its lowest and its highest.

    The first and the last point stay.
    """
    points = automation.points
    if len(points) <= most:
        return automation
    stride = -(-2 * len(points) // most)
    kept = [points[0]]
    for at in range(1, len(points) - 1, stride):
        stretch = points[at : min(at + stride, len(points) - 1)]
        ends = (min(stretch, key=_height), max(stretch, key=_height))
        kept += sorted(set(ends), key=lambda point: point[0])
    return replace(automation, points=(*kept, points[-1]))


def _height(point: tuple[float, Level]) -> float:
    return -math.inf if point[1] is None else point[1]


def lightened(review: ReviewData, most: int = MOST_POINTS) -> ReviewData:
    """Return it with no more points along the song than can be seen."""
    timeline = review.timeline

    def fewer(series: Series | None, keep: Keeping) -> Series | None:
        return None if series is None else decimated(series, stride, keep)

    stride = max(1, -(-len(timeline.short_term_lufs) // most))
    lighter = replace(
        timeline,
        hop_s=timeline.hop_s * stride,
        short_term_lufs=decimated(timeline.short_term_lufs, stride, "mean"),
        true_peak_dbtp=decimated(timeline.true_peak_dbtp, stride, "highest"),
        bus_reduction_db=fewer(timeline.bus_reduction_db, "highest"),
        voice_over_band_db=fewer(timeline.voice_over_band_db, "mean"),
        automation=tuple(thinned(one) for one in timeline.automation),
    )
    return replace(review, timeline=lighter)


def shown(value: Any) -> Any:
    """Return the same data with each text on one line, and all of it to be seen.

    >>> shown(SectionLine("verse\\x1b", 0.0, 2.0)).name
    'verse\\\\x1b'
    """
    if isinstance(value, str):
        return one_line(value)
    if isinstance(value, tuple):
        return tuple(shown(one) if not isinstance(one, float) else one for one in value)
    if is_dataclass(value) and not isinstance(value, type):
        return replace(
            value, **{one.name: shown(getattr(value, one.name)) for one in fields(value)}
        )
    return value


def to_json(review: ReviewData, more: Mapping[str, Any] | None = None) -> str:
    """Return all of it, and `more`, as JSON that is safe inside a script element.

    Numbers have three decimals; what is not finite is ``null``.
    """
    return script_json(plain_data({**vars(review), **(more or {})}, decimals=3))
