"""The cache: what is damaged, foreign or mixed up is measured again, and never changes a mix.

And with --no-cache nothing of it is read or written, whatever the command.
"""

from __future__ import annotations

import json
import math
import os
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

import mixwright
from conftest import SongMaker, noise
from mixwright import cli
from mixwright.audio import fingerprint, vouching
from mixwright.measuring.kept_findings import from_data
from mixwright.places import cache_folder
from mixwright.rendering import cache as cache_module
from mixwright.rendering.cache import DISK_BLOCK_BYTES, MOST_BYTES, DataCache, NumberCache
from test_claims import aged

DEPENDS = "what it depends on"
SETTINGS = (
    "eq: [{type: bell, freq_hz: 300, gain_db: 6, q: 1}], compressor: {threshold_db: -30, ratio: 3}"
)


def entry_of(cache: DataCache, depends: str = DEPENDS) -> Path:
    return cache._path(depends)


@pytest.fixture
def cache(tmp_path: Path) -> NumberCache:
    """A cache that holds 1.5 dB."""
    cache = NumberCache(tmp_path / "kept")
    cache.put(DEPENDS, 1.5)
    return cache


def test_what_was_kept_is_recalled_by_all_that_it_depends_on(cache: NumberCache) -> None:
    assert cache.get(DEPENDS) == 1.5
    assert cache.get(DEPENDS + " ") is None
    assert json.loads(entry_of(cache).read_text())["value"] == 1.5
    assert sorted(entry.name for entry in entry_of(cache).parents[1].iterdir()) == [
        entry_of(cache).parent.name
    ]


def poisoned(data: bytes) -> bytes:
    return data.replace(b"1.5", b"2.5")


def unsealed(data: bytes) -> bytes:
    return json.dumps({"value": json.loads(data)["value"]}).encode()


