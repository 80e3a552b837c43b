"""From a tree without faults to the frozen model; the first place where defaults are filled in."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import Any, get_type_hints

from mixwright.dsp.band import DEFAULT_Q, BandSettings
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.inserts import INSERTS, PluginSettings
from mixwright.dsp.reverb import ReverbSettings
from mixwright.sheet.build_variants import release_of, variants_of
from mixwright.sheet.model import (
    PROCESSORS,
    Accept,
    Band,
    BandAutomation,
    Bus,
    BusAutomation,
    Delivery,
    Group,
    Insert,
    Limiter,
    Point,
    Points,
    RecordedRoom,
    Reference,
    Return,
    Sheet,
    Song,
    Track,
    TrackAutomation,
)
from mixwright.sheet.times import position_of, sections_of, tempo_of
from mixwright.sheet.tree import Entry
from mixwright.sheet.values import level_db, numbers_of, pan_value, plain_of
from mixwright.timeline import note_to_beats
from mixwright.units import SILENCE_DB

_SEND = "sends_db."


def build_sheet(path: Path, node: Entry) -> Sheet:
    """Build the model of the sheet at `path`; `node` must have passed shape and meaning."""
    song = _song(node.child("song"))
    return Sheet(
        path=path,
        song=song,
        tracks=tuple(_track(name, track) for name, track in node.child("tracks").entries()),
        groups=tuple(_group(name, group) for name, group in node.child("groups").entries()),
        returns=tuple(_return(name, part, song) for name, part in node.child("returns").entries()),
        mix_bus=_mix_bus(node.child("mix_bus")),
        references=tuple(Reference(**entry.value) for entry in node.child("references").items()),
        delivery=_delivery(node),
        release=release_of(node.child("release")),
        limits={key: float(limit.value) for key, limit in node.child("limits").entries()},
        accept=tuple(Accept(**entry.value) for entry in node.child("accept").items()),
        variants=variants_of(node.child("variants")),
        spans=node.spans,
        sha256=node.sheet.sha256,
    )


def _song(node: Entry) -> Song:
    return Song(
        **plain_of(node, "title", "artist", "loudest_section"),
        sample_rate_hz=int(node.value["sample_rate_hz"]),
        tempo=tempo_of(node),
        sections=sections_of(node),
        end=position_of(node.child("end")) if "end" in node else None,
    )


def _track(name: str, node: Entry) -> Track:
    automation = node.child("automation")
    numbers = ("offset_ms", "trim_db", "gain_db", "width_percent")
    return Track(
        name=name,
        **plain_of(node, "file", "role", "group", "polarity", "mute", "level_match", "why"),
        **numbers_of(node, *numbers),
        pan=pan_value(node.value.get("pan", "C")),
        **_chain(node),
        sends_db={name: level_db(send.value) for name, send in node.child("sends_db").entries()},
        automation=TrackAutomation(
            gain_db=_points(automation.child("gain_db")),
            pan=_points(automation.child("pan")),
            mute=_points(automation.child("mute")),
            sends_db={
                name.removeprefix(_SEND): _points(points)
                for name, points in automation.entries()
                if name.startswith(_SEND)
            },
        ),
    )


def _group(name: str, node: Entry) -> Group:
    return Group(
        name=name,
        **plain_of(node, "mute", "level_match", "why"),
        **numbers_of(node, "gain_db", "width_percent"),
        **_chain(node),
        automation=_bus_automation(node),
    )


def _return(name: str, node: Entry, song: Song) -> Return:
    return Return(
        name=name,
        effect=_reverb(node, song) if node.value["type"] == "reverb" else _delay(node, song),
        **plain_of(node, "note", "pre_delay_note", "mute", "why"),
        **numbers_of(node, "gain_db", "width_percent"),
        inserts=_inserts(node),
        eq=_eq(node),
        automation=_bus_automation(node),
    )


def _reverb(node: Entry, song: Song) -> ReverbSettings | RecordedRoom:
    """A reverb; with a note, its pre-delay is that at the first tempo."""
    said = numbers_of(node, "pre_delay_ms", "high_pass_hz", "low_pass_hz")
    if (note := node.child("pre_delay_note").text) is not None:
        said["pre_delay_ms"] = _note_ms(note, song)
    if "impulse" in node:
        return RecordedRoom(node.value["impulse"], **said)
    factors = [(float(hz), float(f.value)) for hz, f in node.child("decay_by_band").entries()]
    if "seed" in node:
        said["seed"] = int(node.value["seed"])
    if "early_db" in node:
        level = level_db(node.value["early_db"])
        said["early_db"] = None if level == SILENCE_DB else level
    said |= numbers_of(node, "decay_s", "size_m")
    return ReverbSettings(**said, decay_by_band=tuple(sorted(factors)))


def _delay(node: Entry, song: Song) -> DelaySettings:
    """A delay; with a note, its time at the first tempo (later ones are for whoever renders)."""
    names = ("spread_ms", "feedback_db", "high_pass_hz", "low_pass_hz", "duck_db")
    said = numbers_of(node, *names) | plain_of(node, "ping_pong")
    note = node.child("note").text
    time_ms = float(node.value["time_ms"]) if note is None else _note_ms(note, song)
    return DelaySettings(time_ms, **said)


def _note_ms(note: str, song: Song) -> float:
    return 60000.0 / song.tempo[0].bpm * note_to_beats(note)


def _mix_bus(node: Entry) -> Bus:
    return Bus(
        **plain_of(node, "level_match", "why"),
        **numbers_of(node, "gain_db", "width_percent"),
        eq=_eq(node),
        **_processors(node),
        limiter=_processor(Limiter, node.child("limiter")) if "limiter" in node else None,
        automation=_bus_automation(node),
    )


def _delivery(node: Entry) -> Delivery | None:
    if "delivery" not in node:
        return None
    part = node.child("delivery")
    numbers = ("integrated_lufs", "tolerance_lu", "true_peak_dbtp")
    return Delivery(**plain_of(part, "standard", "why"), **numbers_of(part, *numbers))


def _eq(node: Entry) -> tuple[Band, ...]:
    return tuple(_band(band) for band in node.child("eq").items())


def _band(node: Entry) -> Band:
    settings = numbers_of(node, "freq_hz", "gain_db", "q", "slope") | plain_of(node, "on")
    if node.value["type"] in DEFAULT_Q:
        settings.setdefault("q", DEFAULT_Q[node.value["type"]])
    if "slope_db_per_oct" in node:
        settings["slope_db_per_oct"] = int(node.value["slope_db_per_oct"])
    rides = node.child("automation")
    return Band(
        BandSettings(node.value["type"], **settings),
        BandAutomation(_points(rides.child("freq_hz")), _points(rides.child("gain_db"))),
        node.child("why").text,
    )


def _chain(node: Entry) -> dict[str, Any]:
    """EQ, processors and inserts of a track or group."""
    return {"eq": _eq(node), **_processors(node), "inserts": _inserts(node)}


def _processors(parent: Entry) -> dict[str, Any]:
    """The processors that a chain has, by their keys."""
    there = [kind for kind in PROCESSORS if kind.id in parent]
    return {kind.id: _processor(kind.model, parent.child(kind.id)) for kind in there}


def _processor(model: Any, node: Entry) -> Any:
    """A processor in its place: what isn't a setting of it is a field beside them."""
    beside: dict[str, Any] = plain_of(node, "key", "why")
    if "makeup_db" in node:
        beside["makeup_db"] = node.child("makeup_db").number  # None if it is "matched"
    return model(settings=_settings(get_type_hints(model)["settings"], node), **beside)


