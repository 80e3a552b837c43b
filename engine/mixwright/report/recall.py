"""The recall sheet: every track, every move, its reason and its measured effect, in step order.

Worked out from the evidence of a whole check, as plain data that is written out by
:mod:`mixwright.report.recall_sheet`. Nothing in it depends on the day or on the machine: the
same sheet with the same tracks gives the same recall sheet.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator, Mapping
from functools import partial
from typing import Any, TypeAlias

from mixwright.checks.limits import default_limits
from mixwright.measuring.evidence import Evidence, Levels
from mixwright.measuring.moves import (
    band_change_lu,
    eq_change_lu,
    return_wet_to_dry_lu,
    track_wet_to_dry_lu,
)
from mixwright.meters import SoundReadings
from mixwright.report import recall_sheet as form
from mixwright.report.recall_deliverables import release_chapter, variants_chapter
from mixwright.report.recall_sheet import (
    WHY,
    Chapter,
    Column,
    Listing,
    Move,
    Recall,
    RecallStrip,
    table_of,
    words_column,
)
from mixwright.sheet import Band, Bus, Group, Point, Return, Track, TrackAutomation
from mixwright.sheet.model import PathKey, Processor, StepName, processors_of
from mixwright.sheet.part_words import effect_words, insert_words, point_words, processor_words
from mixwright.timeline import Position, Section
from mixwright.units import unless_silent
from mixwright.words import (
    band_words,
    clock,
    figure,
    named,
    number,
    pan_words,
    signed,
    unit_of,
    value_words,
)

RecalledPart: TypeAlias = Track | Group | Return | Bus
Ride: TypeAlias = tuple[str, str, Point]  # what is ridden, the field that it is of, where to


def recall_of(heard: Evidence) -> Recall:
    """Return the recall sheet of a mix that was heard."""
    song = heard.sheet.song
    title = song.title + (f" - {song.artist}" if song.artist else "")
    steps = (_song, _balance, _bus, _eq, _dynamics, _effects, _automation)
    after = [part(heard) for part in (_accepted, _limits, _delivery, _references)]
    after += [release_chapter(heard.sheet), variants_chapter(heard.sheet)]
    chapters = [*(step(heard) for step in steps), *(part for part in after if not part.is_empty)]
    return Recall(title, tuple(chapters))


def _rounded(**measured: float | None) -> dict[str, float]:
    """Measured figures with two decimals; those that can't be had are left out."""
    return {k: round(v, 2) for k, v in measured.items() if v is not None and math.isfinite(v)}


def _loudness(sound: SoundReadings) -> dict[str, float]:
    return _rounded(integrated_lufs=sound.integrated_lufs, true_peak_dbtp=sound.true_peak_dbtp)


def _measured(key: str, heading: str, of: Any) -> Column:
    def rounded(one: Any) -> float | None:
        value = of(one)
        return None if value is None else round(value, 2)

    return Column(key, heading, partial(figure, decimals=1), of=rounded)


FADER = (
    Column("gain_db", "gain dB", signed),
    Column("width_percent", "width %", form.unless(100.0)),
    Column("mute", "mute", lambda mute: "muted" if mute else ""),
)


# ---- the song and its balance ----


def _song(heard: Evidence) -> Chapter:
    timeline = heard.timeline
    facts: dict[str, Any] = {
        "sample_rate_hz": heard.rate_hz,
        "length": clock(heard.plan.end / heard.rate_hz),
        **_loudness(heard.mix_readings()),
    }

    def level(section: Section) -> float | None:
        return heard.mix_readings(*spans[section.name]).integrated_lufs

    spans = {stretch.name: heard.seconds_of(stretch) for stretch in heard.sections}
    at = Column("at_s", "time", clock, of=lambda one: timeline.seconds_at_bar(one.bar))
    bpm, beats = Column("bpm", "bpm", number), Column("beats_per_bar", "beats to the bar")
    loud = _measured("integrated_lufs", "LUFS in the mix", level)
    song, bar = heard.sheet.song, Column("bar", "bar")
    tempo = table_of("tempo", (Column("bar", "tempo from bar"), at, bpm, beats), song.tempo)
    sections = table_of("sections", (words_column("name", "section"), bar, at, loud), song.sections)
    return Chapter("song", "the song", facts, tables=(tempo, sections))