@pytest.mark.parametrize(
    "damage",
    [
        poisoned,
        unsealed,
        lambda data: data[: len(data) // 2],
        lambda data: data[:-1],
        lambda data: b"",
        lambda data: bytes(len(data)),  # as after a power cut
        lambda data: data.replace(b"1.5", b"NaN"),
        lambda data: data.replace(b"1.5", b"1e300"),
        lambda data: data.replace(b"1.5", b"1e999"),
        lambda data: data.replace(b"1.5", b'"1.5"'),
        lambda data: data.replace(b"1.5", b"[1.5]"),
        lambda data: b"[" * 100_000,
        lambda data: b"null",
        lambda data: b'{"seal": null, "value": 1.5}',
        lambda data: b"\xff" + data,
        lambda data: data + b" " * MOST_BYTES,
        lambda data: b"9" * 5000,
    ],
)
def test_a_damaged_entry_is_not_believed(
    cache: NumberCache, damage: Callable[[bytes], bytes]
) -> None:
    path = entry_of(cache)
    path.write_bytes(damage(path.read_bytes()))
    assert cache.get(DEPENDS) is None
    cache.put(DEPENDS, 1.5)
    assert cache.get(DEPENDS) == 1.5


@given(st.data())
def test_no_byte_of_an_entry_can_be_changed_unnoticed(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    cache = NumberCache(tmp_path_factory.getbasetemp() / "bytes")
    cache.put(DEPENDS, 1.5)
    path = entry_of(cache)
    whole = bytearray(path.read_bytes())
    at = data.draw(st.integers(0, len(whole) - 1))
    whole[at] ^= data.draw(st.integers(1, 255))
    path.write_bytes(whole)
    assert cache.get(DEPENDS) in (None, 1.5)


def test_an_entry_under_anothers_name_or_of_another_kind_is_not_believed(
    cache: NumberCache, tmp_path: Path
) -> None:
    for other, depends in ((cache, "another track"), (DataCache(tmp_path / "kept", "hashes"), "")):
        path = entry_of(other, depends or DEPENDS)
        path.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(entry_of(cache), path)
        assert other.get(depends or DEPENDS) is None


@pytest.mark.parametrize("value", [math.nan, math.inf, 1e300, 13001.0, 1, True, "1.5", None, [1.5]])
def test_no_level_is_kept_that_no_sound_can_have(cache: NumberCache, value: Any) -> None:
    DataCache.put(cache, DEPENDS, value)  # with a seal of ours
    assert cache.get(DEPENDS) is None


def test_whatever_lies_in_an_entrys_place_stops_nothing(cache: NumberCache, tmp_path: Path) -> None:
    path = entry_of(cache)
    whole = path.read_bytes()
    (tmp_path / "elsewhere").write_bytes(whole)

    def linked() -> None:
        path.symlink_to(tmp_path / "elsewhere")

    def unreadable() -> None:
        path.write_bytes(whole)
        path.chmod(0)

    kinds: list[Callable[[], object]] = [path.mkdir, linked, partial_pipe(path)]
    for made in kinds if os.geteuid() == 0 else [*kinds, unreadable]:
        path.unlink()
        made()
        assert answered(lambda: cache.get(DEPENDS)) == [None]
        cache.put(DEPENDS, 1.5)
        if path.is_dir():
            assert cache.get(DEPENDS) is None
            path.rmdir()
            path.touch()
        else:
            assert cache.get(DEPENDS) == 1.5
    assert (tmp_path / "elsewhere").read_bytes() == whole


def partial_pipe(path: Path) -> Callable[[], object]:
    return lambda: os.mkfifo(path)


def answered(ask: Callable[[], object]) -> list[object]:
    """What is answered within five seconds."""
    found: list[object] = []
    asking = threading.Thread(target=lambda: found.append(ask()), daemon=True)
    asking.start()
    asking.join(5.0)
    return found


def test_a_cache_that_can_not_be_written_to_is_as_good_as_none(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    cache = NumberCache(tmp_path / "file")
    cache.put(DEPENDS, 1.5)
    assert cache.get(DEPENDS) is None


# It does not grow without bound


def in_one_folder(cache: DataCache, count: int) -> list[str]:
    """What as many entries depend on that lie in one folder."""
    found: dict[str, list[str]] = {}
    for number in range(256 * count * count):
        depends = f"entry {number}"
        same = found.setdefault(entry_of(cache, depends).parent.name, [])
        same.append(depends)
        if len(same) == count:
            return same
    raise AssertionError("no folder has so many")


@pytest.mark.parametrize("full", [3, 5])
def test_what_was_not_asked_for_longest_goes_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, full: int
) -> None:
    monkeypatch.setattr(cache_module, "FULL_BYTES", full * DISK_BLOCK_BYTES)
    cache = NumberCache(tmp_path / "kept")
    *many, last = in_one_folder(cache, 7)
    for age_days, depends in enumerate(reversed(many)):
        cache.put(depends, 1.5)
        os.utime(entry_of(cache, depends), (0, time.time() - 86400 * (10 - age_days)))
    there = [depends for depends in many if entry_of(cache, depends).exists()]
    assert there == many[: full + 1]  # room is made for the next one when it comes
    oldest = there[-1]
    assert cache.get(oldest) == 1.5
    cache.put(last, 2.5)
    assert [one for one in many if entry_of(cache, one).exists()] == [*many[: full - 1], oldest]
    assert cache.get(last) == 2.5


def test_what_nobody_asks_for_in_half_a_year_goes_and_strangers_stay(cache: NumberCache) -> None:
    other = DEPENDS
    while entry_of(cache, other) == entry_of(cache) or (
        entry_of(cache, other).parent != entry_of(cache).parent
    ):
        other += "."
    stranger, linked = (
        entry_of(cache).parent / "mine.json",
        entry_of(cache).parent / f"{'c' * 62}.json",
    )
    stranger.write_text("mine")
    linked.symlink_to(stranger)
    for path in (entry_of(cache), stranger):
        aged(path, 182)
    cache.put(other, 2.5)
    assert entry_of(cache).exists()
    aged(entry_of(cache), 184)
    aged(stranger, 184)
    cache.put(other, 2.5)
    assert sorted(entry_of(cache).parent.iterdir()) == sorted(
        [entry_of(cache, other), stranger, linked]
    )


HAMMERING = """
import sys
from pathlib import Path
from mixwright.rendering import cache
cache.FULL_BYTES = 2 * cache.DISK_BLOCK_BYTES
kept = cache.NumberCache(Path(sys.argv[1]))
for turn in range(6):
    for number in range(int(sys.argv[2]), int(sys.argv[3])):
        found = kept.get(f"entry {number}")
        assert found in (None, float(number)), (number, found)
        kept.put(f"entry {number}", float(number))
"""


def test_several_processes_may_make_room_at_once(tmp_path: Path) -> None:
    words = [sys.executable, "-c", HAMMERING, str(tmp_path / "kept")]
    home = {"PYTHONPATH": os.pathsep.join(sys.path)}
    # What they keep overlaps, and comes to more than there is room for in many a folder.
    spans = [("0", "500"), ("250", "750"), ("0", "750")]
    running = [subprocess.Popen([*words, *span], env=os.environ | home) for span in spans]
    assert [one.wait() for one in running] == [0, 0, 0]
    folders = [*(tmp_path / "kept" / "levels").iterdir()]
    assert len(folders) > 200
    # Each may add one to what it left.
    assert max(len(list(folder.iterdir())) for folder in folders) <= 2 + len(spans)
    cache = NumberCache(tmp_path / "kept")
    found = [cache.get(f"entry {number}") for number in range(750)]
    assert all(one in (None, float(number)) for number, one in enumerate(found))
    assert sum(one is not None for one in found) > 300


def test_findings_of_another_making_are_not_believed() -> None:
    whole = {"class": "Finding", "kind": "dc", "track": "a", "severity": "look", "message": "odd"}
    assert from_data([whole]) is not None
    for change in ({"class": "dataclass"}, {"class": "nothing"}, {"kind2": 1}):
        assert from_data([whole | change]) is None
    for data in (None, 7, "text", [7], [[]], {"a": 1}):
        assert from_data(data) is None


# What a cache may do to a mix: nothing


@pytest.fixture
def song(make_song: SongMaker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A song with a cache of its own, empty, and a track that has to be decoded."""
    monkeypatch.setenv("MIXWRIGHT_CACHE", str(tmp_path / "cache"))
    tracks = {"bass": (noise(1, 0.5), SETTINGS), "keys": (noise(2, 0.5), SETTINGS)}
    sheet = make_song(tracks, "mix_bus: {compressor: {threshold_db: -20, ratio: 2}}\n")
    keys = sheet.parent / "stems" / "keys.wav"
    soundfile.write(keys, soundfile.read(keys)[0], 48000, format="FLAC", subtype="PCM_24")
    return sheet


def kept(kind: str = "*") -> list[Path]:
    return sorted(path for path in cache_folder().glob(f"{kind}/*/*") if path.is_file())


def test_a_poisoned_or_mixed_up_cache_does_not_change_a_mix(song: Path, tmp_path: Path) -> None:
    out = tmp_path / "mix.wav"
    fresh = mixwright.render(song, out, keep_cache=False).path.read_bytes()
    mixwright.render(song, out)
    levels = kept("levels")
    assert len(levels) >= 4
    texts = [path.read_text("utf-8") for path in levels]
    for path, other in zip(levels, texts[1:] + texts[:1], strict=True):
        path.write_text(other, "utf-8")  # each under the next one's name
    assert mixwright.render(song, out).path.read_bytes() == fresh
    for path in levels:
        data = json.loads(path.read_text("utf-8"))
        path.write_text(json.dumps(data | {"value": data["value"] + 6.0}), "utf-8")
    assert mixwright.render(song, out).path.read_bytes() == fresh


# What would change whatever is made, where it is believed. Not so a wrong hash of a stem: what is
# kept by the right one is not found then, and measured again.
POISON = {"levels": -6.0, "findings": [], "decoded": None}


@pytest.fixture
def known(monkeypatch: pytest.MonkeyPatch) -> list[tuple[DataCache, str]]:
    """Every entry that is kept, by its cache and all that it depends on."""
    found, put = [], DataCache.put

    def putting(cache: DataCache, depends: str, value: Any) -> None:
        found.append((cache, depends))
        put(cache, depends, value)

    monkeypatch.setattr(DataCache, "put", putting)
    return found


def poison(known: list[tuple[DataCache, str]]) -> None:
    """Put something wrong into every entry, with a seal of ours."""
    for cache, depends in list(known):
        if cache._folder is not None and cache._folder.name in POISON:
            DataCache.put(cache, depends, POISON[cache._folder.name])


@pytest.mark.parametrize(
    "words",
    [
        ["render", "--out", "OUT/mix.wav"],
        ["render", "--each-step", "--through", "dynamics", "--out", "OUT"],
        ["bypass", "bass", "eq", "--out", "OUT"],
        ["deliver", "--out", "OUT"],
        ["review", "--out", "OUT"],
    ],
    ids=lambda words: "-".join(words[:2]),
)
def test_without_the_cache_nothing_of_it_is_read_or_written(
    song: Path, words: list[str], tmp_path: Path, known: list[tuple[DataCache, str]]
) -> None:
    def run(folder: str, *more: str) -> dict[str, bytes]:
        vouching._known.clear()  # as in a run of its own
        fingerprint._known.clear()
        given = [word.replace("OUT", str(tmp_path / folder)) for word in words]
        assert cli.run([given[0], str(song), *given[1:], *more]) == 0
        made = [path for path in (tmp_path / folder).rglob("*") if path.is_file()]
        return {path.relative_to(tmp_path / folder).as_posix(): path.read_bytes() for path in made}

    fresh = run("fresh", "--no-cache")
    assert not cache_folder().exists()
    assert run("first") == fresh  # a cache changes nothing ...
    assert kept("decoded")
    assert kept("levels")
    poison(known)
    assert run("poisoned") != fresh  # ... unless it is wrong: so it is read here,
    before = {path: path.read_bytes() for path in kept()}
    assert run("without", "--no-cache") == fresh  # and not here
    assert {path: path.read_bytes() for path in kept()} == before


# Every command, and what to give it: none may do without the law below.
COMMANDS = {
    "bypass": ["SHEET", "bass", "eq", "--out", "OUT"],
    "check": ["SHEET"],
    "compare": ["OTHER", "SHEET"],
    "deliver": ["SHEET", "--out", "OUT"],
    "inspect": ["SHEET"],
    "log": ["SHEET"],
    "measure": ["SHEET"],
    "render": ["SHEET", "--out", "OUT/mix.wav"],
    "review": ["SHEET", "--out", "OUT"],
    "verify": ["OUT", "--rerender"],
}
NEVER_KEEP = {"demo", "schema", "tidy", "validate"}
MORE = [
    ("deliver", "FOLDER", "--only", "main"),
    ("inspect", "FOLDER/stems"),
    ("measure", "FOLDER/stems/keys.wav"),
    ("measure", "FOLDER/stems/keys.wav", "FOLDER/stems/bass.wav"),
    ("measure", "SHEET", "--against-references"),
    ("render", "SHEET", "--each-step", "--section", "two", "--out", "OUT"),
]


def test_every_command_is_held_to_the_law_of_the_cache() -> None:
    assert COMMANDS.keys() | NEVER_KEEP == set(cli.VERBS)
    for verb in COMMANDS:
        command = cli.root.get_command(None, verb)  # type: ignore[arg-type]
        assert command is not None
        assert "keep_cache" in {option.name for option in command.params}, verb


@pytest.mark.parametrize(
    "words", [*((verb, *words) for verb, words in COMMANDS.items()), *MORE], ids=" ".join
)
def test_without_the_cache_nothing_is_ever_kept(
    make_song: SongMaker, words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The song has whatever is kept: levels, decoded tracks, a reference, hashes, findings."""
    monkeypatch.setenv("MIXWRIGHT_CACHE", str(tmp_path / "cache"))
    rest = (
        "mix_bus: {compressor: {threshold_db: -20, ratio: 2}}\n"
        "references: [{file: stems/tone.flac}]\n"
        "variants: {main: {formats: [ogg]}}\n"
    )
    song = ", tempo: [{bar: 1, bpm: 120, beats_per_bar: 4}], sections: [{name: one, bar: 1}, "
    tracks = {"bass": (noise(1, 3), SETTINGS), "keys": (noise(2, 3), SETTINGS)}
    sheet = make_song(tracks, rest, f"{song}{{name: two, bar: 2}}]")
    keys = sheet.parent / "stems" / "keys.wav"
    samples = soundfile.read(keys)[0]
    for path in (keys, keys.with_name("tone.flac")):
        soundfile.write(path, samples, 48000, format="FLAC", subtype="PCM_24")
    other = sheet.with_name("other.yml")
    other.write_text(sheet.read_text("utf-8").replace("gain_db: 6", "gain_db: 4"), "utf-8")
    places = {"SHEET": sheet, "OTHER": other, "FOLDER": sheet.parent, "OUT": tmp_path / "made"}
    if words[0] == "verify":
        mixwright.deliver(sheet, places["OUT"], keep_cache=False)

    def run(*more: str) -> int:
        vouching._known.clear()  # as in a run of its own
        given = (
            re.sub("^(SHEET|OTHER|FOLDER|OUT)", lambda name: str(places[name[0]]), word)
            for word in words
        )
        return cli.run([*given, *more, *(["--force"] if words[0] == "render" else [])])

    assert run("--no-cache") in (0, 1)  # a check, and a comparison, may find something
    assert not (tmp_path / "cache").exists()
    run()
    # Else there was nothing to hold back; what is made again is always made anew.
    assert kept() or words[0] == "verify"


def test_a_hash_that_is_kept_is_not_read_without_the_cache(
    song: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, known: list[tuple[DataCache, str]]
) -> None:
    monkeypatch.setattr(fingerprint, "SETTLED_S", -1.0)
    fresh = mixwright.render(song, tmp_path / "mix.wav").path.read_bytes()
    hashes = [(cache, depends) for cache, depends in known if cache._folder == folder_of("hashes")]
    assert len(hashes) == 2
    (cache, bass), (_, keys) = hashes
    values = [cache.get(bass), cache.get(keys)]
    for depends, value in zip((bass, keys), reversed(values), strict=True):
        cache.put(depends, value)  # each the other's: so are the levels that are kept by them
    for keep_cache in (True, False):
        fingerprint._known.clear()
        made = mixwright.render(song, tmp_path / f"{keep_cache}.wav", keep_cache=keep_cache)
        assert (made.path.read_bytes() == fresh) is not keep_cache
    assert [cache.get(bass), cache.get(keys)] == values[::-1]


def folder_of(kind: str) -> Path | None:
    folder = cache_folder()
    return None if folder is None else folder / kind
