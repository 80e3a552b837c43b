"""The schema against everything it repeats: processor bounds and defaults, the model, roles."""

from __future__ import annotations

import copy
import dataclasses
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args, get_type_hints

import jsonschema
import pytest

from mixwright.audio.formats import FORMATS
from mixwright.dsp.band import DEFAULT_Q, SLOPES_DB_PER_OCT, BandSettings, BandType
from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.contract import bounds_of
from mixwright.dsp.de_esser import DeEsserSettings
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.expander import ExpanderSettings
from mixwright.dsp.impulse import ImpulseSettings
from mixwright.dsp.inserts import INSERTS
from mixwright.dsp.limiter import LimiterSettings
from mixwright.dsp.reverb import ReverbSettings
from mixwright.sheet import ROLES, deliverables, load_text, model, schema_path
from mixwright.sheet import schema as schema_module
from mixwright.sheet.fits import ANNOTATIONS, KNOWN, SchemaCheck
from mixwright.sheet.schema import FORMAT, SCHEMA_FILE, load_schema
from mixwright.sheet.shape import SPOKEN_KEYWORDS
from mixwright.sheet.tree import read_tree
from mixwright.timeline import NOTE_FEELS, NOTE_NAMES, Section, TempoChange, note_to_beats

GOOD = Path(__file__).parent / "sheets" / "good"
SCHEMA = load_schema()
DEFS: dict[str, Any] = SCHEMA["$defs"]
# A key that must not be there: said so in the schema, so it needs no words of its own.
NEVER: dict[str, Any] = {"not": {}}


def resolved(schema: dict[str, Any]) -> dict[str, Any]:
    """A schema with what it refers to under what it says itself."""
    if "$ref" not in schema:
        return schema
    target = resolved(DEFS[schema["$ref"].removeprefix("#/$defs/")])
    return {**target, **{key: value for key, value in schema.items() if key != "$ref"}}


def properties(name: str) -> dict[str, Any]:
    """The keys of a part by name, resolved."""
    return {key: resolved(value) for key, value in DEFS[name]["properties"].items()}


def subschemas(schema: Any, path: str = "#") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every schema within a schema, each with its path."""
    if not isinstance(schema, dict):
        return
    yield path, schema
    for keyword in ("properties", "patternProperties", "$defs"):
        for key, value in schema.get(keyword, {}).items():
            yield from subschemas(value, f"{path}/{keyword}/{key}")
    for keyword in ("items", "if", "then", "not"):
        yield from subschemas(schema.get(keyword), f"{path}/{keyword}")
    for index, value in enumerate(schema.get("allOf", ())):
        yield from subschemas(value, f"{path}/allOf/{index}")


def keys(schema: Any, path: str = "#") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every key that a person may write, as its path and schema; conditions left out."""
    for where, part in subschemas(schema, path):
        if "/if" in where or "/then" in where or "/not" in where:
            continue
        for keyword in ("properties", "patternProperties"):
            for key, value in part.get(keyword, {}).items():
                if value != NEVER:
                    yield f"{where}/{keyword}/{key}", value


def test_the_schema_is_valid() -> None:
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert schema_path().name == "mix-sheet.schema.json"


def test_every_key_is_explained() -> None:
    found = list(keys(SCHEMA))
    assert len(found) > 100
    for path, schema in found:
        words = resolved(schema)
        assert words.get("title"), path
        description = words.get("description", "")
        assert description.endswith("."), path
        assert len(description) > len(words["title"]) or "item" in path, path


def test_every_number_is_bounded() -> None:
    for path, schema in keys(SCHEMA):
        words = resolved(schema)
        if {"number", "integer"} & set(as_list(words.get("type"))):
            limited = {"minimum", "maximum"} <= words.keys() or {"enum", "const"} & words.keys()
            assert limited, path


def as_list(value: Any) -> list[Any]:
    """A value as a list, if it is none."""
    return value if isinstance(value, list) else [value]


