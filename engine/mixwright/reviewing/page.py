"""The review page: one file to open in a browser from disk, with its sounds beside it.

Everything but the sounds is in the one file: style, script, data, and the pictures as inline SVG.
It asks nothing of any network, and says so to the browser (a content security policy).
"""

from __future__ import annotations

import base64
import hashlib
import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from importlib import resources
from itertools import groupby
from pathlib import Path
from typing import Any

from mixwright.audio.staged import told_as_problem, written_beside
from mixwright.checks.judged import State
from mixwright.comparing.change import Change
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.session import USUAL, Session
from mixwright.reviewing import plots
from mixwright.reviewing.data import (
    Level,
    ReviewData,
    SectionLine,
    Series,
    Source,
    SourceKind,
    Standing,
    lightened,
    shown,
    to_json,
)
from mixwright.reviewing.sounds import PageSound, clear_away, write_sounds
from mixwright.sheet import STEPS
from mixwright.units import SILENCE_DB, or_silence
from mixwright.words import change, clock, figure, pan_words, share, value_words

PAGE = "index.html"
MARK = '<meta name="generator" content="mixwright'
MARK_WITHIN = 2000  # characters from the beginning of the file
# In the order they need one another.
SCRIPTS = ("sounds.js", "player.js", "blind.js", "charts.js", "page.js")
KEYED_SOURCES = 9
# A sign and a word for each: colour only repeats them.
STATES: dict[State | Standing, tuple[str, str]] = {
    "holds": ("✓", "holds"),
    "accepted": ("✓", "accepted"),
    "look": ("○", "worth a look"),
    "fails": ("✕", "fails"),
    "idle": ("·", "nothing to judge"),
    "note": ("·", "note"),
}

KINDS: dict[SourceKind, str] = {
    "step": "step",
    "previous": "previous version",
    "mix": "finished mix",
    "variant": "variant",
    "reference": "reference",
}
# How the page tells values, as filters of its template.
FILTERS: dict[str, Any] = {
    "figure": partial(figure, decimals=1),
    "clock": clock,
    "pan": pan_words,
    "share": share,
    "send": lambda level_db: value_words("sends_db", or_silence(level_db)),
    "changed": partial(change, decimals=1),
}


def write_page(
    folder: Path, review: ReviewData, sounds: Mapping[str, Path], session: Session = USUAL
) -> Path:
    """Write the page of `review` into `folder` and return it; the folder is made if need be.

    `sounds` gives the sound file of each source by its id, in any format that can be read. An
    earlier review in the folder is replaced. Raises ProblemError for a folder whose page is
    somebody else's, a sound that can't be read, a machine that refuses; ValueError for a source
    without a sound.
    """
    missing = [source.id for source in review.sources if source.id not in sounds]
    if missing:
        raise ValueError(f"no sound for {', '.join(missing)}")
    page = folder / PAGE
    refuse_strangers_page(page)
    heard = {source.id: sounds[source.id] for source in review.sources}
    written = write_sounds(folder, heard, session)
    text = page_text(review, written)
    with written_beside(page) as beside:
        beside.write_text(text, encoding="utf-8", newline="\n")
    clear_away(folder, written.values())
    return page


def refuse_strangers_page(page: Path) -> None:
    """Raise ProblemError for a page that is there already and that this tool did not write."""
    with told_as_problem(page):
        if not os.path.lexists(page):
            return
        with open(page, encoding="utf-8", errors="replace") as file:
            ours = MARK in file.read(MARK_WITHIN)
        if not ours:
            message = f"{page} exists and was not written by mixwright"
            raise ProblemError([Problem("output/not-ours", message, help="give another --out")])


