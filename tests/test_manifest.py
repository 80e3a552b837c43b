"""The manifest: its text, its schema, its reading, and the hashes that it is made of."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from conftest import SongMaker, noise
from mixwright.audio import fingerprint, probe
from mixwright.delivering import hashes, manifest, orders
from mixwright.delivering.manifest import (
    FileMeters,
    FormerEntry,
    InputEntry,
    MadeBy,
    MadeWith,
    Manifest,
    OutputEntry,
    Platform,
    SheetEntry,
    SongName,
    manifest_text,
    read_manifest,
)
from mixwright.delivering.orders import digest_of, orders_of
from mixwright.delivering.strangers import still_made_with
from mixwright.problem import Fault, ProblemError
from mixwright.rendering import make_plan
from mixwright.rendering.cache import DataCache
from mixwright.rendering.identity import contents_of
from mixwright.rendering.session import Session
from mixwright.sheet import load_sheet

A, B = "a" * 64, "b" * 64
OUTPUT = OutputEntry(
    "stems/bass.wav",
    "stems",
    "bass",
    A,
    B,
    1234,
    "wav24",
    48000,
    96000,
    2.0,
    FileMeters(-14.0, None, -1.0, -1.25),
    -2.5,
    0.5,
    "stems wav24",
    "tpdf",
    A,
)
EARLIER = MadeWith(
    MadeBy("0.0.9", 1, "3.11.0", {"numpy": "1.9"}), Platform("Linux", "x86_64", "old")
)
WHOLE = Manifest(
    SongName("Ebb", "Lanterns at Low Tide"),
    SheetEntry("../mix.yaml", A),
    MadeBy("0.1.0", 2, "3.11.0", {"numpy": "2.0"}),
    Platform("Linux", "x86_64", "cedar", "avx fma"),
    (InputEntry("stems/bass.wav", B, 100, 48000, 1, 24),),
    (dataclasses.replace(OUTPUT, made_with=EARLIER),),
    (FormerEntry("old.wav", A, "main"), FormerEntry("unlisted.wav", B)),
    (dataclasses.replace(OUTPUT, sha256=A, made_with=EARLIER),),
    ".mixwright-deliver-x1_y",
)
SCHEMA: dict[str, Any] = json.loads(manifest.schema_path(manifest.SCHEMA_FILE).read_text("utf-8"))


def saved(data: Any, folder: Path) -> Path:
    (folder / "manifest.json").write_text(data if isinstance(data, str) else json.dumps(data))
    return folder / "manifest.json"


def test_what_is_written_is_read_again_and_fits_the_schema(tmp_path: Path) -> None:
    text = manifest_text(WHOLE)
    assert read_manifest(saved(text, tmp_path)) == WHOLE
    assert read_manifest(tmp_path) == WHOLE, "the folder does as well"
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(json.loads(text), SCHEMA, cls=jsonschema.Draft202012Validator)
    assert text.startswith('{\n  "format": 1,\n')
    assert text.endswith("}\n")


def test_the_order_of_entries_does_not_show() -> None:
    one = dataclasses.replace(OUTPUT, file="a.wav")
    texts = {
        manifest_text(dataclasses.replace(WHOLE, outputs=order))
        for order in ((one, OUTPUT), (OUTPUT, one))
    }
    assert len(texts) == 1


def test_what_is_no_finite_number_is_null() -> None:
    meters = FileMeters(-math.inf, math.nan, float(np.float64(-1.5)), math.inf)
    silent = dataclasses.replace(OUTPUT, meters=meters)
    found = json.loads(manifest_text(dataclasses.replace(WHOLE, outputs=(silent,))))
    assert list(found["outputs"][0]["meters"].values()) == [None, None, -1.5, None]


def described(schema: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every key of the schema with what is said of it, a reference followed."""
    for key, part in schema.get("properties", {}).items():
        yield f"{path}/{key}", part
        yield from described(part, f"{path}/{key}")
    if "$ref" in schema:
        yield from described(SCHEMA["$defs"][schema["$ref"].removeprefix("#/$defs/")], path)
    if "items" in schema:
        yield from described(schema["items"], f"{path}[]")


