"""What a sound depends on: every setting changes what comes after it, and nothing else."""

from __future__ import annotations

import copy
import dataclasses
import math
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import mixwright
from conftest import SongMaker, noise
from mixwright.audio import StemInfo
from mixwright.dsp.curve import Curve
from mixwright.dsp.eq import BandRide
from mixwright.dsp.inserts import PluginSettings
from mixwright.places import cache_folder
from mixwright.problem import Fault, ProblemError
from mixwright.rendering import engine, make_plan
from mixwright.rendering.cache import FOREIGN, DataCache
from mixwright.rendering.identity import Sounds, contents_of, identity
from mixwright.rendering.mixing import MatchedMix
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import KEY_ONLY, Plan
from mixwright.rendering.session import Session
from mixwright.rendering.stages import InsertsStage
from mixwright.sheet import load_sheet

ON_ITS_OWN = Session(1, keep_cache=False)
COMPRESSOR = "{threshold_db: -30, ratio: 3%s}"
EQ = "eq: [{type: bell, freq_hz: 300, gain_db: 6, q: 1}]"
TRACKS = {
    "kick": f"group: drums, {EQ}",
    "snare": "group: drums, gate: {threshold_db: -40, key: kick}, sends_db: {hall: -6}",
    "bass": f"{EQ}, compressor: {COMPRESSOR % ', key: kick'}, sends_db: {{hall: -9, echo: -3}}",
    "vocal": "group: voices, pan: R20, de_esser: {freq_hz: 6000, threshold_db: -40}, "
    "inserts: [{type: saturation, drive_db: 6}], sends_db: {echo: -12}, "
    "automation: {gain_db: [{s: 0.02, value: -6}, {s: 0.05, value: 0}]}",
    "organ": "width_percent: 80",
}
REST = (
    f"groups: {{drums: {{compressor: {COMPRESSOR % ', key: bass'}, "
    "inserts: [{type: saturation, drive_db: 3}]}, voices: {gain_db: -1}}\n"
    "returns: {hall: {type: reverb, decay_s: 0.3}, "
    "echo: {type: delay, time_ms: 120, duck_db: 6, inserts: [{type: saturation, drive_db: 3}]}}\n"
    f"mix_bus: {{{EQ}, compressor: {COMPRESSOR % ''}, limiter: {{ceiling_dbtp: -1}}}}\n"
)
PARTS = ("eq", "gate", "compressor", "de_esser", "inserts")
Node = tuple[str, ...]


@pytest.fixture
def sheet(make_song: SongMaker) -> Path:
    """A song that has everything: keys, groups, sends, inserts, automation."""
    sounds = {name: noise(seed, 0.1, 1 + (name == "organ")) for seed, name in enumerate(TRACKS)}
    song = ", tempo: [{bar: 1, bpm: 240}], sections: [{name: verse, bar: 1}]"
    return make_song({name: (sounds[name], TRACKS[name]) for name in TRACKS}, REST, song)


def sounds_of(sheet: Path) -> Sounds:
    plan = make_plan(load_sheet(sheet))
    return Sounds(plan, contents_of(plan.sound_files, ON_ITS_OWN))


# Every field of a plan


def nodes_of(sounds: Sounds) -> dict[Node, str]:
    """Every sound of a mix by what it is."""
    plan = sounds.plan
    found: dict[Node, str] = {("bus",): sounds.bus, ("mix",): sounds.mix}
    for track in plan.tracks:
        found |= {("chain", track.name, part): sounds.of_chain(track, part) for part in PARTS}  # type: ignore[misc]
        found["track", track.name] = sounds.tracks[track.name]
    found |= {("sum", group or ""): sounds.of_sum(group) for group in (None, *sounds.groups)}
    found |= {("sends", part): sounds.of_sends(part) for part in sounds.returns}
    found |= {("group", name): one for name, one in sounds.groups.items()}
    return found | {("return", name): one for name, one in sounds.returns.items()}