def test_units_in_keys_are_in_descriptions() -> None:
    units = {"db": "dB", "hz": "Hz", "ms": "ms", "s": "econds", "percent": "percent"}
    for path, schema in keys(SCHEMA):
        key = path.rpartition("/")[2]
        if "_" in key and key.rpartition("_")[2] in units and "patternProperties" not in path:
            assert units[key.rpartition("_")[2]] in resolved(schema)["description"], path


def test_nothing_else_is_allowed() -> None:
    for path, schema in subschemas(SCHEMA):
        if schema.get("type") == "object":
            assert schema.get("additionalProperties") is False, path


def test_there_are_no_branches_without_a_readable_message() -> None:
    for path, schema in subschemas(SCHEMA):
        assert not {"oneOf", "anyOf", "else", "propertyNames"} & schema.keys(), path
        # What may fail is said in words, and known to our check.
        assert schema.keys() <= ANNOTATIONS | KNOWN, path
        structure = {"$ref", "allOf", "if", "then", "items", "properties", "patternProperties"}
        assert schema.keys() - ANNOTATIONS - structure <= SPOKEN_KEYWORDS, path


def test_every_value_has_a_type() -> None:
    for path, schema in keys(SCHEMA):
        assert "type" in resolved(schema), path


# Times that tempo changes bring, and how long a recording is, are worked out, not written.
WORKED_OUT = {"later_times_ms", "later_pre_delays_ms", "seconds", "path"}
SETTINGS = [
    ("band", BandSettings),
    ("compressor", CompressorSettings),
    ("gate", ExpanderSettings),
    ("de_esser", DeEsserSettings),
    ("limiter", LimiterSettings),
    ("return", ReverbSettings),
    ("return", ImpulseSettings),
    ("return", DelaySettings),
    *(("insert", settings) for settings in INSERTS.values()),
]


@pytest.mark.parametrize(("name", "settings"), SETTINGS)
def test_bounds_are_those_of_the_processors(name: str, settings: type) -> None:
    bounds = bounds_of(settings)
    assert bounds or settings is INSERTS["plugin"]
    for key, bound in bounds.items():
        if key in WORKED_OUT:
            continue
        schema = properties(name)[key]
        assert (schema["minimum"], schema["maximum"]) == (bound.low, bound.high), key


@pytest.mark.parametrize(("name", "settings"), SETTINGS)
def test_defaults_are_those_of_the_processors(name: str, settings: Any) -> None:
    rules = {
        rule["if"]["properties"]["type"].get("const"): rule for rule in DEFS["insert"]["allOf"]
    }
    kinds = {kind: rules[name] for name, kind in INSERTS.items()}
    for entry in dataclasses.fields(settings):
        if entry.name in WORKED_OUT:
            continue
        schema = properties(name)[entry.name]
        if settings in kinds:  # some defaults go by the kind of insert
            schema = {**schema, **kinds[settings]["then"]["properties"].get(entry.name, {})}
        # A band's gain is either needed or not allowed; its Q goes by its type.
        if (name, entry.name) in {("band", "gain_db"), ("band", "q")} or entry.default == ():
            assert "default" not in schema
        elif entry.default in (dataclasses.MISSING, None):
            assert "default" not in schema, entry.name
        else:
            assert schema["default"] == entry.default, entry.name


def test_needed_keys_are_the_fields_without_default() -> None:
    def needed(settings: Any) -> set[str]:
        fields = dataclasses.fields(settings)
        return {field.name for field in fields if field.default is dataclasses.MISSING}

    assert set(DEFS["compressor"]["required"]) == needed(CompressorSettings)
    assert set(DEFS["band"]["required"]) == needed(BandSettings)
    assert set(DEFS["gate"]["required"]) == needed(ExpanderSettings)
    assert set(DEFS["de_esser"]["required"]) == needed(DeEsserSettings)
    assert needed(LimiterSettings) == set()
    for rule in DEFS["insert"]["allOf"]:
        settings = INSERTS[rule["if"]["properties"]["type"]["const"]]
        assert set(rule["then"].get("required", ())) == needed(settings)


