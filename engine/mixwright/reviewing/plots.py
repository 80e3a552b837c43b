"""Curves as inline SVG, with the words and the numbers that say the same.

An SVG here holds lines and areas only, in a box of 1000 by 100 that is stretched to any width:
strokes keep their width, and all text stands beside it as text of the page, at the page's size.
Colours are the page's, by class; curves differ in dash as well.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from mixwright.reviewing.data import Automation, Level, SectionLine, Series, SongTimeline, Spectra
from mixwright.words import clock, figure, moment, pan_words

WIDTH, HEIGHT = 1000.0, 100.0
TIME_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600)
MOST_TIME_MARKS = 10
LEVEL_STEPS = (0.5, 1, 2, 3, 6, 10, 12, 20, 25, 50, 100)
MOST_LEVEL_MARKS = 5
# What lies deeper below the top would squeeze what matters.
DEEPEST_DB = 36.0
FREQUENCY_MARKS_HZ = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
SPECTRUM_DEEPEST_DB = 54.0


@dataclass(frozen=True)
class Mark:
    """A mark on an axis: `at` is a share (0 to 1) of it, from the left or from the top."""

    at: float
    text: str


@dataclass(frozen=True)
class Scale:
    """Values from `low` (the bottom) to `high` (the top)."""

    low: float
    high: float

    def depth(self, value: float) -> float:
        """Return how far down a value is, 0 (top) to 1 (bottom); what is off it is at its edge.

        >>> Scale(-30.0, 0.0).depth(-7.5)
        0.25
        """
        if math.isnan(value):
            return 1.0
        share = (self.high - value) / (self.high - self.low) if math.isfinite(value) else None
        if share is None:
            return 0.0 if value > 0 else 1.0
        return min(1.0, max(0.0, share))

    def marks(self, most: int = MOST_LEVEL_MARKS) -> tuple[Mark, ...]:
        """Return round values within it, top first.

        >>> [mark.text for mark in Scale(-30.0, 0.0).marks()]
        ['0', '-10', '-20', '-30']
        """
        step = next((s for s in LEVEL_STEPS if (self.high - self.low) / s < most), LEVEL_STEPS[-1])
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return tuple(
            Mark(self.depth(count * step), f"{count * step:g}")
            for count in range(last, first - 1, -1)
        )


@dataclass(frozen=True)
class Chart:
    """A picture, and what it says in words.

    `series` is the key of its values in the page's data, for a reading at the moment that is
    played; empty where there are none.
    """

    id: str
    title: str
    unit: str
    svg: str
    marks: tuple[Mark, ...]
    summary: str
    series: str = ""


def scale_of(values: Iterable[Level], deepest: float = DEEPEST_DB) -> Scale:
    """Return a scale that holds all values but those far below the highest.

    >>> scale_of([-12.2, -80.0, None], deepest=36.0)
    Scale(low=-49.0, high=-12.0)
    """
    known = [value for value in values if value is not None and math.isfinite(value)]
    if not known:
        return Scale(-deepest, 0.0)
    high = math.ceil(max(known))
    low = math.floor(max(min(known), high - deepest - 1.0))
    return Scale(float(min(low, high - 3)), float(high))


def time_marks(seconds: float) -> tuple[Mark, ...]:
    """Return marks along the song, at round times.

    >>> [mark.text for mark in time_marks(75.0)]
    ['0:00', '0:10', '0:20', '0:30', '0:40', '0:50', '1:00', '1:10']
    """
    fits = (step for step in TIME_STEPS_S if seconds / step < MOST_TIME_MARKS)
    step = next(fits, TIME_STEPS_S[-1])
    count = math.floor(seconds / step) + 1
    return tuple(Mark(i * step / seconds, clock(i * step, 0)) for i in range(count))


def timeline_charts(
    timeline: SongTimeline, seconds: float, sections: Sequence[SectionLine]
) -> list[Chart]:
    """Return the charts of loudness, peaks, bus compressor and voice, where there is any."""
    along = _Along(timeline.hop_s, seconds, sections)
    charts = [
        along.chart("short_term_lufs", "Short-term loudness", "LUFS", timeline.short_term_lufs),
        along.chart("true_peak_dbtp", "True peak", "dBTP", timeline.true_peak_dbtp, full=True),
    ]
    if timeline.bus_reduction_db is not None:
        charts.append(along.reduction("bus_reduction_db", timeline.bus_reduction_db))
    if timeline.voice_over_band_db is not None:
        charts.append(
            along.chart(
                "voice_over_band_db", "Voice against band", "dB", timeline.voice_over_band_db
            )
        )
    return charts


@dataclass(frozen=True)
class _Along:
    """What all charts along the song share."""

    hop_s: float
    seconds: float
    sections: Sequence[SectionLine]

    def chart(self, key: str, title: str, unit: str, series: Series, full: bool = False) -> Chart:
        """A line; `full` marks full scale where it is in sight."""
        scale = scale_of(series)
        if full:
            scale = Scale(scale.low, max(scale.high, 0.0))
        parts = [_borders(self), _grid(scale)]
        if full or scale.low < 0.0 < scale.high:
            parts.append(_zero_line(scale, "edge" if full else "zero"))
        parts.append(f'<path class="area" d="{_area(self._points(series, scale), HEIGHT)}"/>')
        parts.append(f'<path class="line" d="{_path(self._points(series, scale))}"/>')
        return Chart(key, title, unit, _svg(parts), scale.marks(), self._words(series, unit), key)

    def reduction(self, key: str, series: Series) -> Chart:
        """What a compressor takes off, hanging from the top."""
        known = [value for value in series if value is not None and math.isfinite(value)]
        most = max(3.0, math.ceil(max(known, default=0.0)))
        hanging = tuple(None if value is None else -value for value in series)
        scale = Scale(-most, 0.0)
        marks = tuple(Mark(mark.at, mark.text.lstrip("-")) for mark in scale.marks(4))
        parts = [_borders(self), _grid(scale, 4)]
        parts.append(f'<path class="area" d="{_area(self._points(hanging, scale), 0.0)}"/>')
        parts.append(f'<path class="line" d="{_path(self._points(hanging, scale))}"/>')
        words = self._words(series, "dB")
        return Chart(key, "Bus compressor gain reduction", "dB", _svg(parts), marks, words, key)

    def _points(self, series: Series, scale: Scale) -> Iterator[tuple[float, float] | None]:
        for index, value in enumerate(series):
            at = index * self.hop_s / self.seconds * WIDTH
            if at > WIDTH:
                return
            yield None if value is None else (at, scale.depth(value) * HEIGHT)

    def _words(self, series: Series, unit: str) -> str:
        known = [
            (value, index * self.hop_s)
            for index, value in enumerate(series)
            if value is not None and math.isfinite(value)
        ]
        if not known:
            return "nothing to read"
        ends = (("least", min(known)), ("most", max(known)))
        return ", ".join(
            f"{word} {figure(value, unit, 1)} at {self._where(at_s)}"
            for word, (value, at_s) in ends
        )

    def _where(self, at_s: float) -> str:
        section = section_at(self.sections, at_s)
        return moment(at_s, section.name if section else None)


def section_at(sections: Sequence[SectionLine], at_s: float) -> SectionLine | None:
    """Return the section that a moment is in; None outside all of them."""
    return next((one for one in sections if one.start_s <= at_s < one.end_s), None)


def automation_chart(index: int, moving: Automation, seconds: float) -> Chart:
    """Return one value that moves; a mute as blocks where the track is silent."""
    title = f"{moving.name}, {moving.what}"
    words = automation_words(moving)
    if moving.what == "mute":
        svg = _svg([_muted_blocks(moving, seconds)])
        return Chart(f"moves-{index}", title, "", svg, (), words)
    scale = _moving_scale(moving)
    marks = scale.marks(3)
    if moving.what == "pan":
        marks = tuple(
            Mark(at, pan_words(pan)) for at, pan in ((0.0, 100.0), (0.5, 0.0), (1.0, -100.0))
        )
    points = [
        (at_s / seconds * WIDTH, scale.depth(-math.inf if value is None else value) * HEIGHT)
        for at_s, value in moving.points
    ]
    if points:  # it holds its value before the first point and after the last
        points = [(0.0, points[0][1]), *points, (WIDTH, points[-1][1])]
    parts = [_grid(scale, 3), f'<path class="line" d="{_path(points)}"/>']
    return Chart(f"moves-{index}", title, moving.unit, _svg(parts), marks, words)


def automation_words(moving: Automation, most: int = 12) -> str:
    """Return the points in words, the first `most` of them.

    >>> automation_words(Automation("voice", "fader", "dB", ((0.0, 0.0), (47.0, 1.5))))
    '0:00.0 0.0 dB, 0:47.0 1.5 dB'
    """
    said = [f"{clock(at_s)} {_value_words(moving, value)}" for at_s, value in moving.points]
    rest = len(said) - most
    return ", ".join(said[:most]) + (f", and {rest} more" if rest > 0 else "")


def _value_words(moving: Automation, value: Level) -> str:
    if moving.what == "mute":
        return "muted" if value else "heard"
    if moving.what == "pan":
        return pan_words(value)
    if value is None or value == -math.inf:
        return "off"
    return figure(value, moving.unit, 1)


def _moving_scale(moving: Automation) -> Scale:
    if moving.what == "pan":
        return Scale(-100.0, 100.0)
    values = [value for _, value in moving.points if value is not None and math.isfinite(value)]
    low, high = min(values, default=0.0), max(values, default=0.0)
    spare = max(1.0, 0.1 * (high - low))
    return Scale(low - spare, high + spare)


def _muted_blocks(moving: Automation, seconds: float) -> str:
    ends = [*(at_s for at_s, _ in moving.points[1:]), seconds]
    blocks = [
        f"M{_short(at_s / seconds * WIDTH)} 20H{_short(end_s / seconds * WIDTH)}V80"
        f"H{_short(at_s / seconds * WIDTH)}Z"
        for (at_s, value), end_s in zip(moving.points, ends, strict=False)
        if value
    ]
    return f'<path class="block" d="{"".join(blocks)}"/>'


@dataclass(frozen=True)
class SpectrumChart:
    """The spectra: a picture, the marks of both axes, and which line is whose."""

    svg: str
    marks: tuple[Mark, ...]
    frequency_marks: tuple[Mark, ...]
    legend: tuple[tuple[str, str], ...]
    summary: str


def spectrum_chart(spectra: Spectra) -> SpectrumChart:
    """Return all curves over a logarithmic axis; each has a colour and a dash of its own."""
    low_hz, high_hz = min(spectra.bands_hz) * 0.9, max(spectra.bands_hz) * 1.1

    def across(hz: float) -> float:
        return math.log(hz / low_hz) / math.log(high_hz / low_hz)

    scale = scale_of((v for curve in spectra.curves for v in curve.db), SPECTRUM_DEEPEST_DB)
    shown = [hz for hz in FREQUENCY_MARKS_HZ if low_hz < hz < high_hz]
    marks = tuple(Mark(across(hz), f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}") for hz in shown)
    parts = [_grid(scale, 6), *(_upright(mark.at) for mark in marks)]
    legend = []
    # The mix comes last, on top of the others.
    for index, curve in reversed(list(enumerate(spectra.curves))):
        points = [
            None if v is None else (across(hz) * WIDTH, scale.depth(v) * HEIGHT)
            for hz, v in zip(spectra.bands_hz, curve.db, strict=False)
        ]
        parts.append(f'<path class="line curve-{index % 6}" d="{_path(points)}"/>')
        legend.append((f"curve-{index % 6}", curve.label))
    words = "; ".join(_spectrum_words(spectra)) or "one curve"
    return SpectrumChart(_svg(parts), scale.marks(6), marks, tuple(reversed(legend)), words)


def _spectrum_words(spectra: Spectra) -> Iterator[str]:
    """Where the first curve is furthest from each of the others."""
    ours = spectra.curves[0].db if spectra.curves else ()
    for curve in spectra.curves[1:]:
        apart = [
            (mine - theirs, hz)
            for hz, mine, theirs in zip(spectra.bands_hz, ours, curve.db, strict=False)
            if mine is not None and theirs is not None and math.isfinite(mine - theirs)
        ]
        if apart:
            more_db, hz = max(apart, key=lambda one: abs(one[0]))
            amount = f"{figure(abs(more_db), 'dB', 1)} {'more' if more_db >= 0 else 'less'}"
            yield f"furthest from {curve.label} at {hz:g} Hz, with {amount}"


def _svg(parts: Iterable[str]) -> str:
    return (
        f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" preserveAspectRatio="none" aria-hidden="true" '
        f'focusable="false">{"".join(parts)}</svg>'
    )


def _grid(scale: Scale, most: int = MOST_LEVEL_MARKS) -> str:
    lines = "".join(f"M0 {_short(mark.at * HEIGHT)}H{WIDTH:g}" for mark in scale.marks(most))
    return f'<path class="grid" d="{lines}"/>'


def _zero_line(scale: Scale, line: str) -> str:
    return f'<path class="{line}" d="M0 {_short(scale.depth(0.0) * HEIGHT)}H{WIDTH:g}"/>'


def _upright(share: float) -> str:
    return f'<path class="grid" d="M{_short(share * WIDTH)} 0V{HEIGHT:g}"/>'


def _borders(along: _Along) -> str:
    starts = (section.start_s / along.seconds for section in along.sections)
    lines = "".join(f"M{_short(at * WIDTH)} 0V{HEIGHT:g}" for at in starts if 0.0 < at < 1.0)
    return f'<path class="border" d="{lines}"/>'


def _path(points: Iterable[tuple[float, float] | None]) -> str:
    """A line through the points, broken where one is missing."""
    pieces, pen = [], "M"
    for point in points:
        if point is None:
            pen = "M"
            continue
        pieces.append(f"{pen}{_short(point[0])} {_short(point[1])}")
        pen = "L"
    return "".join(pieces)


def _area(points: Iterable[tuple[float, float] | None], base: float) -> str:
    """The same, filled down (or up) to `base`."""
    pieces: list[str] = []
    run: list[tuple[float, float]] = []
    for point in [*points, None]:
        if point is not None:
            run.append(point)
        elif run:
            outline = "L".join(f"{_short(x)} {_short(depth)}" for x, depth in run)
            start, end = _short(run[0][0]), _short(run[-1][0])
            pieces.append(f"M{start} {base:g}L{outline}L{end} {base:g}Z")
            run = []
    return "".join(pieces)


def _short(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