def after(plan: Plan, starts: set[Node]) -> set[Node]:
    """All that lies downstream of some sounds, themselves included, as a signal takes its way."""
    leads: dict[Node, list[Node]] = {("bus",): [("mix",)]}
    for track in plan.tracks:
        chain = [("chain", track.name, part) for part in PARTS]
        for one, other in zip(chain, [*chain[1:], ("track", track.name)], strict=True):
            leads.setdefault(one, []).append(other)
        sent = [("sends", name) for name, _ in track.sends]
        leads["track", track.name] = [("sum", track.group or ""), *sent]
        for one in track.chain.stages:
            if one.key is not None:
                leads.setdefault(("chain", one.key, "eq"), []).append(
                    ("chain", track.name, one.kind)
                )
    for group in plan.groups:
        leads["sum", group.name] = [("group", group.name)]
        leads["group", group.name] = [("bus",)]
        for key in group.chain.keys:
            leads["chain", key, "eq"].append(("group", group.name))
    for part in plan.returns:
        leads["sends", part.name], leads["return", part.name] = [("return", part.name)], [("bus",)]
    leads["sum", ""] = [("bus",)]
    found: set[Node] = set()
    left = list(starts)
    while left:
        if (node := left.pop()) not in found:
            found.add(node)
            left += leads.get(node, [])
    return found


SOURCE = ("stem", "offset", "input_gain", "cut_at")
PLACED = ("fader", "mute", "pan", "width_percent", "cover")
UNHEARD = ("through", "sections")
OF_THE_MIX = ("limiter", "keep_from", "keep_to", "tail", "lead_in", "lead_out")
Steps = tuple[str | int, ...]


def another_group(name: str | None) -> str:
    """A group that a track is not in."""
    return "drums" if name == "voices" else "voices"


def entries(plan: Plan, path: Steps) -> set[Node]:
    """The sounds that a field comes into first; KeyError for one that nobody has thought of."""
    top, *inner = path
    if top in UNHEARD:
        return set()
    if top in ("rate_hz", "start"):
        return set(nodes_of(Sounds(plan, FakeContents())))
    if top == "end":
        # Levels are matched up to the end, those of EQs, compressors and inserts alike.
        matched = {
            ("chain", t.name, one.kind)
            for t in plan.tracks
            for one in t.chain.stages
            if one.is_matched
        }
        groups = [g for g in plan.groups if any(one.is_matched for one in g.chain.stages)]
        return matched | {("group", g.name) for g in groups} | {("bus",), ("mix",)}
    if top in OF_THE_MIX:
        return {("mix",)}
    if top == "mix_bus":
        return {("bus",)}
    assert isinstance(inner[0], int), "a change of length is a case of its own"
    index, key = inner[0], inner[1]
    strip = getattr(plan, str(top))[index]
    if key == "name":
        return set()
    if top == "returns":
        return {("return", strip.name)}
    if top == "groups":
        sent = {("sends", r) for t in plan.tracks if t.group == strip.name for r, _ in t.sends}
        return {("group", strip.name)} | (sent if key in ("fader", "mute") else set())
    if key == "chain":
        return {("chain", strip.name, strip.chain.stages[inner[3]].kind)}
    if key == "sends":
        return {("sends", strip.sends[inner[2]][0] if strip.sends else "hall")}
    if key == "group":
        return {
            ("sum", strip.group or ""),
            ("sum", another_group(strip.group)),
            *(("sends", r) for r, _ in strip.sends),
        }
    return (
        {("track", strip.name)}
        if key in PLACED
        else {("chain", strip.name, {*SOURCE} & {key} and "eq")}
    )  # type: ignore[arg-type]


class FakeContents(dict[StemInfo, str]):
    """Contents by file name."""

    def __missing__(self, info: StemInfo) -> str:
        return info.path.name


