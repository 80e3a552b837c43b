"""How a recall sheet reads: its parts, settings in trade words, and the whole as Markdown.

What it says of a mix is worked out in :mod:`mixwright.report.recall`.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from mixwright.checks.limits import unit_of
from mixwright.comparing.words import pan_words
from mixwright.dsp.band import GAIN_TYPES, PASSES, BandSettings
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.inserts import INSERTS, InsertSettings
from mixwright.problem import one_line
from mixwright.report.readings import finite
from mixwright.sheet import Point, Return
from mixwright.sheet.model import Compressor, Processor, RecordedRoom

NO_REASON = "no reason given"
NOTHING = "nothing in this step"
SIGNED = ("gain_db", "makeup_db", "early_db", "change_lu", "match_db", "to_dry_lu")
HYPHENED = r"\b(high|low|look|pre|ping|pitch|de) (?=pass|shelf|ahead|delay|pong|shift|esser)"
# What a setting that does nothing is: it goes without saying.
QUIET: Mapping[str, Any] = {
    "detector": "peak",
    "feedback_percent": 0.0,
    "link_percent": 100.0,
    "look_ahead_ms": 0.0,
    "mix_percent": 100.0,
    "pre_delay_ms": 0.0,
    "spread_ms": 0.0,
}
SPELT = {"freq": "frequency", "integrated": "loudness", "makeup": "make-up", "rms": "RMS"}
LEFT_OUT = {"early_db": "no early reflections", "feedback_db": "one repeat"}
KINDS = {kind: name for name, kind in INSERTS.items()}


def plain(value: Any) -> str:
    """Return any value as text; nothing for None."""
    return "" if value is None else str(value)


@dataclass(frozen=True)
class Column:
    """A column: the key of its values as data, its heading, how a value is shown and found.

    `text` None keeps a column for data; `words` wrap and begin at the left. `of` finds the value in
    what a row is about; None takes the attribute of that key.
    """

    key: str
    heading: str = ""
    text: Callable[[Any], str] | None = plain
    words: bool = False
    of: Callable[[Any], Any] | None = None


@dataclass(frozen=True)
class Table:
    """Rows of values under columns; the first one names what a row is about."""

    key: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Any, ...], ...]

    @property
    def shown(self) -> tuple[list[Column], list[list[str]]]:
        """The columns in which anything stands, and their cells as text."""
        texts = [
            [one_line(c.text(v)) if c.text else "" for c, v in zip(self.columns, row, strict=True)]
            for row in self.rows
        ]
        kept = [i for i in range(len(self.columns)) if i == 0 or any(row[i] for row in texts)]
        return [self.columns[i] for i in kept], [[row[i] for i in kept] for row in texts]


def table_of(key: str, columns: Sequence[Column], objects: Iterable[Any]) -> Table:
    """Return a table with a row for each object.

    >>> table_of("numbers", [Column("real", "number")], [3, 4]).rows
    ((3,), (4,))
    """
    rows = [[c.of(o) if c.of else getattr(o, c.key) for c in columns] for o in objects]
    return Table(key, tuple(columns), tuple(map(tuple, rows)))


@dataclass(frozen=True)
class Move:
    """One move in trade words, its reason and place; what it did, by keys that end with units."""

    what: str
    why: str | None
    path: tuple[str | int, ...]
    measured: Mapping[str, float] = field(default_factory=dict)

    @property
    def line(self) -> tuple[str, str]:
        """The move, and after it its reason and what was measured."""
        measured = measured_in_words(self.measured)
        return self.what, (self.why or NO_REASON) + (f" ({measured})" if measured else "")


@dataclass(frozen=True)
class Strip:
    """The moves on a track, group or return, and what all of them together were measured to do."""

    name: str
    moves: tuple[Move, ...]
    measured: Mapping[str, float] = field(default_factory=dict)

    @property
    def lines(self) -> list[tuple[str, str]]:
        """A line for each move, in two parts, and one for what was measured of them together."""
        together = measured_in_words(self.measured)
        return [*(m.line for m in self.moves), *([("together", together)] if together else [])]


@dataclass(frozen=True)
class Chapter:
    """A step, or what comes before and after the steps."""

    key: str
    title: str
    facts: Mapping[str, Any] = field(default_factory=dict)
    strips: tuple[Strip, ...] = ()
    tables: tuple[Table, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing in it."""
        return not (self.facts or self.strips or any(table.rows for table in self.tables))

    @property
    def facts_in_words(self) -> list[tuple[str, str]]:
        """What each fact is and says; whole numbers as they are, others as measured."""
        return [
            (named(k), value_in_words(k, v, number if isinstance(v, int) else measured_text))
            for k, v in self.facts.items()
        ]


