"""Comparing by ear: equally loud files of the steps, and of one part of a track with and without.

Loudness is measured on the written files by libebur128 (pyebur128), an independent implementation
of BS.1770; what a file holds is held against plain numpy sums.
"""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

import mixwright
from conftest import RATE_HZ, SongMaker, noise
from mixwright import cli
from mixwright.audio.encode import encode
from mixwright.by_ear import takes
from mixwright.by_ear.bypass import with_fader, without_part
from mixwright.by_ear.takes import lowering_db, matched_gains_db
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering import Plan, perform
from mixwright.rendering.alone import alone
from mixwright.rendering.perform import PlannedMix
from mixwright.rendering.recording import Recording
from mixwright.sheet import STEPS
from mixwright.units import db_to_gain

SONG = (
    ", tempo: [{bar: 1, bpm: 120, beats_per_bar: 4}], "
    "sections: [{name: verse 1, bar: 1}, {name: chorus 1, bar: 2}]"
)
BUS = "mix_bus: {gain_db: -2, compressor: {threshold_db: -30, ratio: 2, makeup_db: 3}}\n"
HALL = "returns: {hall: {type: reverb, decay_s: 0.3}}\n"
LIFTED = "eq: [{type: high_shelf, freq_hz: 2000, gain_db: 8}], level_match: false"