def test_every_key_has_a_title_and_says_its_unit() -> None:
    units = {"db": "dB", "dbfs": "dBFS", "dbtp": "dBTP", "lufs": "LUFS", "lu": "LU", "hz": "Hz"}
    found = dict(described(SCHEMA))
    assert len(found) > 50
    for path, part in found.items():
        assert part.get("title"), path
        assert part.get("description", "").endswith("."), path
        if (unit := units.get(path.rpartition("_")[2])) is not None:
            assert unit in part["description"], path


def test_schema_and_model_name_the_same_keys() -> None:
    def keys(value: Any, path: str = "") -> Iterator[str]:
        for name, item in value.items():
            yield f"{path}/{name}"
            if isinstance(item, dict) and name != "libraries":
                yield from keys(item, f"{path}/{name}")
            elif isinstance(item, list):
                for part in item:
                    yield from keys(part, f"{path}/{name}[]")

    assert set(keys(json.loads(manifest_text(WHOLE)))) == set(dict(described(SCHEMA)))


def test_this_machine_is_told_in_families_and_versions(tmp_path: Path) -> None:
    tool = manifest.this_tool()
    assert {"numpy", "scipy", "numba", "soundfile", "libsndfile", "soxr", "mutagen"} <= set(
        tool.libraries
    )
    assert all(re.match(r"\d+\.\d+", version) for version in tool.libraries.values())
    whole = dataclasses.replace(WHOLE, made_by=tool, platform=manifest.this_platform())
    assert read_manifest(saved(manifest_text(whole), tmp_path)) == whole
    assert str(Path.home()) not in manifest_text(whole)
    assert not re.search(rf"\b{re.escape(os.uname().nodename)}\b", manifest_text(whole))


def test_the_processor_is_what_code_is_compiled_for(monkeypatch: pytest.MonkeyPatch) -> None:
    here = manifest.this_platform()
    assert here.processor
    if here.machine == "x86_64":
        assert here.instructions is not None
        assert "sse2" in here.instructions.split()
        assert "aes" not in here.instructions.split(), "it changes no sample"
    code = "from mixwright.delivering.manifest import this_platform; print(this_platform())"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": "+sse2,-avx,+aes"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert "processor='generic', instructions='sse2'" in done.stdout


def test_a_manifest_from_before_the_processor_was_named_is_read(tmp_path: Path) -> None:
    data = json.loads(manifest_text(WHOLE))
    del data["platform"]["processor"], data["platform"]["instructions"]
    del data["outputs"][0]["made_with"], data["replacing"][0]["made_with"]
    read = read_manifest(saved(data, tmp_path))
    assert read.platform == Platform("Linux", "x86_64")
    assert read.outputs == (OUTPUT,)
    assert read_manifest(saved(manifest_text(read), tmp_path)) == read


def test_what_is_kept_says_what_it_was_made_with() -> None:
    old = dataclasses.replace(WHOLE, outputs=(OUTPUT,))
    new = dataclasses.replace(old, made_by=EARLIER.made_by, platform=EARLIER.platform)
    (kept,) = still_made_with(old, new)
    assert kept.made_with == MadeWith(old.made_by, old.platform)
    (still,) = still_made_with(dataclasses.replace(new, outputs=(kept,)), new)
    assert still == kept
    (back,) = still_made_with(dataclasses.replace(new, outputs=(kept,)), old)
    assert back == OUTPUT, "as the manifest says again"


Change = Callable[[dict[str, Any]], object]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d.pop("sheet"), "it has no sheet"),
        (lambda d: d["outputs"][0].pop("sha256"), "outputs[0] has no sha256"),
        (lambda d: d["song"].update(colour="red"), "song has an unknown key colour"),
        (lambda d: d.update(inputs={}), "inputs is of the wrong kind, expected a list"),
        (
            lambda d: d["outputs"][0].update(stem=5),
            "outputs[0].stem is of the wrong kind, expected a string or null",
        ),
        (
            lambda d: d["sheet"].update(sha256="beef"),
            'sheet.sha256 is "beef", expected a hash',
        ),
        (
            lambda d: d["outputs"][0].update(file="../x.wav"),
            'outputs[0].file is "../x.wav", expected a path inside its folder',
        ),
        (
            lambda d: d.update(staged="../.mixwright-deliver-x"),
            'staged is "../.mixwright-deliver-x", expected a path inside its folder',
        ),
        (lambda d: d["inputs"][0].update(bytes=-1), "inputs[0].bytes is -1, expected at least 0"),
        (lambda d: d["inputs"][0].update(channels=3), "inputs[0].channels is 3, expected 1 or 2"),
        (
            lambda d: d["outputs"][0].update(dither="none"),
            'outputs[0].dither is "none", expected tpdf or shaped or null',
        ),
        (lambda d: d["outputs"][0].update(channels=1), "outputs[0].channels is 1, expected 2"),
        (lambda d: d["outputs"][0].update(format=""), 'format is "", expected some text'),
        (lambda d: d.update(format=0), "format is 0, expected 1"),
        (lambda d: d.update(format=2), "format 2 is newer than this mixwright reads (1)"),
    ],
)
def test_what_does_not_fit_is_said_with_its_key(change: Change, said: str, tmp_path: Path) -> None:
    data = json.loads(manifest_text(WHOLE))
    change(data)
    with pytest.raises(ProblemError, match=re.escape(said)) as caught:
        read_manifest(saved(data, tmp_path))
    assert {problem.fault for problem in caught.value.problems} == {Fault.INPUT}


