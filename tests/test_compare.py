"""Two versions of a mix compared: by theory, against numpy and libebur128, and as told."""

from __future__ import annotations

import json
import math
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile
from markdown_it import MarkdownIt

import mixwright
from conftest import RATE_HZ, noise
from mixwright import cli
from mixwright.comparing.change import Change
from mixwright.comparing.compare import Compared
from mixwright.comparing.residual import NULL_DBFS
from mixwright.comparing.sound import SoundCompared, StretchCompared
from mixwright.comparing.versions import revision_names
from mixwright.problem import Fault, ProblemError, Span
from mixwright.rendering.perform import PlannedMix, passes, performed
from mixwright.rendering.recording import Recording
from mixwright.rendering.session import Session
from mixwright.report.compared import compared_as_data, compared_as_text
from mixwright.report.compared_html import compared_as_html
from mixwright.report.compared_markdown import MOST_CHARACTERS, compared_as_markdown

ROOT = Path(__file__).resolve().parents[1]
PAGE = (ROOT / "docs" / "compare.md").read_text("utf-8")
SONG = """format: 1
song:
  title: Salt Road
  sample_rate_hz: 48000
  sections: [{name: verse, bar: 1}, {name: chorus, bar: 2}]
tracks:
  bass: {file: stems/bass.wav, gain_db: -6}
  keys: {file: stems/keys.wav, pan: L30}
  pad: {file: stems/pad.wav, pan: R80}
"""
RIDE = "gain_db: -6, automation: {gain_db: [{section: chorus, value: 1.0}]}"
BUS = "mix_bus: {compressor: {threshold_db: -30, ratio: 2, attack_ms: 15, release_ms: 100}}\n"
HALL = """returns:
  hall: {type: delay, time_ms: 50, feedback_db: -20}
"""


@pytest.fixture
def song(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, with a song of four seconds: two sections of one bar each."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "stems").mkdir()
    for seed, name in enumerate(("bass", "keys", "pad")):
        path = tmp_path / "stems" / f"{name}.wav"
        soundfile.write(path, noise(seed, 4.0, 1 + seed % 2), RATE_HZ, subtype="DOUBLE")
    (tmp_path / "mix.yaml").write_text(SONG, "utf-8")
    return tmp_path


def edited(song: Path, *edits: tuple[str, str], name: str = "new.yaml") -> Path:
    """Write a sheet with the first of each replaced beside the song's."""
    text = SONG
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    (song / name).write_text(text, "utf-8")
    return song / name


def heard(song: Path, *edits: tuple[str, str], old: str = "mix.yaml") -> SoundCompared:
    sound = mixwright.compare(song / old, edited(song, *edits)).sound
    assert sound is not None
    return sound


def by_name(sound: SoundCompared) -> dict[str | None, StretchCompared]:
    return {stretch.name: stretch for stretch in sound.stretches}


def samples(song: Path, name: str) -> Any:
    return soundfile.read(song / "stems" / f"{name}.wav", always_2d=True)[0]


def libebur128_lufs(stereo: Any) -> float:
    meter = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(stereo).ravel(), len(stereo))
    return float(pyebur128.get_loudness_global(meter))


# ---- the residual, by theory ----


def test_a_raised_track_leaves_itself_at_a_known_level(song: Path) -> None:
    sound = heard(song, ("gain_db: -6", "gain_db: -5"))
    # new - old = (10^(g/20) - 1) times the track; in the centre each side has 1/sqrt(2) of it.
    left = 10 ** (-6 / 20) * (10 ** (1 / 20) - 1) * samples(song, "bass") / math.sqrt(2)
    by_reference = libebur128_lufs(np.repeat(left, 2, axis=1))
    assert sound.whole is not None
    residual = sound.whole.residual
    assert residual is not None
    assert residual.integrated_lufs == pytest.approx(by_reference, abs=0.01)
    assert residual.peak_dbfs == pytest.approx(20 * math.log10(abs(left).max()), abs=1e-6)
    power_db = 10 * math.log10(2 * np.mean(left**2))
    bands_db = 10 * math.log10(sum(10 ** (level / 10) for level in residual.octave_db))
    # White up to 24 kHz, of which octaves reach to 10^(0.3 * 4.5) kHz (IEC 61260-1).
    assert bands_db == pytest.approx(power_db + 10 * math.log10(10**1.35 / 24), abs=0.05)
    (reach,) = sound.reaches
    assert (reach.name, reach.state) == ("bass", "changed")
    assert reach.change_lu == pytest.approx(1.0, abs=1e-6)
    assert reach.peak_change_db == pytest.approx(1.0, abs=1e-6)
    assert reach.residual_lu == pytest.approx(20 * math.log10(10 ** (1 / 20) - 1), abs=1e-6)
    assert reach.is_audible
    old, new = sound.whole.old, sound.whole.new
    assert old is not None
    assert new is not None
    assert residual.relative_lu == pytest.approx(by_reference - old.sound.integrated_lufs, abs=0.01)


