"""What is made of a mix: variants, how they are finished, what files say of themselves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Literal

from mixwright.timeline import Position
from mixwright.units import SILENCE_DB

# The variant that is the mix itself.
MAIN = "main"


@dataclass(frozen=True)
class Cover:
    """A word that a clean version covers: from `at`, for so many beats or ms.

    `name` is a track or group, turned down to `level_db` below its fader (-inf: silent); `instead`
    is a track that sounds meanwhile and is silent otherwise, muted or not.
    """

    name: str
    at: Position
    for_beats: float = 0.0
    for_ms: float = 0.0
    level_db: float = SILENCE_DB
    instead: str | None = None
    why: str | None = None


@dataclass(frozen=True)
class Loudness:
    """What a variant is brought to before it is written; what is given goes before the standard's.

    Where the true peak would be over its limit, a limiter holds it there.
    """

    standard: str | None = None
    integrated_lufs: float | None = None
    true_peak_dbtp: float | None = None


@dataclass(frozen=True)
class Labels:
    """What files say of themselves; None says nothing.

    `description`, `originator`, `originator_reference` and `time_reference_s` (seconds since
    midnight at the first sample) are for the broadcast extension of WAV files (EBU Tech 3285).
    """

    album: str | None = None
    track_number: int | None = None
    date: str | None = None
    genre: str | None = None
    isrc: str | None = None
    copyright: str | None = None
    comment: str | None = None
    description: str | None = None
    originator: str | None = None
    originator_reference: str | None = None
    time_reference_s: float | None = None

    def over(self, general: Labels) -> Labels:
        """Return these labels, and where they say nothing those of `general`.

        >>> Labels(genre="folk").over(Labels(genre="pop", album="Salt Road")).album
        'Salt Road'
        """
        own = {f.name: getattr(self, f.name) for f in fields(self)}
        return Labels(**{k: getattr(general, k) if v is None else v for k, v in own.items()})


@dataclass(frozen=True)
class Release:
    """What all variants have in common: how files are called, and what they say of themselves.

    `file_name` is a pattern, such as ``{title} - {variant}``, see the schema.
    """

    file_name: str | None = None
    labels: Labels = Labels()


NO_RELEASE = Release()


@dataclass(frozen=True)
class Variant:
    """One deliverable: which tracks or groups it holds and how loud, and which files it becomes.

    `split_by` and `stems` (tracks and groups by the name of a stem) make a file of each part; at
    most one of them is given. `sum` is whether such parts add up to the main mix, `bus_gain`
    whether shared dynamics go by the main mix. Seconds: None leaves the start, the end as they are.
    """

    name: str
    formats: tuple[str, ...] = ("wav24",)
    sample_rates_hz: tuple[int, ...] = ()
    dither: Literal["tpdf", "shaped"] = "tpdf"
    only: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    mute: tuple[str, ...] = ()
    offset_db: Mapping[str, float] = field(default_factory=dict)
    clean: tuple[Cover, ...] = ()
    bus_gain: Literal["from_main", "own"] = "own"
    split_by: Literal["group", "track"] | None = None
    stems: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    sum: Literal["exact", "own"] = "own"
    loudness: Loudness | None = None
    head_s: float | None = None
    tail_s: float | None = None
    fade_in_s: float = 0.0
    fade_out_s: float = 0.0
    file_name: str | None = None
    labels: Labels = Labels()
    why: str | None = None

    @property
    def is_split(self) -> bool:
        """Whether it is a set of parts rather than one mix."""
        return self.split_by is not None or bool(self.stems)