def other(value: Any) -> Any:
    """Something else; whether it makes sense is of no interest here."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return 1.25 if math.isinf(value) else value + 1
    if isinstance(value, str):
        return value + "x"
    return (value[:-1] or (1.25,)) if isinstance(value, tuple) else 1.25


def with_field(whole: Any, path: Steps, change: Callable[[Any], Any]) -> Any:
    """A copy with one thing in it changed, whatever its class thinks of it."""
    if not path:
        return change(whole)
    step, *rest = path
    if isinstance(step, int):
        return (*whole[:step], with_field(whole[step], tuple(rest), change), *whole[step + 1 :])
    made = copy.copy(whole)
    object.__setattr__(made, step, with_field(getattr(whole, step), tuple(rest), change))
    return made


def paths_of(value: Any, path: Steps = ()) -> Iterator[Steps]:
    """Every field of every dataclass in a plan; a recording is one thing."""
    if is_dataclass(value) and not isinstance(value, StemInfo):
        for one in fields(value):
            yield from paths_of(getattr(value, one.name), (*path, one.name))
    elif isinstance(value, tuple) and any(
        is_dataclass(one) or isinstance(one, tuple) for one in value
    ):
        for index, one in enumerate(value):
            yield from paths_of(one, (*path, index))
    else:
        yield path


# What not just anything can stand for.
GIVEN = {
    "key": "organ",
    "rides": (BandRide(7),),
    "sends": (("hall", Curve("dB", -6.0)),),
}


def test_every_field_changes_what_comes_after_it_and_nothing_else(sheet: Path) -> None:
    plan = make_plan(load_sheet(sheet))
    before, seen = nodes_of(Sounds(plan, FakeContents())), set()
    for path in paths_of(plan):
        if path[-1] == "name" and path[0] != "sections":
            continue  # a rename is another thing, see below
        if path[-1] in ("kind", "stages"):
            continue  # by a kind a stage is found, and nothing else; another one is not a field
        if path[0] == "tracks" and path[2] == "sends" and path[-1] == 0:
            continue  # the name of a return
        change = other if path[-1] not in GIVEN else lambda _, key=path[-1]: GIVEN[key]
        if path[-1] == "group":
            change = another_group
        elif path[-1] == "stem":
            change = lambda stem: replace(stem, path=Path("another.wav"))  # noqa: E731
        changed = with_field(plan, path, change)
        now = nodes_of(Sounds(changed, FakeContents()))
        differing = {node for node, one in now.items() if before[node] != one}
        assert differing == after(plan, entries(plan, path)), path
        seen.add(path[0])
    assert seen == {one.name for one in fields(Plan)}


def test_names_and_places_change_no_sound(sheet: Path) -> None:
    text = sheet.read_text("utf-8")
    before = sounds_of(sheet)
    for old, new in (("kick", "big_drum"), ("drums", "kit"), ("hall", "room"), ("verse", "bridge")):
        assert old in text
        text = text.replace(f"{old}:", f"{new}:").replace(f" {old}", f" {new}")
        text = text.replace(f"{{{old}", f"{{{new}")
    elsewhere = sheet.parent / "elsewhere" / "renamed.yaml"
    elsewhere.parent.mkdir()
    shutil.copytree(
        sheet.parent / "stems", elsewhere.parent / "stems", copy_function=shutil.copyfile
    )
    elsewhere.write_text(text, "utf-8")
    now = sounds_of(elsewhere)
    assert now.mix == before.mix
    assert {t.name for t in now.plan.tracks} - {t.name for t in before.plan.tracks} == {"big_drum"}
    plain = [*nodes_of(before).values()], [*nodes_of(now).values()]
    assert plain[0] == plain[1]


def test_the_order_of_a_sum_counts_and_that_of_others_does_not(sheet: Path) -> None:
    sounds = sounds_of(sheet)
    kick, snare, bass, vocal, organ = sounds.plan.tracks

    def ordered(*tracks: Any) -> Sounds:
        return replace(sounds, plan=replace(sounds.plan, tracks=tracks))

    apart = ordered(kick, snare, vocal, bass, organ)  # those of one sum as they were
    assert {n for n, one in nodes_of(apart).items() if nodes_of(sounds)[n] != one} == set() | (
        after(sounds.plan, {("sends", "echo")})
    )
    assert ordered(organ, kick, snare, bass, vocal).groups == sounds.groups
    assert ordered(organ, kick, snare, bass, vocal).mix != sounds.mix
    together = ordered(snare, kick, bass, vocal, organ)
    assert together.groups["drums"] != sounds.groups["drums"]
    assert together.groups["voices"] == sounds.groups["voices"]


def test_the_same_recording_under_two_names_is_the_same_sound(
    make_song: SongMaker, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    sound = noise(1, 0.2)
    sheet = make_song({"one": (sound, EQ), "two": (sound, EQ), "three": (noise(2, 0.2), EQ)})
    sounds = sounds_of(sheet)
    assert sounds.tracks["one"] == sounds.tracks["two"] != sounds.tracks["three"]

    copied = tmp_path / "copied"
    shutil.copytree(sheet.parent / "stems", copied / "stems")
    shutil.copyfile(sheet, copied / "mix.yaml")
    opened, strip = [], engine.TrackStrip
    monkeypatch.setattr(
        engine,
        "TrackStrip",
        lambda plan, *more, **named: opened.append(plan.name) or strip(plan, *more, **named),
    )
    parts = [PlannedMix(make_plan(load_sheet(path))) for path in (sheet, copied / "mix.yaml")]
    with performed(parts, Session(keep_cache=False), tmp_path) as done:
        old, new = (np.concatenate([*one.blocks()]) for one in done)
    assert opened == ["one", "two", "three"]  # a copy of the song is played along for nothing
    assert np.array_equal(old, new)


def test_what_mixes_share_has_its_readings_in_each(sheet: Path) -> None:
    plan = make_plan(load_sheet(sheet))
    louder = with_field(plan, ("tracks", 4, "fader", "initial"), lambda db: db + 6.0)
    fewer = replace(louder, tracks=louder.tracks[2:], groups=louder.groups[1:])
    fewer = replace(
        fewer, tracks=(replace(plan.tracks[0], group=KEY_ONLY, sends=()), *fewer.tracks)
    )
    contents = contents_of(plan.sound_files, ON_ITS_OWN)
    mixes = [MatchedMix(one, {}, Sounds(one, contents)) for one in (plan, louder, fewer)]
    with ThreadPoolExecutor(2) as pool, closing(engine.Engine(mixes, pool)) as running:
        for _ in running.blocks():
            pass
        first, second, third = (running.readings(index) for index in range(3))
    assert [*first] == [*TRACKS, "drums", "voices", "mix_bus"]
    for one in (second, third):
        for name, readings in one.items():
            same = readings.sound == first[name].sound
            assert same is (name not in ("organ", "mix_bus")), name
            assert (str(readings) == str(first[name])) is same
    assert first["bass"].reductions.keys() == {"bass.compressor"}
    organs = [one["organ"].peak or 0.0 for one in (first, second)]
    assert organs[1] == pytest.approx(10 ** (6 / 20) * organs[0])


def test_a_copy_of_a_song_measures_no_level_again(
    sheet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MIXWRIGHT_CACHE", str(tmp_path / "cache"))

    def levels() -> list[Path]:
        folder = cache_folder()
        assert folder is not None
        return sorted((folder / "levels").rglob("*.json"))

    mixwright.render(sheet, tmp_path / "a.wav")
    first = levels()
    assert len(first) >= 5
    copied = tmp_path / "copied"
    shutil.copytree(sheet.parent / "stems", copied / "stems", copy_function=shutil.copyfile)
    shutil.copyfile(sheet, copied / "mix.yaml")
    mixwright.render(copied / "mix.yaml", tmp_path / "b.wav")
    assert levels() == first
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


ASKING = """
import sys
from pathlib import Path
from mixwright.rendering import make_plan
from mixwright.rendering.identity import Sounds, contents_of
from mixwright.rendering.session import Session
from mixwright.sheet import load_sheet
plan = make_plan(load_sheet(Path(sys.argv[1])))
print(Sounds(plan, contents_of(plan.sound_files, Session(2, keep_cache=False))).mix)
"""


def test_it_is_the_same_in_any_run_and_in_any_language(sheet: Path) -> None:
    def asked(**settings: str) -> str:
        words = [sys.executable, "-c", ASKING, str(sheet)]
        home = {"PYTHONPATH": os.pathsep.join(sys.path)}
        return subprocess.run(
            words, env=os.environ | home | settings, check=True, capture_output=True, text=True
        ).stdout.strip()

    ways = [
        {"PYTHONHASHSEED": "1"},
        {"PYTHONHASHSEED": "2", "LC_ALL": "de_DE.UTF-8", "TZ": "Asia/Tokyo"},
    ]
    assert [asked(**way) for way in ways] == [sounds_of(sheet).mix] * 2


def test_parts_of_a_set_go_by_the_whole_and_by_those_before_them(sheet: Path) -> None:
    main = sounds_of(sheet)

    def part(*names: str) -> Sounds:
        tracks = tuple(t for t in main.plan.tracks if t.name in names)
        return replace(main, plan=replace(main.plan, tracks=tracks), lead=main)

    assert replace(main, lead=main).mix == main.mix
    drums, all_of_it = part("kick", "bass"), part(*TRACKS)
    assert drums.tracks["kick"] == main.tracks["kick"]
    assert drums.groups["drums"] not in (
        main.groups["drums"],
        replace(drums, lead=None).groups["drums"],
    )
    assert nodes_of(all_of_it) == nodes_of(main)
    first, later = part("kick", "bass", "organ"), part("snare", "vocal", "bass", "kick")
    kick, *others = later.plan.tracks
    plan = replace(later.plan, tracks=(replace(kick, group=KEY_ONLY, sends=()), *others))
    alone, added = (replace(later, plan=plan, before=before) for before in ((), (first,)))
    assert added.groups["drums"] != alone.groups["drums"]
    assert added.groups["voices"] == alone.groups["voices"]  # without inserts nothing is added


# Texts that last


def test_what_a_plug_in_does_may_change_and_so_nothing_is_kept_by_it(
    sheet: Path, tmp_path: Path
) -> None:
    found = {
        identity({}, PluginSettings(name, place))
        for name, place in (("old_tape", "/one"), ("old_tape", "/two"), ("new_tape", "/one"))
    }
    assert len(found) == 2
    sounds = sounds_of(sheet)
    path = ("tracks", 0, "chain", "stages")
    inserts = InsertsStage((PluginSettings("old_tape", "/one"),))
    plan = with_field(sounds.plan, path, lambda stages: (*stages, inserts))
    foreign = {n for n, one in nodes_of(replace(sounds, plan=plan)).items() if FOREIGN in one}
    assert foreign == after(plan, {("chain", "kick", "inserts")})
    assert not any(FOREIGN in one for one in nodes_of(sounds).values())
    cache = DataCache(tmp_path / "cache", "levels")
    for depends, kept in ((sounds.mix, 1.5), (replace(sounds, plan=plan).mix, None)):
        cache.put(depends, 1.5)
        assert cache.get(depends) == kept
    assert FOREIGN not in identity({}, FOREIGN, f"a{FOREIGN}")  # nobody's words are the mark


def test_different_values_have_different_texts() -> None:
    readings = dataclasses.make_dataclass("Reading", ["lufs"], frozen=True)
    many: list[tuple[Any, ...]] = [
        (),
        (None,),
        ("None",),
        (True,),
        (1,),
        (1.5,),
        (-0.0,),
        (0.0,),
        (2**60 + 1,),
        (float(2**60),),
        (math.inf,),
        (math.nan,),
        ("wav24",),
        (("wav24",),),
        ("wav24", None),
        ({"a": 1, "b": 2.0},),
        ({"x", "y"},),
        (b"x",),
        (Fault.MACHINE,),
        (readings(-1.0),),
        (readings("-1.0"),),
        (readings(-math.inf),),
        (readings("a, lufs='b'"),),
    ]
    assert len({identity({}, *one) for one in many}) == len(many)
    for one, same in (({"a": 1, "b": 2}, {"b": 2, "a": 1}), (np.float64(2), 2), ((1, 2), [1, 2])):
        assert identity({}, one) == identity({}, same)
    with pytest.raises(TypeError, match="object has no text that lasts"):
        identity({}, object())


def test_a_recording_whose_content_is_not_given_has_no_identity(sheet: Path) -> None:
    sounds = sounds_of(sheet)
    with pytest.raises(KeyError):
        _ = replace(sounds, contents={}).mix


def test_recordings_that_changed_or_are_gone_are_refused(
    sheet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MIXWRIGHT_CACHE", str(tmp_path / "cache"))
    infos = [*make_plan(load_sheet(sheet)).sound_files]
    infos[0].path.write_bytes(infos[0].path.read_bytes())
    infos[1].path.unlink()
    for info, message in zip(
        infos, ("was changed while it was being read", "can't be read"), strict=False
    ):
        with pytest.raises(ProblemError, match=f"{info.path.name} {message}") as caught:
            contents_of([info], Session(1))
        assert caught.value.problems[0].fault is Fault.MACHINE
    assert not list(tmp_path.glob("cache/*/*/*.json"))