def test_an_insert_takes_the_keys_of_its_kind_alone() -> None:
    every = set(properties("insert")) - {"type", "why"}
    for rule in DEFS["insert"]["allOf"]:
        settings = INSERTS[rule["if"]["properties"]["type"]["const"]]
        refused = {key for key, part in rule["then"]["properties"].items() if part == NEVER}
        own = {field.name for field in dataclasses.fields(settings)} - WORKED_OUT
        assert every - refused == own


def test_band_types_and_slopes() -> None:
    assert properties("band")["type"]["enum"] == list(get_args(BandType))
    assert properties("band")["slope_db_per_oct"]["enum"] == list(SLOPES_DB_PER_OCT)


def test_default_q_goes_by_type() -> None:
    found: dict[str, float] = {}
    for rule in DEFS["band"]["allOf"]:
        kind = rule["if"]["properties"]["type"]
        default = rule["then"]["properties"].get("q", {}).get("default")
        if default is not None:
            found.update(dict.fromkeys(kind.get("enum", [kind.get("const")]), default))
    assert found == DEFAULT_Q


POSITION = {"section", "bar", "beat", "s"}
PARTS = [
    ("track", model.Track, {"name", "covers"}, set()),
    ("group", model.Group, {"name"}, set()),
    ("mix_bus", model.Bus, set(), set()),
    ("variant", deliverables.Variant, {"name"}, set()),
    ("cover", deliverables.Cover, {"at"}, POSITION),
    ("loudness", deliverables.Loudness, set(), set()),
    ("labels", deliverables.Labels, set(), set()),
    ("compressor", model.Compressor, {"settings"}, set()),
    ("gate", model.Gate, {"settings"}, set()),
    ("de_esser", model.DeEsser, {"settings"}, set()),
    ("limiter", model.Limiter, {"settings"}, set()),
    ("insert", model.Insert, {"settings"}, {"type"}),
    ("band", model.Band, {"settings"}, set()),
    ("return", model.Return, {"name", "effect"}, {"type", "impulse"}),
    ("track_automation", model.TrackAutomation, {"sends_db"}, set()),
    ("gain_point", model.Point, {"at"}, POSITION),
]


@pytest.mark.parametrize(("name", "part", "only_model", "only_sheet"), PARTS)
def test_keys_are_the_fields_of_the_model(
    name: str, part: Any, only_model: set[str], only_sheet: set[str]
) -> None:
    expected = {field.name for field in dataclasses.fields(part)} - only_model | only_sheet
    inner: dict[str, list[type]] = {
        "compressor": [CompressorSettings],
        "band": [BandSettings],
        "gate": [ExpanderSettings],
        "de_esser": [DeEsserSettings],
        "limiter": [LimiterSettings],
        "insert": list(INSERTS.values()),
        "return": [ReverbSettings, ImpulseSettings, DelaySettings],
    }
    for settings in inner.get(name, []):
        expected |= {field.name for field in dataclasses.fields(settings)} - WORKED_OUT
    assert set(properties(name)) == expected


@pytest.mark.parametrize(("name", "part", "only_model", "_"), PARTS)
def test_defaults_are_those_of_the_model(
    name: str, part: Any, only_model: set[str], _: Any
) -> None:
    in_words = {
        ("track", "pan"): "C",
        ("compressor", "makeup_db"): "matched",
        ("cover", "level_db"): "off",
    }
    # One of the two has to be given.
    without = {("cover", "for_beats"), ("cover", "for_ms")}
    for field in dataclasses.fields(part):
        if field.name in only_model:
            continue
        schema = properties(name)[field.name]
        if (name, field.name) in in_words:
            assert schema["default"] == in_words[name, field.name]
        elif isinstance(field.default, str | int | float) and (name, field.name) not in without:
            assert schema["default"] == field.default, field.name
        elif field.name == "formats":
            assert tuple(schema["default"]) == field.default
        else:
            assert "default" not in schema, field.name


