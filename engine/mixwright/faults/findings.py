"""What the fault detectors say: one frozen class a kind of fault, numbers with their units.

`severity` is ``fault`` (wrong as it is), ``look`` (probably wrong: someone should look) or
``note`` (so it is, nothing needs doing). `message` is one sentence. `fix` is what to write in the
sheet under the track to mend it, one entry a line, or None where a sheet can't mend it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

FindingSeverity: TypeAlias = Literal["fault", "look", "note"]
TrackName: TypeAlias = "str | int"


def severity_of(under_db: float, fault_db: float, look_db: float) -> FindingSeverity:
    """Return how bad something is that lies so far under the programme: the less, the worse.

    >>> [severity_of(under_db, 12.0, 30.0) for under_db in (11.9, 12.0, 30.0)]
    ['fault', 'look', 'note']
    """
    if under_db < fault_db:
        return "fault"
    return "look" if under_db < look_db else "note"


@dataclass(frozen=True, kw_only=True)
class Finding:
    """What every finding has; `track` is the name or number that the caller gave.

    >>> Finding(kind="dc", track="bass", severity="look", message="has an offset").fix is None
    True
    """

    kind: str
    track: TrackName
    severity: FindingSeverity
    message: str
    fix: str | None = None


@dataclass(frozen=True, kw_only=True)
class Clipped(Finding):
    """Flat tops: `runs` of three and more samples at the extreme of the file, on both sides."""

    kind: str = "clipped"
    runs: int
    longest_samples: int
    first_s: float
    level_dbfs: float


@dataclass(frozen=True, kw_only=True)
class Offset(Finding):
    """A constant offset, the larger of the channels' with its sign, as a share of full scale."""

    kind: str = "dc"
    offset_percent: float
    level_dbfs: float


@dataclass(frozen=True, kw_only=True)
class Rumble(Finding):
    """What lies between 5 and 40 Hz where the track is quiet, against the level of the rest."""

    kind: str = "rumble"
    level_dbfs: float
    under_programme_db: float


@dataclass(frozen=True, kw_only=True)
class Hum(Finding):
    """Mains hum: `mains_hz` is 50 or 60, `fundamental_hz` as measured, levels of all harmonics.

    Levels are RMS in dB re 1.0, `harmonic_dbfs` in the order of `harmonics` (1 for `mains_hz`).
    """

    kind: str = "hum"
    mains_hz: int
    fundamental_hz: float
    level_dbfs: float
    under_programme_db: float
    harmonics: tuple[int, ...]
    harmonic_dbfs: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class ReallyMono(Finding):
    """Both channels hold the same, the right one `right_gain_db` louder."""

    kind: str = "really_mono"
    right_gain_db: float


@dataclass(frozen=True, kw_only=True)
class SilentChannel(Finding):
    """One channel, ``left`` or ``right``, holds nothing: so much under the other, inf for zeros."""

    kind: str = "silent_channel"
    channel: Literal["left", "right"]
    under_other_db: float


@dataclass(frozen=True, kw_only=True)
class OppositeChannels(Finding):
    """Left and right are (nearly) each other upside down."""

    kind: str = "opposite_channels"
    correlation: float


@dataclass(frozen=True, kw_only=True)
class Opposed(Finding):
    """The polarity is inverted against a partner that hears the same source.

    `correlation` is that at the best lag, `lag_ms` by how much this track is later.
    """

    kind: str = "polarity"
    partner: TrackName
    correlation: float
    lag_ms: float


@dataclass(frozen=True, kw_only=True)
class Late(Finding):
    """The same source arrives later than in the partner; `share_percent` is common to both."""

    kind: str = "late"
    partner: TrackName
    late_samples: float
    late_ms: float
    distance_m: float
    share_percent: float


@dataclass(frozen=True, kw_only=True)
class Duplicate(Finding):
    """The same audio as in the partner, `gain_db` louder and `late_ms` later.

    `residual_db` is what is left of it after taking the partner off, None if nothing is.
    """

    kind: str = "duplicate"
    partner: TrackName
    gain_db: float
    late_ms: float
    residual_db: float | None
    inverted: bool = False


@dataclass(frozen=True, kw_only=True)
class OtherTime(Finding):
    """By its time stamp it begins later (below 0: earlier) than `agreeing` other tracks."""

    kind: str = "time_stamp"
    later_samples: int
    later_ms: float
    agreeing: int