def _inserts(parent: Entry) -> tuple[Insert, ...]:
    return tuple(_insert(node) for node in parent.child("inserts").items())


def _insert(node: Entry) -> Insert:
    settings = _settings(INSERTS[node.value["type"]], node)
    if isinstance(settings, PluginSettings):
        said = sorted(node.child("parameters").entries())
        settings = replace(settings, parameters=tuple((name, p.value) for name, p in said))
    return Insert(settings, node.child("why").text)


def _settings(kind: Any, node: Entry) -> Any:
    """A processor's settings from the keys that carry the names of its fields."""
    given = [field for field in fields(kind) if field.name in node]
    said = {field.name: node.value[field.name] for field in given if field.name != "parameters"}
    # Numbers are floats from here on; words stay words.
    return kind(**{k: float(v) if type(v) is int else v for k, v in said.items()})


def _bus_automation(node: Entry) -> BusAutomation:
    rides = node.child("automation")
    return BusAutomation(_points(rides.child("gain_db")), _points(rides.child("mute")))


def _points(node: Entry) -> Points:
    return tuple(
        Point(
            position_of(point),
            _point_value(str(node.path[-1]), point.value["value"]),
            **numbers_of(point, "over_beats", "over_ms"),
            **plain_of(point, "shape"),
        )
        for point in node.items()
    )


def _point_value(ridden: str, value: Any) -> float:
    return pan_value(value) if ridden == "pan" else level_db(value)