@pytest.mark.parametrize(
    ("by_db", "is_audible"), [(0.1, True), (0.09, True), (0.085, False), (-0.05, False)]
)
def test_what_counts_as_audible(song: Path, by_db: float, is_audible: bool) -> None:
    # 0.09 dB by its residual, which is at 20 log10(10^(0.09/20) - 1) = -39.65 LU.
    (reach,) = heard(song, ("gain_db: -6", f"gain_db: {-6 + by_db}")).reaches
    assert reach.is_audible is is_audible


def test_a_change_in_one_section_leaves_the_other_the_same_bits(song: Path) -> None:
    new = edited(song, ("gain_db: -6", RIDE))
    compared = mixwright.compare("mix.yaml", new)
    assert compared.sound is not None
    found = by_name(compared.sound)
    verse, chorus = found["verse"], found["chorus"]
    assert verse.residual is not None
    assert chorus.residual is not None
    assert verse.residual.same_bits
    assert verse.residual.peak_dbfs is None
    assert verse.old == verse.new
    assert not chorus.residual.is_null
    assert chorus.residual.loudest is not None
    assert chorus.residual.loudest.section == "chorus"
    assert chorus.residual.loudest.bar == 2
    (reach,) = compared.sound.reaches
    assert reach.section_changes_lu["verse"] == 0.0
    # Four ms of the ramp that keeps it from clicking are not there yet.
    assert reach.section_changes_lu["chorus"] == pytest.approx(1.0, abs=0.01)
    text = compared_as_text(compared)
    assert "same bits: verse\n" in text
    assert re.search(r"bass .* chorus \+1\.00 ", text)


def test_both_mixes_are_those_that_would_be_measured_alone(song: Path) -> None:
    (song / "mix.yaml").write_text(SONG + BUS, "utf-8")
    new = song / "new.yaml"
    new.write_text(SONG + BUS.replace("ratio: 2", "ratio: 4"), "utf-8")
    sound = mixwright.compare("mix.yaml", new).sound
    assert sound is not None
    assert sound.whole is not None
    assert sound.reaches == ()
    assert sound.elsewhere == ("mix_bus",)
    (squeeze,) = sound.reductions
    reductions = (squeeze.old, squeeze.new)
    makeups_db = (squeeze.old_makeup_db, squeeze.new_makeup_db)
    for index, (path, figures) in enumerate(
        zip((song / "mix.yaml", new), (sound.whole.old, sound.whole.new), strict=True)
    ):
        done = mixwright.render(path, song / "out.wav", format="wav32f").readings
        assert done.reductions["mix_bus.compressor"] == reductions[index]
        assert done.matches_db["mix_bus.compressor"] == makeups_db[index]
        assert figures is not None
        assert figures.sound.integrated_lufs == done.mix.integrated_lufs
        assert figures.sound.true_peak_dbtp == done.mix.true_peak_dbtp
        alone = mixwright.measure(song / "out.wav").whole
        assert figures.spectrum.octave_db == pytest.approx(alone.spectrum.octave_db, abs=1e-3)
    assert reductions[0] is not None
    assert set(reductions[0].by_section) == {"verse", "chorus"}