@dataclass(frozen=True)
class Recall:
    """A recall sheet: the song's name and the chapters, the song itself first."""

    title: str
    chapters: tuple[Chapter, ...]

    def as_data(self) -> dict[str, Any]:
        """Return it as plain JSON data, a table as a list of rows; silence and `off` are null."""
        data: dict[str, Any] = {"recall_sheet": self.title}
        for chapter in self.chapters:
            data[chapter.key] = said = dict(chapter.facts)
            if chapter.strips:
                said["strips"] = [dataclasses.asdict(strip) for strip in chapter.strips]
            for table in chapter.tables:
                keys = [column.key for column in table.columns]
                said[table.key] = [dict(zip(keys, row, strict=True)) for row in table.rows]
        return finite(data)  # type: ignore[no-any-return]

    def as_markdown(self) -> str:
        """Return it as Markdown with tables."""
        lines = [f"# Recall sheet: {escaped(self.title)}", ""]
        for chapter in self.chapters:
            lines += [f"## {escaped(chapter.title)}", ""]
            lines += _list(f"{escaped(k)}: {escaped(said)}" for k, said in chapter.facts_in_words)
            for strip in chapter.strips:
                lines += [f"### {escaped(strip.name)}", ""]
                lines += _list(f"**{escaped(a)}** - {escaped(b)}" for a, b in strip.lines)
            for table in chapter.tables:
                lines += _markdown_table(table) if table.rows else []
            lines += [NOTHING, ""] if chapter.is_empty else []
        return "\n".join(lines).rstrip() + "\n"


# ---- words ----


def number(value: float) -> str:
    """Return a setting with no more digits than it has; -inf is ``off``.

    >>> number(5217.391), number(-3.0), number(-math.inf)
    ('5217.391', '-3', 'off')
    """
    return "off" if value == -math.inf else f"{value + 0.0:.10g}"


def signed(value: float | None, unit: str = "") -> str:
    """Return a setting with its sign; nothing for None.

    >>> signed(1.5, "dB"), signed(0.0), signed(-math.inf, "dB")
    ('+1.5 dB', '0', 'off')
    """
    if value is None or value == -math.inf:
        return "" if value is None else "off"
    return f"{'+' if value > 0 else ''}{number(value)} {unit}".rstrip()


def measured_text(value: float | None) -> str:
    """Return a measured figure with one decimal; silence is -inf, a figure not to be had ``-``.

    >>> measured_text(-23.04), measured_text(None), measured_text(-math.inf)
    ('-23.0', '-', '-inf')
    """
    if value is None or not math.isfinite(value):
        return "-inf" if value == -math.inf else "-"
    return f"{round(value, 1) + 0.0:.1f}"


def unless(default: Any, text: Callable[[Any], str] = number) -> Callable[[Any], str]:
    """Return a way to show a value that leaves a cell empty where it is the default."""
    return lambda value: "" if value == default else text(value)


def named(key: str) -> str:
    """Return the words of a key without its unit.

    >>> named("pre_delay_ms"), named("makeup_db"), named("size_m"), named("seed")
    ('pre-delay', 'make-up', 'size', 'seed')
    """
    stem = key.rpartition("_")[0]
    words = (stem if stem and _unit(key) else key).replace("_", " ")
    words = re.sub(HYPHENED, r"\1-", words)
    return SPELT.get(words, words)


def _unit(key: str) -> str:
    return "m" if key.endswith("_m") else unit_of(key)