def run(*arguments: str | Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Run a command line in this process: status, standard output, standard error."""
    status = cli.run([str(argument) for argument in arguments])
    caught = capsys.readouterr()
    return status, caught.out, caught.err


def samples(path: Path) -> NDArray[np.float64]:
    return np.asarray(soundfile.read(path, always_2d=True)[0])


def loudness(path: Path) -> float:
    signal = samples(path)
    meter = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(signal).ravel(), len(signal))
    return float(pyebur128.get_loudness_global(meter))


def db(error: NDArray[np.float64]) -> float:
    return 20 * math.log10(np.abs(error).max() + 1e-300)


def gain(level_db: float) -> float:
    return float(10 ** (level_db / 20))


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.fixture
def sheet(make_song: SongMaker) -> Path:
    """A song in which every step changes something; kick keys the bass."""
    bass = (
        "gain_db: -6, group: low, compressor: {threshold_db: -30, ratio: 4, key: kick, "
        "makeup_db: 4}, automation: {gain_db: [{bar: 2, value: 3}]}"
    )
    keys = f"pan: L20, gain_db: -4, sends_db: {{hall: -6}}, {LIFTED}"
    tracks = {
        "kick": (
            noise(1, 5),
            "gain_db: -9, group: low, eq: [{type: bell, freq_hz: 900, gain_db: 6, q: 1}]",
        ),
        "bass": (noise(2, 5), bass),
        "keys": (noise(3, 5, 2), keys),
    }
    return make_song(tracks, "groups: {low: {gain_db: -1}}\n" + HALL + BUS, SONG)


def test_each_step_is_a_file_and_all_are_equally_loud(sheet: Path) -> None:
    done = mixwright.render_each_step(sheet)
    out = sheet.parent / "out"
    assert names(out) == [f"mix-{i}-{step}.wav" for i, step in enumerate(STEPS, 1)]
    assert [(file.step, file.path) for file in done] == [
        (step, out / f"mix-{i}-{step}.wav") for i, step in enumerate(STEPS, 1)
    ]
    levels = [loudness(file.path) for file in done]
    assert max(levels) - min(levels) < 0.1
    assert max(file.integrated_lufs for file in done) - min(levels) > 1.0  # it had to be matched
    assert max(file.gain_db for file in done) == 0.0
    assert len({soundfile.info(file.path).frames for file in done}) == 1


def test_a_step_differs_from_its_render_by_the_gain_alone(sheet: Path, tmp_path: Path) -> None:
    done = mixwright.render_each_step(sheet, tmp_path / "steps", format="wav32f", through="eq")
    assert names(tmp_path / "steps") == ["mix-1-balance.wav", "mix-2-bus.wav", "mix-3-eq.wav"]
    for file in done:
        plain = mixwright.render(sheet, tmp_path / "plain.wav", through=file.step, format="wav32f")
        expected = gain(file.gain_db) * samples(plain.path)
        got = samples(file.path)
        assert db(got[: len(expected)] - expected) < -130
        assert not got[len(expected) :].any()
        assert file.integrated_lufs == pytest.approx(loudness(plain.path), abs=0.15)
        assert file.sample_peak_dbfs == plain.readings.mix.sample_peak_dbfs


@pytest.fixture
def passes(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many mixes each pass over the stems makes."""
    found: list[int] = []
    made = perform._made

    def counting(parts: list[PlannedMix], *rest: Any) -> list[Recording]:
        found.append(len(parts))
        return made(parts, *rest)

    monkeypatch.setattr(perform, "_made", counting)
    return found


def by_itself(plan: Plan, gain_db: float, frames: int) -> NDArray[np.float32]:
    """A plan performed with nothing beside it, at a gain, as a float file of a length holds it."""
    with perform.performed([PlannedMix(plan)]) as (mix,):
        sound = np.concatenate([block.copy() for block in mix.blocks()])
    sound *= db_to_gain(gain_db)
    return np.concatenate([sound, np.zeros((frames - len(sound), 2))]).astype(np.float32)


def floats(path: Path) -> NDArray[np.float32]:
    return np.asarray(soundfile.read(path, dtype="float32", always_2d=True)[0])


@pytest.mark.parametrize("section", [None, "chorus 1"])
def test_each_step_has_the_bits_that_it_has_by_itself(
    sheet: Path, section: str | None, passes: list[int]
) -> None:
    done = mixwright.render_each_step(sheet, format="wav32f", section=section)
    # A part of the song begins as early as a step needs to settle, so that it may take more.
    assert passes == [6] if section is None else sum(passes) == 6
    loaded = mixwright.load(sheet)
    for file in done:
        plan = mixwright.plan(loaded, through=file.step, section=section)
        got = floats(file.path)
        assert np.array_equal(got, by_itself(plan, file.gain_db, len(got))), file.step


@pytest.mark.parametrize(("name", "part"), [("keys", "eq"), ("bass", "compressor")])
def test_with_and_without_have_the_bits_that_they_have_by_themselves(
    sheet: Path, name: str, part: str, passes: list[int]
) -> None:
    done = mixwright.bypass(sheet, name, part, format="wav32f")
    assert passes == [2, 2]
    loaded = mixwright.load(sheet)
    bare = without_part(loaded, name, part)
    sheets = {"with": loaded, "without": with_fader(bare, name, done.files[1].fader_db)}
    for file in done.files:
        if file.alone:
            plan = alone(mixwright.plan(bare if file.version == "without" else loaded), name)
        else:
            plan = mixwright.plan(sheets[file.version])
        got = floats(file.path)
        assert np.array_equal(got, by_itself(plan, file.gain_db, len(got))), file.path.name


def test_the_real_mix_stays_as_it_is(sheet: Path) -> None:
    mix = mixwright.render(sheet).path
    before = hashlib.sha256(mix.read_bytes()).hexdigest(), mix.stat().st_mtime_ns
    mixwright.render_each_step(sheet, through="bus")
    mixwright.bypass(sheet, "keys", "eq")
    assert (hashlib.sha256(mix.read_bytes()).hexdigest(), mix.stat().st_mtime_ns) == before
    with_it = sheet.parent / "out" / "bypass-keys-eq-with.wav"
    assert with_it.read_bytes() == mix.read_bytes()


def test_what_would_clip_is_lowered_together_and_that_is_said(
    make_song: SongMaker, capsys: pytest.CaptureFixture[str]
) -> None:
    rest = "mix_bus: {gain_db: 3}\n"
    path = make_song({"a": (noise(1, 4, 2, level=0.4), "gain_db: 6")}, rest, SONG)
    options = ["--each-step", "--through", "bus"]
    status, out, _ = run("render", path, *options, "--json", capsys=capsys)
    steps = json.loads(out)["steps"]
    assert status == 0
    (lowered_db,) = {step["lowered_db"] for step in steps}
    assert steps[0]["gain_db"] == lowered_db == pytest.approx(-steps[0]["sample_peak_dbfs"] - 0.01)
    peaks = [np.abs(samples(Path(step["file"]))).max() for step in steps]
    assert gain(-0.02) < max(peaks) < 1.0
    levels = [loudness(Path(step["file"])) for step in steps]
    assert max(levels) - min(levels) < 0.1
    _, out, _ = run("render", path, *options, capsys=capsys)
    assert f"note: {-lowered_db:.2f} dB of it keep the highest peak below full scale" in out


def test_a_silent_step_does_not_silence_the_others(make_song: SongMaker, tmp_path: Path) -> None:
    muted = "gain_db: -6, automation: {mute: [{s: 0, value: true}]}"
    done = mixwright.render_each_step(make_song({"a": (noise(1, 4), muted)}, BUS))
    assert done[-1].integrated_lufs is None
    assert done[-1].gain_db == 0.0
    levels = [loudness(file.path) for file in done[:-1]]
    assert max(levels) - min(levels) < 0.1
    assert levels[0] > -60
    assert not samples(done[-1].path).any()


def test_the_command_prints_gains_and_names_parts(
    sheet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = ["--section", "chorus 1", "--through", "bus", "--out", tmp_path / "listen"]
    options += ["--format", "flac16", "--dither", "shaped"]
    status, out, err = run("render", sheet, "--each-step", *options, capsys=capsys)
    assert (status, err) == (0, "")
    assert names(tmp_path / "listen") == [
        "mix-1-balance-chorus-1.flac",
        "mix-2-bus-chorus-1.flac",
    ]
    assert soundfile.info(tmp_path / "listen" / "mix-1-balance-chorus-1.flac").subtype == "PCM_16"
    lines = [line.split() for line in out.splitlines()]
    (balance,), (bus,) = (
        [line for line in lines if line[:1] == [step]] for step in ("balance", "bus")
    )
    gains_db = [float(line[-1]) for line in (balance, bus)]
    assert max(gains_db) == 0.0
    assert min(gains_db) < -0.5
    matched = [float(line[1]) + float(line[-1]) for line in (balance, bus)]
    assert matched[0] == pytest.approx(matched[1], abs=0.011)


def test_the_fader_takes_what_the_part_did_to_the_level(sheet: Path) -> None:
    """Without the EQ the mix is the plain sum with the track's fader moved."""
    done = mixwright.bypass(sheet, "keys", "eq", format="wav32f")
    with_it, without, alone_with, alone_without = done.files
    assert loudness(alone_with.path) == pytest.approx(loudness(alone_without.path), abs=0.1)
    assert [file.fader_db for file in (with_it, alone_with, alone_without)] == [0.0, 0.0, 0.0]
    # The shelf lifts; alone, it is the version with it that comes down by as much.
    assert without.fader_db > 3.0
    assert alone_with.gain_db == pytest.approx(-without.fader_db)
    assert (alone_without.gain_db, with_it.gain_db, without.gain_db) == (0.0, 0.0, 0.0)
    text = sheet.read_text("utf-8").replace(LIFTED, "mute: false")
    sheet.write_text(text.replace("gain_db: -4,", f"gain_db: {without.fader_db - 4},"), "utf-8")
    expected = samples(mixwright.render(sheet, format="wav32f", force=True).path)
    got = samples(without.path)
    assert db(got[: len(expected)] - expected) < -130
    assert len({soundfile.info(file.path).frames for file in done.files}) == 1


def test_alone_is_the_track_as_it_reaches_the_bus(make_song: SongMaker) -> None:
    keys = noise(3, 4, 2)
    settings = f"gain_db: -3, width_percent: 50, sends_db: {{hall: 0}}, group: band, {LIFTED}"
    rest = "groups: {band: {gain_db: -9, width_percent: 0}}\n" + HALL + BUS
    path = make_song({"keys": (keys, settings), "a": (noise(1, 4), "")}, rest)
    alone_without = mixwright.bypass(path, "keys", "eq", format="wav32f").files[3]
    middle, side = keys.mean(axis=1), 0.25 * (keys[:, 0] - keys[:, 1])
    expected = gain(-3) * np.column_stack([middle + side, middle - side])
    got = samples(alone_without.path)[: len(keys)]
    assert alone_without.gain_db == 0.0
    assert db(got - expected) < -130


@pytest.mark.parametrize(
    ("part", "settings"),
    [
        ("gate", "gate: {threshold_db: -10, ratio: 4, range_db: 20}"),
        ("compressor", "compressor: {threshold_db: -40, ratio: 4, makeup_db: 0}"),
        ("de_esser", "de_esser: {freq_hz: 5000, threshold_db: -50, ratio: 4, range_db: 12}"),
        ("inserts", "level_match: false, inserts: [{type: saturation, drive_db: 12}]"),
    ],
)
def test_every_part_can_be_compared_alone_at_one_loudness(
    make_song: SongMaker, part: str, settings: str
) -> None:
    path = make_song({"a": (noise(1, 4), f"gain_db: -6, {settings}"), "b": (noise(2, 4), "")})
    with_it, without, *alone = mixwright.bypass(path, "a", part, section=None).files
    assert loudness(alone[0].path) == pytest.approx(loudness(alone[1].path), abs=0.1)
    assert loudness(with_it.path) == pytest.approx(loudness(without.path), abs=0.1)
    assert abs(without.fader_db) > 0.5
    assert db(samples(alone[0].path) - samples(alone[1].path)) > -60  # it does something


def test_a_matched_eq_needs_no_fader(make_song: SongMaker) -> None:
    eq = "eq: [{type: high_shelf, freq_hz: 2000, gain_db: 8}]"
    path = make_song({"a": (noise(1, 4), eq), "b": (noise(2, 4), "")})
    done = mixwright.bypass(path, "a", "eq")
    assert abs(done.files[1].fader_db) < 0.02


def test_a_group_is_compared_and_its_sends_stay_as_wet(make_song: SongMaker) -> None:
    """Make-up of a group is not in what its tracks send: moving its fader must not move the wet."""
    stem = noise(1, 4)
    rides = "automation: {sends_db.hall: [{s: 2, value: -12}]}"
    track = f"group: band, sends_db: {{hall: -6}}, {rides}"
    squeezed = "compressor: {threshold_db: 0, ratio: 2, knee_db: 0, makeup_db: 6}"
    path = make_song({"a": (stem, track)}, f"groups: {{band: {{{squeezed}}}}}\n" + HALL)
    done = mixwright.bypass(path, "band", "compressor", format="wav32f")
    with_it, without, *alone = done.files
    assert without.fader_db == pytest.approx(6.0, abs=0.001)
    assert loudness(alone[0].path) == pytest.approx(loudness(alone[1].path), abs=0.1)
    # The compressor never works: with and without must be one sound, dry and wet.
    assert db(samples(with_it.path) - samples(without.path)) < -110
    assert not samples(alone[0].path)[len(stem) :].any()  # no return rings on


def test_who_listens_to_the_track_is_named(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run("bypass", sheet, "kick", "eq", capsys=capsys)
    assert (status, err) == (0, "")
    assert "note: bass listens to kick after its EQ" in out
    assert "kick is as loud without its EQ as with it: no fader is moved" in out
    assert names(sheet.parent / "out") == [
        f"bypass-kick-eq-{end}.wav" for end in ("alone-with", "alone-without", "with", "without")
    ]
    status, out, _ = run("bypass", sheet, "bass", "compressor", "--json", capsys=capsys)
    data = json.loads(out)
    assert (data["name"], data["part"], data["listeners"]) == ("bass", "compressor", [])
    assert [(file["version"], file["alone"]) for file in data["files"]] == [
        ("with", False),
        ("without", False),
        ("with", True),
        ("without", True),
    ]
    assert all(Path(file["file"]).exists() for file in data["files"])
    assert len({file["gain_db"] for file in data["files"][:2]}) == 1


def test_a_part_of_the_song_is_matched_by_itself(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = ["--from", "1 s", "--to", "chorus 1", "--format", "flac24"]
    status, out, _ = run("bypass", sheet, "keys", "eq", *options, capsys=capsys)
    assert status == 0
    stem = "bypass-keys-eq-1-s-to-section-chorus-1-"
    alone = [sheet.parent / "out" / f"{stem}alone-{v}.flac" for v in ("with", "without")]
    assert [soundfile.info(path).frames for path in alone] == [48000, 48000]
    assert loudness(alone[0]) == pytest.approx(loudness(alone[1]), abs=0.1)
    (row,) = [line.split() for line in out.splitlines() if line.startswith(" without ")]
    assert f"without its EQ keys is as loud as with it: fader {row[1]} dB" in out


def test_where_a_track_rests_its_rumble_does_not_set_the_fader(
    make_song: SongMaker, capsys: pytest.CaptureFixture[str]
) -> None:
    """One short note in rumble that the EQ removes: the note must stay as loud as it is."""
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    rumble = 0.04 * np.sin(2 * np.pi * 40 * time_s)
    note = 0.1 * np.sin(2 * np.pi * 1000 * time_s) * (np.abs(time_s - 3.0) < 0.2)
    cut = "eq: [{type: high_pass, freq_hz: 300, slope_db_per_oct: 24}], level_match: false"
    path = make_song({"voice": ((rumble + note)[:, None], cut)})
    status, out, _ = run("bypass", path, "voice", "eq", "--json", capsys=capsys)
    data = json.loads(out)
    assert (status, data["same_moments"]) == (0, True)
    assert -0.5 < data["files"][1]["fader_db"] < 0.0
    assert data["files"][2]["integrated_lufs"] - data["files"][3]["integrated_lufs"] > 5.0
    _, out, _ = run("bypass", path, "voice", "eq", capsys=capsys)
    assert "note: voice hardly sounds here" in out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["bypass", "SHEET", "kik", "eq"], "a track or group with a similar name exists: kick"),
        (["bypass", "SHEET", "kick", "gate"], "mix.yaml:4:3: error: kick has no gate, expected"),
        (["bypass", "SHEET", "low", "eq"], "mix.yaml:7:10: error: low has no EQ, nor any other"),
        (["bypass", "SHEET", "kick", "equaliser"], "'equaliser' is not one of 'eq'"),
        (["bypass", "SHEET", "kick", "eq", "--section", "chrous 1"], "exists: chorus 1"),
        (["bypass", "SHEET", "kick", "eq", "--section", "x", "--to", "2 s"], "exclude one another"),
        (["bypass", "SHEET", "kick", "eq", "--to", "0.3 s"], "kick with its EQ is silent or too"),
        (["render", "SHEET", "--each-step", "--out", "a.wav"], "expected a folder for the files"),
        (["render", "SHEET", "--each-step", "--out", "SHEET"], "expected a folder for the files"),
        (["render", "SHEET", "--each-step", "--dither", "shaped"], "shaped dither is for 16 bits"),
        (["render", "SHEET", "--each-step", "--section", "chorus"], "exists: chorus 1"),
    ],
)
def test_bad_usage_is_said_with_status_2(
    sheet: Path, arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    given_paths = [str(sheet) if word == "SHEET" else word for word in arguments]
    status, out, err = run(*given_paths, capsys=capsys)
    assert (status, out) == (2, "")
    assert message in err
    assert not list(sheet.parent.rglob("out/*"))


@pytest.mark.parametrize("options", [{"threads": 0}, {"format": "mp3"}, {"part": "reverb"}])
def test_bad_arguments_in_python_are_problems_too(sheet: Path, options: dict[str, Any]) -> None:
    given_options = {"part": "eq", **options}
    with pytest.raises(ProblemError, match=r"expected"):
        mixwright.bypass(sheet, "kick", **given_options)


def test_a_foreign_file_is_refused_and_nothing_is_written(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    foreign = sheet.parent / "out" / "mix-2-bus.wav"
    foreign.parent.mkdir()
    foreign.write_text("mine", "utf-8")
    options = ["--each-step", "--through", "bus"]
    status, _, err = run("render", sheet, *options, capsys=capsys)
    assert status == 2
    assert "mix-2-bus.wav exists and was not written by mixwright" in err
    assert (names(foreign.parent), foreign.read_text("utf-8")) == (["mix-2-bus.wav"], "mine")
    assert run("render", sheet, *options, "--force", capsys=capsys)[0] == 0
    assert names(foreign.parent) == ["mix-1-balance.wav", "mix-2-bus.wav"]


def test_a_disk_that_fills_up_leaves_the_old_set_whole(
    sheet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = mixwright.render_each_step(sheet, through="bus")
    before = [file.path.read_bytes() for file in done]

    def full(*given: Any, named: Path, **more: Any) -> None:
        if "bus" in named.name:
            message = f"{named} can't be written: No space left on device"
            raise ProblemError([Problem("output/machine", message, fault=Fault.MACHINE)])
        encode(*given, named=named, **more)

    monkeypatch.setattr(takes, "encode", full)
    sheet.write_text(sheet.read_text("utf-8").replace("gain_db: -9", "gain_db: -3"), "utf-8")
    with pytest.raises(ProblemError) as caught:
        mixwright.render_each_step(sheet, through="bus")
    assert caught.value.problems[0].message.startswith(f"{done[1].path} can't be written")
    assert [file.path.read_bytes() for file in done] == before
    assert names(sheet.parent / "out") == [file.path.name for file in done]


LEVELS = st.lists(st.floats(-70, 10), min_size=1, max_size=8)


@given(LEVELS)
def test_no_level_is_ever_raised_and_all_end_at_the_quietest(levels: list[float]) -> None:
    gains_db = matched_gains_db([*levels, None])
    assert max(gains_db) == 0.0
    ends = [level + gain_db for level, gain_db in zip(levels, gains_db, strict=False)]
    assert ends == pytest.approx([min(levels)] * len(levels))


@given(LEVELS)
def test_all_are_lowered_just_enough(peaks: list[float]) -> None:
    lowered_db = lowering_db(peaks, [0.0] * len(peaks))
    assert lowered_db == 0.0 or max(peaks) + lowered_db == pytest.approx(-0.01)
    assert max(peaks) + lowered_db <= 0.0