def test_song_and_sheet_have_the_keys_of_the_model() -> None:
    song = SCHEMA["properties"]["song"]
    assert set(song["properties"]) == {field.name for field in dataclasses.fields(model.Song)}
    tempo = song["properties"]["tempo"]["items"]["properties"]
    assert set(tempo) == {field.name for field in dataclasses.fields(TempoChange)}
    sections = song["properties"]["sections"]["items"]["properties"]
    assert set(sections) == {field.name for field in dataclasses.fields(Section)}
    references = SCHEMA["properties"]["references"]["items"]["properties"]
    assert set(references) == {field.name for field in dataclasses.fields(model.Reference)}
    release = SCHEMA["properties"]["release"]["properties"]
    labels = {field.name for field in dataclasses.fields(deliverables.Labels)}
    assert set(release) == labels | {"file_name"}
    assert {key: release[key] for key in labels} == DEFS["labels"]["properties"]
    parts = {field.name for field in dataclasses.fields(model.Sheet)} - {"path", "spans", "sha256"}
    assert set(SCHEMA["properties"]) == parts | {"format"}
    assert SCHEMA["properties"]["format"]["const"] == FORMAT


def test_closed_lists_are_those_of_the_model() -> None:
    assert properties("track")["role"]["enum"] == list(ROLES)
    for name, part, words in (
        ("track", model.Track, ("polarity",)),
        ("variant", deliverables.Variant, ("split_by", "sum", "bus_gain", "dither")),
        ("band", BandSettings, ("on",)),
        ("compressor", CompressorSettings, ("detector",)),
        ("gain_point", model.Point, ("shape",)),
    ):
        for key in words:
            hint = get_type_hints(part)[key]
            literals = [word for arg in get_args(hint) for word in (get_args(arg) or (arg,))]
            assert properties(name)[key]["enum"] == [w for w in literals if isinstance(w, str)]


def test_a_variant_knows_the_formats_standards_and_rates_of_the_rest() -> None:
    assert sorted(properties("variant")["formats"]["items"]["enum"]) == sorted(FORMATS)
    rates_hz = properties("variant")["sample_rates_hz"]["items"]["enum"]
    assert rates_hz == SCHEMA["properties"]["song"]["properties"]["sample_rate_hz"]["enum"]
    delivery = SCHEMA["properties"]["delivery"]["properties"]
    for key in ("standard", "integrated_lufs", "true_peak_dbtp"):
        own, asked = properties("loudness")[key], delivery[key]
        assert {k: v for k, v in own.items() if k != "description"} == {
            k: v for k, v in asked.items() if k != "description"
        }


def test_notes_are_those_of_the_timeline() -> None:
    schema = properties("return")["note"]
    assert properties("return")["pre_delay_note"]["pattern"] == schema["pattern"]
    fits = SchemaCheck(schema).fits
    for name in NOTE_NAMES:
        for feel in NOTE_FEELS:
            note = name if feel == "straight" else f"{name} {feel}"
            assert fits(note)
            assert note_to_beats(note) > 0.0
    assert not any(map(fits, ("1/8 straight", "1/3", "1/64", "8", "1/8  dotted", "1/8dotted")))


@pytest.mark.parametrize("pan", ["C", "L1", "L100", "R9", "R50"])
def test_a_pan(pan: str) -> None:
    assert SchemaCheck(DEFS["pan"]).fits(pan)


@pytest.mark.parametrize("pan", ["", "c", "L", "L0", "L101", "R1000", "L-5", "LC", "C0", "R1.5", 0])
def test_no_pan(pan: Any) -> None:
    assert not SchemaCheck(DEFS["pan"]).fits(pan)


# Our check against a schema library