def test_every_keyword_of_the_schema_that_can_fail_has_words() -> None:
    def keywords(schema: Any) -> Iterator[str]:
        if isinstance(schema, dict):
            yield from schema
            named = ("properties", "$defs")
            for key, part in schema.items():
                for inner in part.values() if key in named else [part]:
                    yield from keywords(inner)

    quiet = {"$schema", "$id", "$defs", "$ref", "title", "description", "properties", "items"}
    spoken = {"required", "additionalProperties", "type", "const", "enum", "minimum"}
    assert set(keywords(SCHEMA)) - quiet == spoken | {"minLength", "pattern"}


@pytest.mark.parametrize(
    "text",
    ["", "format: 1", "{" * 100_000, '{"format": NaN}', '{"a": "\\ud800"}', "[1", "9" * 5000],
)
def test_what_is_not_json_is_refused_as_such(text: str, tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="is not JSON"):
        read_manifest(saved(text, tmp_path))


@pytest.mark.parametrize("text", ["[]", "null", '"manifest"', "1"])
def test_json_of_another_kind_is_refused(text: str, tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="it is of the wrong kind, expected an object"):
        read_manifest(saved(text, tmp_path))


def test_no_manifest_no_text_and_one_that_cannot_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for path in (tmp_path, tmp_path / "nowhere", tmp_path / "nul\0"):
        with pytest.raises(ProblemError, match="there is no manifest at"):
            read_manifest(path)
    (tmp_path / "manifest.json").write_bytes(b"\xff\xfe")
    with pytest.raises(ProblemError, match="is not JSON"):
        read_manifest(tmp_path)

    def refuse(path: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(ProblemError, match="can't be read: Permission denied") as caught:
        read_manifest(tmp_path)
    assert caught.value.problems[0].fault is Fault.MACHINE


# Hashes.


def test_sha_256_is_that_of_the_standard(tmp_path: Path) -> None:
    # The second example of FIPS 180-2, and the standard library on more than a buffer.
    path = tmp_path / "x"
    path.write_bytes(b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq")
    assert hashes.sha256_of(path).startswith("248d6a61d20638b8e5c026930c3e6039")
    path.write_bytes(bytes(range(256)) * 4096)
    assert hashes.sha256_of(path) == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_stem_is_hashed_once_and_again_when_it_changed(
    make_song: SongMaker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stem = make_song({"bass": (noise(1, 0.01), "")}).parent / "stems" / "bass.wav"
    cache = DataCache(tmp_path / "cache", "hashes")
    info, counted = probe(stem), []

    def count(path: Path) -> str:
        counted.append(path)
        return hashlib.sha256(path.read_bytes()).hexdigest()

    monkeypatch.setattr(fingerprint, "sha256_of", count)
    # One that has only just been written could be again, and its times would not show it.
    first = fingerprint.content_of(stem, info.stamp, cache)
    assert [fingerprint.content_of(stem, info.stamp, cache), len(counted)] == [first, 2]
    monkeypatch.setattr(fingerprint, "SETTLED_S", -1.0)
    for again in range(2):
        monkeypatch.setattr(fingerprint, "_known", {})  # as in another run
        assert [fingerprint.content_of(stem, info.stamp, cache), len(counted)] == [first, 3], again
    raw = bytearray(stem.read_bytes())
    raw[-1] ^= 1
    stem.write_bytes(raw)
    os.utime(stem, ns=(info.stamp.modified_ns,) * 2)  # as old and as long as before
    other = fingerprint.content_of(stem, probe(stem).stamp, cache)
    assert other == hashlib.sha256(raw).hexdigest() != first
    assert len(counted) == 4


def test_stems_that_changed_are_each_named(make_song: SongMaker, tmp_path: Path) -> None:
    folder = make_song({n: (noise(1, 0.01), "") for n in ("a", "b", "c")}).parent / "stems"
    infos = [probe(folder / f"{name}.wav") for name in "abc"]
    hashes.check_unchanged(infos)
    (folder / "a.wav").unlink()
    (folder / "b.wav").write_bytes((folder / "b.wav").read_bytes())
    with pytest.raises(ProblemError) as caught:
        hashes.check_unchanged([*infos, *infos])
    removed, changed = caught.value.problems
    assert "a.wav was removed while" in removed.message
    assert "b.wav was changed while" in changed.message
    for problem in (removed, changed):
        assert (problem.rule, problem.fault) == ("deliver/stem-changed", Fault.MACHINE)


FULL_SHEET = (
    "returns: {hall: {type: reverb, decay_s: 0.3}}\n"
    "mix_bus: {limiter: {ceiling_dbtp: -1}, compressor: {threshold_db: -20, ratio: 2}}\n"
)


def digest(path: Path) -> str:
    """What a manifest says of the main mix."""
    sheet = load_sheet(path)
    orders = orders_of(sheet, make_plan)
    contents = contents_of(orders.stems, Session(1, keep_cache=False))
    return digest_of(orders.all[0], sheet, orders.main, contents)


def test_the_digest_of_a_plan_is_that_of_a_copy_elsewhere(
    make_song: SongMaker, tmp_path: Path
) -> None:
    track = "gain_db: -6, sends_db: {hall: -12}, eq: [{type: bell, freq_hz: 200, gain_db: -2}]"
    sheet = make_song({"bass": (noise(1, 0.1), track), "keys": (noise(2, 0.1), "")}, FULL_SHEET)
    before = digest(sheet)
    assert re.fullmatch("[0-9a-f]{64}", before)

    copy = tmp_path / "elsewhere"
    shutil.copytree(sheet.parent / "stems", copy / "stems", copy_function=shutil.copyfile)
    shutil.copyfile(sheet, copy / "song.yaml")
    assert digest(copy / "song.yaml") == before

    changes = {
        "a setting": sheet.read_text("utf-8").replace("gain_db: -6", "gain_db: -6.000001"),
        "an EQ": sheet.read_text("utf-8").replace("200", "201"),
        "the limiter": sheet.read_text("utf-8").replace("ceiling_dbtp: -1", "ceiling_dbtp: -2"),
    }
    others = {}
    for what, text in changes.items():
        assert text != sheet.read_text("utf-8"), what
        (copy / "song.yaml").write_text(text, "utf-8")
        others[what] = digest(copy / "song.yaml")
    assert len({before, *others.values()}) == 4

    shutil.copyfile(sheet, copy / "song.yaml")
    raw = bytearray((copy / "stems" / "keys.wav").read_bytes())
    raw[-1] ^= 1
    (copy / "stems" / "keys.wav").write_bytes(raw)
    assert digest(copy / "song.yaml") not in {before, *others.values()}


def test_what_more_a_digest_takes_in(make_song: SongMaker, monkeypatch: pytest.MonkeyPatch) -> None:
    sheet = make_song({"bass": (noise(1, 0.01), "")})
    text = sheet.read_text("utf-8")
    found = [digest(sheet)]
    for more in (
        "{formats: [wav16]}",
        "{formats: [wav24], fade_in_s: 0.001}",
        "{formats: [wav24], loudness: {integrated_lufs: -20, true_peak_dbtp: -1}}",
        "{formats: [wav24], sample_rates_hz: [44100]}",
    ):
        sheet.write_text(f"{text}variants: {{main: {more}}}\n", "utf-8")
        found.append(digest(sheet))
    sheet.write_text(text.replace("Test", "Other"), "utf-8")
    found.append(digest(sheet))
    monkeypatch.setattr(orders, "SOUND", 99)
    found.append(digest(sheet))
    assert len(set(found)) == len(found)