def value_in_words(key: str, value: Any, show: Callable[[float], str] = number) -> str:
    """Return a value with the unit that its key ends with.

    >>> value_in_words("attack_ms", 20.0), value_in_words("ratio", 3.0), value_in_words("on", "mid")
    ('20 ms', '3:1', 'mid')
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        return {True: "yes", False: "no"}[value] if isinstance(value, bool) else plain(value)
    text = show(value)
    if key.endswith(SIGNED) and text.strip("0.") and value > 0:
        text = f"+{text}"
    return f"{text}:1" if key == "ratio" else f"{text} {_unit(key)}".rstrip()


def in_words(settings: Any) -> str:
    """Return the settings of a processor, in their order; what does nothing is left out.

    >>> from mixwright.dsp.compressor import CompressorSettings
    >>> in_words(CompressorSettings(-18.0, 3.0, attack_ms=20.0))
    'threshold -18 dB, ratio 3:1, attack 20 ms, release 100 ms, knee 6 dB'
    """
    pairs = [(f.name, getattr(settings, f.name)) for f in dataclasses.fields(settings)]
    if dict(pairs).get("detector") == "peak":
        pairs = [pair for pair in pairs if pair[0] != "rms_ms"]
    said = []
    for key, value in pairs:
        if value is None and key in LEFT_OUT:
            said.append(LEFT_OUT[key])
        elif key == "parameters":
            said += [f"{name} {plain(setting)}" for name, setting in value]
        elif key == "decay_by_band":
            said += [f"decay x{number(factor)} at {number(hz)} Hz" for hz, factor in value]
        elif key == "semitones":
            said.append(signed(value, key))
        elif value is True:
            said.append(named(key))
        elif value not in (None, (), "") and value is not False and QUIET.get(key) != value:
            said.append(f"{named(key)} {value_in_words(key, value)}")
    return ", ".join(said)


def band_in_words(band: BandSettings) -> str:
    """Return an EQ band in trade words.

    >>> band_in_words(BandSettings("high_pass", 95.0, slope_db_per_oct=18))
    'high-pass 95 Hz 18 dB/oct'
    >>> band_in_words(BandSettings("low_shelf", 150.0, -2.0, q=0.7, on="side"))
    'low-shelf 150 Hz -2 dB Q 0.7 on the sides'
    """
    said = [named(band.type), f"{number(band.freq_hz)} Hz"]
    if band.type in PASSES:
        said.append(f"{band.slope_db_per_oct} dB/oct")
    else:
        said += [signed(band.gain_db, "dB")] if band.type in GAIN_TYPES else []
        said.append(f"Q {number(band.q)}" if band.slope is None else f"S {number(band.slope)}")
    said += {"both": [], "mid": ["on the middle"], "side": ["on the sides"]}[band.on]
    return " ".join(said)


def processor_in_words(part: Processor) -> str:
    """Return what a processor is set to, with its key and make-up."""
    said = in_words(part.settings)
    if part.key is not None:
        said += f", keyed by {part.key}"
    if isinstance(part, Compressor):
        said += f", make-up {signed(part.makeup_db, 'dB') or 'matched'}"
    return said


def insert_in_words(settings: InsertSettings) -> str:
    """Return an insert with its settings.

    >>> insert_in_words(INSERTS["pitch_shift"](semitones=-0.06))
    'pitch-shift: -0.06 semitones'
    """
    return f"{named(KINDS[type(settings)])}: {in_words(settings)}".removesuffix(": ")


def return_in_words(part: Return) -> str:
    """Return what effect a return is and how it is set; a note stands for the time it comes to."""
    kind = {RecordedRoom: "recorded room", DelaySettings: "delay"}.get(type(part.effect), "reverb")
    said = in_words(part.effect)
    for key, note in (("time", part.note), ("pre-delay", part.pre_delay_note)):
        said = said if note is None else re.sub(rf"\b{key} \S+ ms", f"{key} {note}", said)
    said += f", gain {signed(part.gain_db, 'dB')}" if part.gain_db else ""
    said += f", width {number(part.width_percent)} %" if part.width_percent != 100.0 else ""
    return f"{kind}: {said}" + (", muted" if part.mute else "")


def point_in_words(ridden: str, point: Point) -> str:
    """Return where an automation point goes, and over how long.

    >>> from mixwright.timeline import Position
    >>> point_in_words("gain", Point(Position(bar=3), 1.5, over_beats=2.0))
    '+1.5 dB over 2 beats'
    """
    if ridden in ("mute", "pan"):
        to = pan_words(point.value) if ridden == "pan" else ("open", "muted")[point.value > 0]
    elif ridden.endswith(" frequency"):
        to = f"{number(point.value)} Hz"
    else:
        to = signed(point.value, "dB")
    how = {"line": " over", "smooth": " smoothly over", "hold": " at the end of"}[point.shape]
    if point.over_beats:
        return f"{to}{how} {number(point.over_beats)} beat{'s' if point.over_beats != 1 else ''}"
    return f"{to}{how} {number(point.over_ms)} ms" if point.over_ms else to


def measured_in_words(measured: Mapping[str, float]) -> str:
    """Return measured figures in a line.

    >>> measured_in_words({"mean_reduction_db": 3.16, "at_work_percent": 81.0})
    'mean reduction 3.2 dB, at work 81 %'
    """
    whole = "{:.0f}".format
    return ", ".join(
        f"{named(k)} {value_in_words(k, v, whole if k.endswith('percent') else measured_text)}"
        for k, v in measured.items()
    )


# ---- Markdown ----


def escaped(text: str) -> str:
    r"""Return text such that Markdown shows it as it is, within a line or a cell of a table.

    >>> print(escaped("<b> *loud* | https://x.example"))
    \<b\> \*loud\* \| https\://x.example
    """
    safe = re.sub(r"([\\`*_\[\]<>|&~$#!@])", r"\\\1", one_line(text))
    return re.sub(r"(?i):(?=//)|(?<=\bwww)\.", r"\\\g<0>", safe)


def _list(items: Iterable[str]) -> list[str]:
    lines = [f"- {item}" for item in items]
    return [*lines, ""] if lines else []


def _markdown_table(table: Table) -> list[str]:
    columns, rows = table.shown
    heads = [escaped(c.heading) for c in columns]
    lines = [heads, ["---" if c.words else "--:" for c in columns]]
    lines += [[escaped(cell) for cell in row] for row in rows]
    return [*(f"| {' | '.join(line)} |" for line in lines), ""]