def test_the_bus_is_told_by_the_sections_of_each_mix(song: Path) -> None:
    (song / "mix.yaml").write_text(SONG + BUS, "utf-8")
    fewer = (SONG + BUS.replace("ratio: 2", "ratio: 4")).replace(", {name: chorus, bar: 2}", "")
    (song / "fewer.yaml").write_text(fewer, "utf-8")
    for old, new in (("fewer.yaml", "mix.yaml"), ("mix.yaml", "fewer.yaml")):
        sound = mixwright.compare(old, new).sound
        assert sound is not None
        (squeeze,) = sound.reductions
        for path, reduction in ((old, squeeze.old), (new, squeeze.new)):
            done = mixwright.render(path, song / "out.wav", format="wav32f", force=True).readings
            assert reduction is not None
            assert reduction.by_section == done.reductions["mix_bus.compressor"].by_section


def test_a_longer_tail_makes_the_new_mix_longer_and_not_the_old_one(song: Path) -> None:
    sends = (", pan: L30", ", pan: L30, sends_db: {hall: -6}")
    sent = SONG.replace(*sends) + HALL
    (song / "mix.yaml").write_text(sent, "utf-8")
    (song / "new.yaml").write_text(sent.replace("feedback_db: -20", "feedback_db: -3"), "utf-8")
    sound = mixwright.compare("mix.yaml", "new.yaml").sound
    assert sound is not None
    assert sound.whole is not None
    assert sound.elsewhere == ("hall",)
    for name, figures in (("mix.yaml", sound.whole.old), ("new.yaml", sound.whole.new)):
        done = mixwright.render(name, song / "out.wav", format="wav32f")
        assert figures is not None
        frames = soundfile.info(done.path).frames
        assert figures.sound.seconds == pytest.approx(frames / RATE_HZ, abs=0.005)
    assert sound.stretches[-1].name == "after the end"


def test_tracks_in_another_order_null(song: Path) -> None:
    head, _, tracks = SONG.partition("tracks:\n")
    lines = reversed(tracks.splitlines(keepends=True))
    (song / "new.yaml").write_text("".join([head, "tracks:\n", *lines]), "utf-8")
    compared = mixwright.compare("mix.yaml", "new.yaml")
    assert compared.sound is not None
    assert compared.sound.whole is not None
    residual = compared.sound.whole.residual
    assert residual is not None
    # Sums round otherwise: at the last of 53 bits.
    assert -340 < residual.peak_dbfs < -290 < NULL_DBFS
    assert residual.is_null
    assert "null at -3" in compared_as_text(compared)
    assert compared.has_changes


# ---- what changes nothing, and what can't be subtracted ----


def test_a_new_name_is_nothing_to_hear(song: Path) -> None:
    new = edited(song, ("  keys:", "  piano:"), ("name: verse", "name: intro"))
    compared = mixwright.compare("mix.yaml", new)
    assert [change.kind for change in compared.changes] == ["renamed", "renamed"]
    assert compared.sound == SoundCompared()
    assert "nothing was rendered" in compared_as_text(compared)


def test_nor_is_what_is_muted(song: Path) -> None:
    text = SONG.replace("pan: R80", "pan: R80, mute: true")
    (song / "mix.yaml").write_text(text, "utf-8")
    (song / "new.yaml").write_text(text.replace("R80", "C"), "utf-8")
    assert mixwright.compare("mix.yaml", "new.yaml").sound == SoundCompared()


def test_files_are_compared_by_what_they_hold(song: Path) -> None:
    shutil.copytree(song / "stems", song / "copy" / "stems")
    shutil.copy(song / "mix.yaml", song / "copy" / "mix.yaml")
    assert mixwright.compare("mix.yaml", "copy/mix.yaml").has_changes is False
    soundfile.write(
        song / "copy" / "stems" / "bass.wav", -samples(song, "bass"), RATE_HZ, subtype="DOUBLE"
    )
    compared = mixwright.compare("mix.yaml", "copy/mix.yaml")
    assert compared.changes == ()
    assert compared.has_changes
    assert compared.sound is not None
    assert [one.name for one in compared.sound.files] == ["bass"]
    # Twice the track, upside down.
    (reach,) = compared.sound.reaches
    assert (reach.change_lu, reach.residual_lu) == pytest.approx(
        (0.0, 20 * math.log10(2)), abs=1e-6
    )
    assert "the file of bass holds other sound" in compared_as_text(compared)