def _balance(heard: Evidence) -> Chapter:
    facts: dict[str, Any] = dict(_loudness(heard.balance.readings()))
    facts |= {} if heard.loudest is None else {"loudest_section": heard.loudest}

    def level(strips: Mapping[str, Any], at: str, one: Track | Group) -> float | None:
        levels: Levels = getattr(strips[one.name], at)
        return unless_silent(levels.integrated_lufs(0.0, heard.plan.end / heard.rate_hz))

    loud = _measured("balance_lufs", "LUFS", partial(level, heard.tracks, "balance"))
    into = _measured("in_lufs", "LUFS in", partial(level, heard.groups, "before"))
    out = _measured("out_lufs", "LUFS out", partial(level, heard.groups, "after"))
    gain, width, mute = FADER
    tracks = (
        words_column("name", "track"),
        gain,
        Column("pan", "pan", pan_words),
        width,
        Column("trim_db", "trim dB", form.unless(0.0, signed)),
        Column("polarity", "polarity", form.unless("normal", str)),
        Column("offset_ms", "offset ms", form.unless(0.0)),
        mute,
        loud,
        *(words_column("file"), words_column("role", text=named), words_column("group"), WHY),
    )
    groups = (words_column("name", "group"), *FADER, into, out, WHY)
    sheet = heard.sheet
    tables = (table_of("tracks", tracks, sheet.tracks), table_of("groups", groups, sheet.groups))
    return Chapter("balance", "1 balance", facts, tables=tables)


# ---- mix bus, EQ, dynamics ----


def _bus(heard: Evidence) -> Chapter:
    bus, reduced, alone = heard.sheet.mix_bus, heard.bus_reduction, heard.bus_reduction_alone
    moves = [_band(band, ("mix_bus", "eq", i)) for i, band in enumerate(bus.eq)]
    for kind, part in processors_of(bus):
        move = _processor(heard, "mix_bus", part, ("mix_bus", kind.id))
        if alone is not None and part is bus.compressor:
            first = _rounded(mean_on_balance_alone_db=alone.mean_db, most_there_db=alone.max_db)
            move = dataclasses.replace(move, measured={**move.measured, **first})
        moves.append(move)
    if bus.why is not None or (bus.gain_db, bus.width_percent) != (0.0, 100.0):
        gain, width = value_words("gain_db", bus.gain_db), number(bus.width_percent)
        said = f"gain {gain}, width {width} %"
        moves.append(Move(said, bus.why, ("mix_bus",)))
    if bus.limiter is not None:
        held = _held(heard, "mix_bus.limiter")
        said = f"limiter: {processor_words(bus.limiter)}"
        moves.append(Move(said, bus.limiter.why, ("mix_bus", "limiter"), held))
    matched = _rounded(level_match_db=heard.matches_db.get("mix_bus.eq"))
    columns = (
        words_column("section", "compressor by section", of=lambda pair: pair[0]),
        _measured("mean_db", "mean dB", lambda pair: pair[1].mean_db),
        _measured("max_db", "most dB", lambda pair: pair[1].max_db),
    )
    by_section = table_of("reduction", columns, reduced.by_section.items() if reduced else ())
    strips = (RecallStrip("mix bus", tuple(moves), matched),) if moves else ()
    return Chapter("bus", "2 mix bus", strips=strips, tables=(by_section,))


def _called(one: RecalledPart) -> tuple[str, PathKey]:
    """What a part is called, and its place in the sheet."""
    if isinstance(one, Bus):
        return "mix bus", ("mix_bus",)
    kind = type(one).__name__.lower()
    return one.name + (f" ({kind})" if kind != "track" else ""), (f"{kind}s", one.name)


def _strips(heard: Evidence) -> Iterator[tuple[Track | Group, str, PathKey]]:
    strips: tuple[Track | Group, ...] = (*heard.sheet.tracks, *heard.sheet.groups)
    for one in strips:
        yield one, *_called(one)


def _band(band: Band, place: PathKey, measured: Mapping[str, float] | None = None) -> Move:
    moves = band.automation.freq_hz or band.automation.gain_db
    said = band_words(band.settings) + (", moves (see 6)" if moves else "")
    return Move(said, band.why, place, measured or {})