ODD: list[Any] = [
    None, "x", "off", True, -1, 0, 3, 2.5, 1e9, [], {}, [1, 1.0], {"a": 1}, ["lead_vocal"],
    "delay", "bell", "C", {"bar": 1, "value": 1},
]  # fmt: skip
KEYS = ["why", "treshold", "q", "bar", "beat", "over_ms", "key", "gain_db", "note", "sum"]


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path of every value."""
    yield path
    if isinstance(value, dict):
        for key, item in value.items():
            yield from places(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from places(item, (*path, index))


def changed(value: Any, path: tuple[Any, ...], chance: random.Random) -> Any:
    """A copy with something odd at a path: another value, none, or one more key beside it."""
    value = copy.deepcopy(value)
    parent = value
    for key in path[:-1]:
        parent = parent[key]
    act = chance.choice(("replace", "remove", "add"))
    if act == "replace":
        parent[path[-1]] = copy.deepcopy(chance.choice(ODD))
    elif act == "remove":
        del parent[path[-1]]
    elif isinstance(parent, dict):
        parent[chance.choice(KEYS)] = copy.deepcopy(chance.choice(ODD))
    return value


def test_our_check_agrees_with_a_schema_library() -> None:
    chance = random.Random(1)
    value = read_tree(load_text(GOOD / "every_key.yaml")).value
    ours, full = SchemaCheck(SCHEMA), jsonschema.Draft202012Validator(SCHEMA)
    assert ours.fits(value)
    assert full.is_valid(value)
    paths = [path for path in places(value) if path]
    answers = {True: 0, False: 0}
    for path in chance.choices(paths, k=400):
        # The library is slow: what can't be told from the rest of the sheet is left out.
        needed = {"tracks": {"bass": value["tracks"]["bass"]}}
        near = {key: value[key] for key in ("format", "song", path[0])}
        odd = changed(needed | near, path, chance)
        misfits = [(misfit.path, misfit.keyword) for misfit in ours.misfits(odd)]
        errors = [(tuple(error.absolute_path), error.validator) for error in full.iter_errors(odd)]
        # The library tells of each key that is missing by itself.
        assert misfits == list(dict.fromkeys(errors)), (path, odd)
        assert ours.fits(odd) is (not errors)
        answers[not errors] += 1
    assert min(answers.values()) > 30, "the changes try both answers"


def test_our_check_takes_the_bounds_and_nothing_beyond() -> None:
    bounded = [resolved(schema) for _, schema in keys(SCHEMA) if "minimum" in resolved(schema)]
    assert len(bounded) > 40
    for schema in bounded:
        fits = SchemaCheck(SCHEMA).fits_part
        low, high = schema["minimum"], schema["maximum"]
        assert [fits(value, schema) for value in (low, high)] == [True, True]
        assert [fits(value, schema) for value in (low - 1, high + 1)] == [False, False]


def test_the_schema_is_found_in_both_kinds_of_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = tmp_path / "engine" / "mixwright" / "sheet" / "schema.py"
    monkeypatch.setattr(schema_module, "__file__", str(module))
    assert schema_path() == tmp_path / "schemas" / SCHEMA_FILE
    inside = module.parents[1] / "schemas" / SCHEMA_FILE
    inside.parent.mkdir(parents=True)
    inside.touch()
    assert schema_path() == inside


def test_a_good_sheet_needs_no_slow_imports(tmp_path: Path) -> None:
    path = tmp_path / "mix.yaml"
    shutil.copy(GOOD / "smallest.yaml", path)
    (tmp_path / "piano.wav").touch()
    code = (
        "import sys; from mixwright.sheet import load_sheet; load_sheet(sys.argv[1]); "
        "print([m for m in ('numba', 'scipy', 'soundfile', 'jsonschema') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True,
        text=True,
        check=True,
        env={"PYTHONPATH": str(Path(model.__file__).parents[2])},
    )
    assert done.stdout.strip() == "[]"