def test_tracks_that_come_go_and_fall_silent_are_told_with_their_level(song: Path) -> None:
    sound = heard(
        song,
        ("  bass: {file: stems/bass.wav, gain_db: -6}\n", ""),
        ("pan: L30", "pan: L30, mute: true"),
        ("  pad:", "  noise: {file: stems/bass.wav, gain_db: -20}\n  pad:"),
    )
    told = {
        r.name: (r.state, r.old_lufs is not None, r.new_lufs is not None) for r in sound.reaches
    }
    # The file of what went is known again: it is the same track by another name.
    assert told == {"noise": ("changed", True, True), "keys": ("changed", True, False)}
    sound = heard(song, ("  bass: {file: stems/bass.wav, gain_db: -6}\n", ""))
    (reach,) = sound.reaches
    assert (reach.name, reach.state, reach.new_lufs) == ("bass", "removed", None)
    assert reach.is_audible
    assert reach.change_lu is None
    assert "bass (removed)" in compared_as_text(mixwright.compare("mix.yaml", "new.yaml"))


def test_a_group_with_other_settings_is_told_as_a_group(song: Path) -> None:
    grouped = SONG.replace("gain_db: -6", "gain_db: -6, group: band")
    (song / "mix.yaml").write_text(grouped + "groups: {band: {gain_db: 0}}\n", "utf-8")
    (song / "new.yaml").write_text(grouped + "groups: {band: {gain_db: -2}}\n", "utf-8")
    sound = mixwright.compare("mix.yaml", "new.yaml").sound
    assert sound is not None
    (reach,) = sound.reaches
    assert (reach.kind, reach.name) == ("group", "band")
    assert reach.change_lu == pytest.approx(-2.0, abs=1e-6)


GATE = ", gate: {threshold_db: -20, range_db: 20, hold_ms: 5, key: keys}"
HALLS = ("feedback_db: -20", "feedback_db: -3")


@pytest.mark.parametrize(
    ("differing", "names"),
    [
        (("gain_db: -6", "gain_db: -5"), ["bass"]),  # the first track of three
        (("pan: L30", "pan: L30, eq: [{type: bell, freq_hz: 800, gain_db: 9}]"), ["bass", "keys"]),
        (("pan: L30", "pan: L30, trim_db: -12"), ["bass", "keys"]),
        (HALLS, []),
        (("  pad: {file: stems/pad.wav, pan: R80}\n", ""), ["pad"]),
    ],
    ids=["not the last", "EQ of a key", "level of a key", "a longer tail", "one less"],
)
def test_each_mix_has_the_bits_that_it_has_alone(
    song: Path, differing: tuple[str, str], names: list[str]
) -> None:
    text = SONG.replace("gain_db: -6", f"gain_db: -6{GATE}, sends_db: {{hall: -9}}") + HALL + BUS
    (song / "mix.yaml").write_text(text, "utf-8")
    (song / "new.yaml").write_text(text.replace(*differing), "utf-8")
    plans = [mixwright.plan(mixwright.load(name)) for name in ("mix.yaml", "new.yaml")]
    parts = [PlannedMix(plan) for plan in plans]
    assert len(passes(parts)) == 1
    with performed(parts, Session()) as both:
        for part, together in zip(parts, both, strict=True):
            with performed([part], folder=song) as (by_itself,):
                assert together.frames == by_itself.frames
                assert np.array_equal(all_of(together), all_of(by_itself))
    # A gate that hears its key otherwise makes a change of its own track, too.
    sound = mixwright.compare("mix.yaml", "new.yaml").sound
    assert sound is not None
    assert sorted(reach.name for reach in sound.reaches) == names


def all_of(done: Recording) -> Any:
    return np.concatenate([block.copy() for block in done.blocks()])


def test_songs_that_do_not_end_together_take_two_passes(song: Path) -> None:
    new = edited(song, ("title: Salt Road", "title: Salt Road\n  end: {s: 3}"))
    plans = [mixwright.plan(mixwright.load(name)) for name in ("mix.yaml", new)]
    assert passes([PlannedMix(plan) for plan in plans]) == [[0], [1]]
    sound = mixwright.compare("mix.yaml", new).sound
    assert sound is not None
    residuals = {name: stretch.residual for name, stretch in by_name(sound).items()}
    assert residuals["verse"] is not None
    assert residuals["chorus"] is not None
    assert residuals["verse"].same_bits
    assert not residuals["chorus"].same_bits