def _eq(heard: Evidence) -> Chapter:
    strips = []
    for one, called, place in _strips(heard):
        moves = [
            _band(
                band,
                (*place, "eq", i),
                _rounded(loudness_change_lu=band_change_lu(heard, one.name, band)),
            )
            for i, band in enumerate(one.eq)
        ]
        moves += _processors(heard, one, place, "eq")
        if moves:
            strips.append(RecallStrip(called, tuple(moves), _eq_change(heard, one.name)))
    alone = f"of a band alone in {heard.focus.name or 'the song'}, not gated"
    facts = {"loudness_changes": f"{alone}; together over the song, gated"} if strips else {}
    return Chapter("eq", "3 EQ", facts, strips=tuple(strips))


def _eq_change(heard: Evidence, name: str) -> dict[str, float]:
    """What an EQ does to the loudness over the song, and by how much that was taken back."""
    match_db = heard.matches_db.get(f"{name}.eq")
    return _rounded(loudness_change_lu=eq_change_lu(heard, name), level_match_db=match_db)


def _dynamics(heard: Evidence) -> Chapter:
    strips = []
    for one, called, place in _strips(heard):
        if moves := _processors(heard, one, place, "dynamics"):
            strips.append(RecallStrip(called, tuple(moves)))
    return Chapter("dynamics", "4 dynamics", strips=tuple(strips))


def _processors(heard: Evidence, one: Track | Group, place: PathKey, step: StepName) -> list[Move]:
    """The processors of a chain that belong to a step."""
    own = [(kind.id, part) for kind, part in processors_of(one) if kind.step == step]
    return [_processor(heard, one.name, part, (*place, key)) for key, part in own]


def _processor(heard: Evidence, name: str, part: Processor, place: PathKey) -> Move:
    key = str(place[-1])
    makeup = _rounded(makeup_db=heard.matches_db.get(f"{name}.{key}"))
    said = f"{named(key)}: {processor_words(part)}"
    return Move(said, part.why, place, _held(heard, f"{name}.{key}") | makeup)


def _held(heard: Evidence, name: str) -> dict[str, float]:
    """What a dynamics processor did over the song; the mean is of when it was at work."""
    r = heard.reductions.get(name)
    if r is None:
        return {}
    share = 100.0 * r.active_share
    return _rounded(mean_reduction_db=r.mean_db, most_reduction_db=r.max_db, at_work_percent=share)


# ---- effects ----


def _effects(heard: Evidence) -> Chapter:
    strips = [_return(heard, part) for part in heard.sheet.returns]
    for one, called, place in _strips(heard):
        if moves := _processors(heard, one, place, "effects") + _inserts(one, place):
            matched = _rounded(level_match_db=heard.matches_db.get(f"{one.name}.inserts"))
            strips.append(RecallStrip(called, tuple(moves), matched))
    return Chapter("effects", "5 effects", strips=tuple(strips), tables=(_sends(heard),))


def _inserts(one: Track | Group | Return, place: PathKey) -> list[Move]:
    return [
        Move(insert_words(part), part.why, (*place, "inserts", i))
        for i, part in enumerate(one.inserts)
    ]


def _effect(part: Return) -> str:
    """Its effect, and what else it is set to that is not as it is by default."""
    said = [effect_words(part)]
    for key, plainly in (("gain_db", 0.0), ("width_percent", 100.0), ("mute", False)):
        if (value := getattr(part, key)) != plainly:
            said.append(f"{named(key)} {value_words(key, value)}")
    return ", ".join(said)


def _return(heard: Evidence, part: Return) -> RecallStrip:
    called, place = _called(part)
    moves = [Move(_effect(part), part.why, place, _wet(heard, part.name))]
    moves += _inserts(part, place)
    moves += [_band(band, (*place, "eq", i)) for i, band in enumerate(part.eq)]
    return RecallStrip(called, tuple(moves))


def _wet(heard: Evidence, name: str) -> dict[str, float]:
    """How loud a return is, and how loud against the dry mix."""
    one = heard.returns.get(name)
    if one is None:
        return {}
    wet_to_dry_lu = return_wet_to_dry_lu(heard, name)
    return _rounded(loudness_lufs=one.wet.integrated_lufs(), wet_to_dry_lu=wet_to_dry_lu)