def page_text(review: ReviewData, sounds: Mapping[str, PageSound]) -> str:
    """Return the whole page; `sounds` says where each source's sound is."""
    import jinja2

    review = shown(review)
    light = lightened(review)
    script = "\n".join(_asset(name) for name in SCRIPTS)
    kept = jinja2.Environment(
        loader=jinja2.FunctionLoader(_asset),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    kept.filters |= FILTERS | {"ours": _markup}
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return kept.get_template("index.html.jinja").render(
        review=light,
        style=_markup(_asset("page.css")),
        script=_markup(script),
        script_hash=f"sha256-{digest}",
        data=_markup(to_json(light, {"sounds": _sounds(sounds)})),
        states=STATES,
        kinds=KINDS,
        steps=STEPS,
        sources=_keyed(light, sounds),
        blind_first=_blind_first(light),
        changes=_by_step(light.changes or ()),
        compared=light.changes is not None or light.sound_changes is not None,
        counts=_counts(light),
        **_pictures(light),
        table=section_figures(review),
        track_at={track.name: index for index, track in enumerate(light.tracks)},
    )


def _asset(name: str) -> str:
    return resources.files("mixwright.reviewing").joinpath("assets", name).read_text("utf-8")


def _markup(text: str) -> Any:
    """Text of our own making that goes into the page as it is."""
    from markupsafe import Markup

    return Markup(text)


def _sounds(sounds: Mapping[str, PageSound]) -> dict[str, Any]:
    return {
        id: {"script": sound.script, "lowered_db": sound.lowered_db} for id, sound in sounds.items()
    }


@dataclass(frozen=True)
class Keyed:
    """A source as it is listed: with the key that chooses it, if there is one left."""

    source: Source
    key: str
    sound: PageSound


def _keyed(review: ReviewData, sounds: Mapping[str, PageSound]) -> list[Keyed]:
    return [
        Keyed(source, str(count) if count <= KEYED_SOURCES else "", sounds[source.id])
        for count, source in enumerate(review.sources, 1)
    ]


def _blind_first(review: ReviewData) -> set[str]:
    """The two that a blind comparison offers first: this mix and the previous, or the last two."""
    wished = [
        next((one.id for one in reversed(review.sources) if one.kind in kinds), None)
        for kinds in (("mix", "step"), ("previous",))
    ]
    if None not in wished:
        return {id for id in wished if id is not None}
    return {source.id for source in review.sources[-2:]}


def _by_step(changes: Sequence[Change]) -> list[tuple[str, list[Change]]]:
    return [(step, list(group)) for step, group in groupby(changes, lambda change: change.step)]


def _counts(review: ReviewData) -> Counter[str]:
    """How many findings fail, deserve a look, are accepted, are notes."""
    return Counter(
        "accepted" if finding.accepted_why is not None else finding.standing
        for stage in review.stages
        for rule in stage.rules
        for finding in rule.findings
    )


def _pictures(review: ReviewData) -> dict[str, Any]:
    timeline, seconds = review.timeline, review.seconds
    charts = plots.timeline_charts(timeline, seconds, review.sections)
    moving = [plots.automation_chart(i, one, seconds) for i, one in enumerate(timeline.automation)]
    return {
        "charts": charts,
        "moving": moving,
        "time_marks": plots.time_marks(seconds),
        "spectrum": plots.spectrum_chart(review.spectrum) if review.spectrum else None,
    }


@dataclass(frozen=True)
class SectionFigures:
    """The timeline of one section in numbers."""

    section: SectionLine
    loudness_lufs: Level
    loudest_lufs: Level
    true_peak_dbtp: Level
    most_bus_reduction_db: Level
    least_voice_db: Level


def section_figures(review: ReviewData) -> tuple[SectionFigures, ...]:
    """Return the figures of each section, from the whole of the timeline.

    `loudness_lufs` is the median of its short-term loudness.
    """
    timeline = review.timeline

    def found(section: SectionLine) -> SectionFigures:
        def within(series: Series | None) -> list[float]:
            return sorted(_within(series, timeline.hop_s, section))

        loudness, peaks = within(timeline.short_term_lufs), within(timeline.true_peak_dbtp)
        bus, voice = within(timeline.bus_reduction_db), within(timeline.voice_over_band_db)
        return SectionFigures(
            section,
            loudness[len(loudness) // 2] if loudness else None,
            loudness[-1] if loudness else None,
            peaks[-1] if peaks else None,
            bus[-1] if bus else None,
            voice[0] if voice else None,
        )

    return tuple(found(section) for section in review.sections)


def _within(series: Series | None, hop_s: float, section: SectionLine) -> Iterator[float]:
    first, end = round(section.start_s / hop_s), round(section.end_s / hop_s)
    return (one for one in (series or ())[first:end] if one not in (None, SILENCE_DB))