def test_songs_at_two_rates_have_figures_and_no_residual(song: Path) -> None:
    new = edited(song, ("sample_rate_hz: 48000", "sample_rate_hz: 44100"))
    compared = mixwright.compare("mix.yaml", new)
    assert compared.sound is not None
    assert compared.sound.whole is not None
    assert compared.sound.whole.residual is None
    assert not compared.sound.is_same
    assert {reach.residual_lu for reach in compared.sound.reaches} == {None}
    for write in (compared_as_text, compared_as_markdown, compared_as_html):
        assert "the sample rates differ" in write(compared)
    json.dumps(compared_as_data(compared), allow_nan=False)


def test_sections_that_move_come_or_go_are_told(song: Path) -> None:
    sections = "[{name: verse, bar: 1}, {name: chorus, bar: 2}]"
    sound = heard(
        song,
        (sections, "[{name: chorus, bar: 1}, {name: bridge, bar: 2}]"),
        ("gain_db: -6", "gain_db: -5"),
    )
    found = by_name(sound)
    assert list(found) == ["chorus", "bridge", "verse"]
    assert found["chorus"].is_moved
    assert found["chorus"].old is not None
    assert found["chorus"].old.sound.start_s == 2.0
    assert found["bridge"].old is None
    assert found["verse"].new is None
    text = compared_as_text(mixwright.compare("mix.yaml", "new.yaml"))
    assert "section chorus moved" in text
    assert re.search(r"verse .* removed", text)


# ---- revisions ----

Git = Callable[..., str]


@pytest.fixture
def repository(song: Path, monkeypatch: pytest.MonkeyPatch) -> Git:
    """The song in ``projects/road`` of a repository: louder with every commit, and then staged."""
    if shutil.which("git") is None:
        pytest.skip("there is no git on this machine")
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", os.devnull)
    monkeypatch.setenv("GIT_CONFIG_SYSTEM", os.devnull)
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(song.parent))

    def git(*arguments: str) -> str:
        names = ["-c", "user.name=Engineer", "-c", "user.email=engineer@example.org"]
        done = subprocess.run(
            ["git", *names, *arguments], check=True, capture_output=True, text=True
        )
        return done.stdout

    road = song / "projects" / "road"
    road.mkdir(parents=True)
    shutil.move(song / "stems", road / "stems")
    git("init", "--quiet")
    for count, level in enumerate((-9, -8, -7)):
        text = SONG.replace("gain_db: -6", f"gain_db: {level}")
        if count == 0:
            text = text.replace("stems/pad.wav", "stems/old_pad.wav")
        (road / "mix.yaml").write_text(text, "utf-8")
        git("add", "projects/road/mix.yaml")
        if level != -7:
            git("commit", "--quiet", "-m", f"bass: at {level}")
    (road / "mix.yaml").write_text(SONG, "utf-8")
    return git


def levels(*sheets: str) -> list[str]:
    changes = mixwright.compare(*sheets, only_sheet=True).changes
    return [change.text for change in changes if change.name == "bass"]