def _sends(heard: Evidence) -> Listing:
    def level(name: str, one: Track) -> float | None:
        return one.sends_db.get(name)

    def track_wet(one: Track) -> float | None:
        return track_wet_to_dry_lu(heard, one.name)

    names = [part.name for part in heard.sheet.returns]
    levels = [Column(f"{n}_db", f"{n} dB", form.given(), of=partial(level, n)) for n in names]
    ridden = words_column("ridden", text=", ".join, of=lambda one: list(one.automation.sends_db))
    wet = _measured("wet_to_dry_lu", "wet to dry LU", track_wet)
    senders = [one for one in heard.sheet.tracks if one.sends_db or one.automation.sends_db]
    return table_of("sends", (words_column("name", "sends"), *levels, ridden, wet), senders)


# ---- automation ----


def _automation(heard: Evidence) -> Chapter:
    timeline = heard.timeline

    def at_s(ride: Ride) -> float:
        return timeline.seconds_at(ride[2].at)

    def bar(ride: Ride) -> str:
        at, beat = timeline.bar_and_beat_at(at_s(ride))
        return str(Position(bar=at, beat=round(beat, 3))).removeprefix("bar ")

    columns = (
        words_column("ride", of=lambda ride: ride[0]),
        words_column("section", of=lambda ride: heard.section_at(at_s(ride))),
        Column("bar", "bar", of=bar),
        Column("at_s", "time", clock, of=at_s),
        words_column("to", of=lambda ride: point_words(ride[1], ride[2])),
        Column("value", text=None, of=lambda ride: ride[2].value),
    )
    return Chapter(
        "automation", "6 automation", tables=(table_of("rides", columns, _rides(heard)),)
    )


def _rides(heard: Evidence) -> Iterator[Ride]:
    sheet = heard.sheet
    parts: tuple[RecalledPart, ...] = (*sheet.tracks, *sheet.groups, *sheet.returns, sheet.mix_bus)
    for one in parts:
        ridden = [
            ("gain", "gain_db", one.automation.gain_db),
            ("mute", "mute", one.automation.mute),
        ]
        if isinstance(one.automation, TrackAutomation):
            ridden.append(("pan", "pan", one.automation.pan))
            sends = one.automation.sends_db.items()
            ridden += [(f"{name} send", "sends_db", points) for name, points in sends]
        for index, band in enumerate(one.eq, 1):
            ridden.append((f"EQ band {index} frequency", "freq_hz", band.automation.freq_hz))
            ridden.append((f"EQ band {index} gain", "gain_db", band.automation.gain_db))
        for what, key, points in ridden:
            yield from ((f"{_called(one)[0]} {what}", key, point) for point in points)


# ---- what else the sheet says ----


def _listed(key: str, title: str, columns: tuple[Column, ...], of: Iterable[Any]) -> Chapter:
    return Chapter(key, title, tables=(table_of("list", columns, of),))


def _accepted(heard: Evidence) -> Chapter:
    columns = (words_column("rule"), words_column("name"), words_column("section"), WHY)
    return _listed("accepted", "accepted findings", columns, heard.sheet.accept)


def _limits(heard: Evidence) -> Chapter:
    columns = (
        words_column("limit", text=named, of=lambda pair: pair[0]),
        Column("value", "here", number, of=lambda pair: pair[1]),
        Column("default", "by default", number, of=lambda pair: default_limits()[pair[0]]),
        words_column("unit", of=lambda pair: unit_of(pair[0])),
    )
    return _listed("limits", "limits of this song", columns, heard.sheet.limits.items())


def _delivery(heard: Evidence) -> Chapter:
    asked = heard.sheet.delivery
    if asked is None:
        return Chapter("delivery", "delivery")
    facts = dataclasses.asdict(asked) | {"why": asked.why or form.NO_REASON}
    return Chapter("delivery", "delivery", {k: v for k, v in facts.items() if v is not None})


def _references(heard: Evidence) -> Chapter:
    columns = (words_column("file", "reference"), words_column("section"), WHY)
    return _listed("references", "references", columns, heard.sheet.references)