def test_sheets_come_from_revisions_as_git_takes_them(
    repository: Git, song: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = "projects/road/mix.yaml"
    assert levels(f"HEAD~1:{path}", f"HEAD:{path}") == ["fader -9.0 -> -8.0 dB (+1.0)"]
    assert levels(f"HEAD:./{path}", path) == ["fader -8.0 -> -6.0 dB (+2.0)"]
    assert levels(f":{path}", path) == ["fader -7.0 -> -6.0 dB (+1.0)"]
    assert levels(f"HEAD^{{/bass: at -9}}:{path}", path) == ["fader -9.0 -> -6.0 dB (+3.0)"]
    monkeypatch.chdir(song / "projects" / "road")
    assert levels("HEAD:./mix.yaml", "mix.yaml") == ["fader -8.0 -> -6.0 dB (+2.0)"]
    assert levels(*revision_names("HEAD~1..HEAD", "mix.yaml")) == ["fader -9.0 -> -8.0 dB (+1.0)"]
    assert levels(*revision_names("HEAD", str(song / path))) == ["fader -8.0 -> -6.0 dB (+2.0)"]
    # Its sound files are those of the working tree.
    sound = mixwright.compare(f"HEAD:{path}", "mix.yaml").sound
    assert sound is not None
    assert [reach.change_lu for reach in sound.reaches] == pytest.approx([2.0], abs=1e-6)


def test_faults_of_a_revision_are_said_with_its_name(repository: Git) -> None:
    old = "HEAD~1:projects/road/mix.yaml"
    with pytest.raises(ProblemError) as caught:
        mixwright.compare(old, "projects/road/mix.yaml")
    (problem,) = caught.value.problems
    assert str(problem).startswith(f"{old}:9:15: error: there is no file stems/old_pad.wav")
    assert "which HEAD~1 asks for" in problem.message
    assert problem.help is not None
    assert "--only-sheet" in problem.help


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("nowhere:projects/road/mix.yaml", "git knows no revision 'nowhere'"),
        ("HEAD:projects/road/mx.yaml", "there is no file projects/road/mx.yaml in revision HEAD"),
        ("HEAD:projects/road", "projects/road is no file in revision HEAD"),
        ("--help:projects/road/mix.yaml", "'--help' is no revision"),
        (":mx.yaml", "there is no file mx.yaml in what is staged"),
        ("mx.yaml", "there is no file mx.yaml"),
    ],
)
def test_what_git_does_not_have_is_said(repository: Git, name: str, said: str) -> None:
    with pytest.raises(ProblemError) as caught:
        mixwright.compare(name, "projects/road/mix.yaml", only_sheet=True)
    assert said in caught.value.problems[0].message
    assert caught.value.problems[0].fault is Fault.INPUT


def test_a_path_from_here_is_suggested(
    repository: Git, song: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(song / "projects" / "road")
    with pytest.raises(ProblemError) as caught:
        mixwright.compare("HEAD:mix.yaml", "mix.yaml", only_sheet=True)
    assert str(caught.value.problems[0].help).endswith("HEAD:./mix.yaml")


def test_outside_a_repository_and_without_git(song: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(song.parent))
    assert cli.run(["compare", "HEAD:mix.yaml", "mix.yaml"]) == 2
    with pytest.raises(ProblemError, match="git finds no repository"):
        mixwright.compare("HEAD:mix.yaml", "mix.yaml")
    monkeypatch.setenv("PATH", str(song))
    with pytest.raises(ProblemError, match="can't be run") as caught:
        mixwright.compare("HEAD:mix.yaml", "mix.yaml")
    assert caught.value.problems[0].fault is Fault.MACHINE
    assert cli.run(["compare", "--rev", "v1...v2", "mix.yaml"]) == 2


def test_the_diff_driver_in_the_documents_works(
    repository: Git, song: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    driver = re.search(r"^git config diff\.mixwright\.command .*?'$", PAGE, re.M | re.S)
    attributes = re.search(r"```gitattributes\n(.*?)```", PAGE, re.S)
    assert driver is not None
    assert attributes is not None
    (song / ".gitattributes").write_text(attributes[1], "utf-8")
    repository(*shlex.split(driver[0])[1:])
    script = song / "mixwright"
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m mixwright.cli "$@"\n', "utf-8")
    script.chmod(0o755)
    monkeypatch.setenv("PATH", f"{song}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("PYTHONPATH", str(Path(mixwright.__file__).parents[1]))
    shown = repository("diff", "HEAD")
    assert "bass: fader -8.0 -> -6.0 dB (+2.0)" in shown
    assert "-  title: Salt Road" not in shown
    # Where it fails, as for a sheet with faults, the lines are shown.
    (song / "projects" / "road" / "mix.yaml").write_text("format: 1\n", "utf-8")
    script.write_text("#!/bin/sh\nexit 2\n", "utf-8")
    assert "-  title: Salt Road" in repository("diff", "HEAD")


# ---- the command and its formats ----


def test_statuses(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    new = str(edited(song, ("gain_db: -6", "gain_db: -5")))
    fast = ["--only-sheet", "--exit-code"]
    assert cli.run(["compare", "mix.yaml", new, "--only-sheet"]) == 0
    assert cli.run(["compare", "mix.yaml", new, *fast]) == 1
    assert cli.run(["compare", "mix.yaml", "mix.yaml", *fast]) == 0
    assert cli.run(["compare", "mix.yaml", "mix.yaml", "--exit-code"]) == 0
    assert "nothing was rendered" in capsys.readouterr().out
    assert cli.run(["compare", "mix.yaml"]) == 2
    assert cli.run(["compare", "--rev", "HEAD", "mix.yaml", new]) == 2
    assert "expected one sheet with --rev" in capsys.readouterr().err
    shutil.rmtree(song / "stems")
    assert cli.run(["compare", "mix.yaml", new, "--only-sheet"]) == 0
    capsys.readouterr()
    assert cli.run(["compare", "mix.yaml", new, "--format", "json"]) == 2
    assert len(json.loads(capsys.readouterr().out)["problems"]) == 3


def test_only_the_sheets_need_nothing_heavy(song: Path) -> None:
    new = edited(song, ("gain_db: -6", "gain_db: -5"))
    code = (
        "import sys; from mixwright.cli import run; "
        f"run(['compare', 'mix.yaml', {str(new)!r}, '--only-sheet']); "
        "print([name for name in ('numba', 'scipy', 'soxr', 'rich') if name in sys.modules])"
    )
    path = {"PYTHONPATH": str(Path(mixwright.__file__).parents[1])}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env={**os.environ, **path}
    )
    assert done.stdout.endswith("[]\n"), done.stderr


ODD = "<b>*loud*</b> | [x](https://x.example) `@someone` #1\n- \x1b[2J"


def odd_one(count: int = 1) -> Compared:
    """A comparison that has nothing good in any of its names."""
    span = Span(ODD, 3, 1)
    change = Change("balance", ODD, ODD, new_span=span, why=ODD, reason="new")
    return Compared(ODD, ODD, ODD, (change,) * count)


def test_markdown_shows_what_a_sheet_says_and_does_nothing_else() -> None:
    tokens = (
        MarkdownIt("commonmark", {"html": True})
        .enable("table")
        .parse(compared_as_markdown(odd_one()))
    )
    inline = [child for token in tokens for child in token.children or ()]
    kinds = {token.type for token in (*tokens, *inline)}
    assert not kinds & {"link_open", "em_open", "image", "html_block"}
    assert {token.content for token in inline if token.type == "html_inline"} == {"<!-- -->"}
    shown = "".join(token.content for token in inline if token.type in ("text", "text_special"))
    assert "<b>*loud*</b> | [x](" in shown
    assert "\x1b" not in shown
    assert not re.search(r"(?<!`)@someone", "".join(t.content for t in inline if t.type == "text"))


def test_markdown_fits_a_comment_and_folds_long_tables(song: Path) -> None:
    long = compared_as_markdown(odd_one(5000))
    assert len(long) <= MOST_CHARACTERS
    assert re.search(r"- and \d+ more\n", long)
    (song / "mix.yaml").write_text(SONG + BUS, "utf-8")
    new = song / "new.yaml"
    new.write_text(SONG.replace("gain_db: -6", "gain_db: -5") + BUS, "utf-8")
    compared = mixwright.compare("mix.yaml", new)
    text = compared_as_markdown(compared)
    assert text.count("<details>") == text.count("</details>") == 4
    assert text.index("### The sheet: 1 change") < text.index("### The sound")
    assert "- `bass`: fader -6.0 -&gt; -5.0 dB (+1.0) (`new.yaml:7`)" in text
    tables = [
        t for t in MarkdownIt("commonmark").enable("table").parse(text) if t.type == "table_open"
    ]
    assert len(tables) == 8
    page = compared_as_html(compared)
    assert page.count("<table>") == 8
    told = compared_as_data(compared)
    assert told["sound"]["reaches"][0]["is_audible"] is True
    assert told["sound"]["whole"]["residual"]["is_null"] is False
    assert told["changes"][0]["new"] == {"file": str(new), "line": 7, "column": 41}
    json.dumps(told, allow_nan=False)


class Tags(HTMLParser):
    """Collects what a page is made of, and refuses what is never closed."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.links: list[str] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(page)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        self.links += [value or "" for key, value in attrs if key in ("href", "src")]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def test_html_is_one_file_with_nothing_to_run() -> None:
    page = compared_as_html(odd_one())
    tags = Tags(page)
    assert not tags.names & {"script", "b", "a", "img", "link", "iframe"}
    assert tags.links == []
    assert "<b>*loud*</b> | [x](https://x.example) `@someone` #1 - \\x1b[2J" in tags.text
    assert page.startswith('<!DOCTYPE html>\n<html lang="en">')
