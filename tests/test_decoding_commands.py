"""What the commands say of compressed recordings: damaged ones, MP3s, and machines that refuse."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

import mixwright
from conftest import SongMaker, noise
from mixwright import cli
from mixwright.delivering.verify import null_test
from mixwright.problem import ProblemError
from strange_files import damaged_mp3, encoded, silent_flac
from warm_command import needs_fork, run_warm


@needs_fork
def test_what_decoders_print_is_a_warning_and_nothing_else(tmp_path: Path) -> None:
    path = damaged_mp3(tmp_path / "damaged.mp3")
    done = run_warm("measure", path)
    assert done.status == 0
    lines = done.err.splitlines()
    assert lines
    assert all(line.startswith("warning: damaged.mp3: its decoder says") for line in lines)
    assert "integrated loudness" in done.out
    done = run_warm("measure", path, "--json")
    assert (done.status, done.err) == (0, "")
    (measured,) = json.loads(done.out)["measured"]
    assert len(measured["warnings"]) == len(lines)
    assert {one["rule"] for one in measured["warnings"]} == {"audio/decoder-warning"}


def test_what_can_not_be_decoded_is_bad_input(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = encoded(tmp_path / "cut.flac", "FLAC", "PCM_16")
    path.write_bytes(path.read_bytes()[:-5000])
    other = encoded(tmp_path / "whole.opus", "OGG", "OPUS")
    assert cli.run(["measure", str(other), str(path)]) == 2
    assert capfd.readouterr().err.startswith("error: cut.flac is damaged or cut short: ")
    assert cli.run(["measure", str(other)]) == 0
    assert capfd.readouterr().err == ""


def test_a_damaged_file_in_a_folder_is_a_finding_and_the_rest_goes_on(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = encoded(tmp_path / "cut.flac", "FLAC", "PCM_16")
    path.write_bytes(path.read_bytes()[:-5000])
    encoded(tmp_path / "whole.ogg", "OGG", "VORBIS")
    encoded(tmp_path / "loop.mp3", "MP3", "MPEG_LAYER_III")
    damaged_mp3(tmp_path / "damaged.mp3")
    assert cli.run(["inspect", str(tmp_path), "--json"]) == 0
    said = capfd.readouterr()
    assert said.err == ""
    found = json.loads(said.out)
    assert [one["name"] for one in found["tracks"]] == ["damaged.mp3", "loop.mp3", "whole.ogg"]
    kinds = {(one["track"], one["kind"], one["severity"]) for one in found["findings"]}
    assert ("cut.flac", "unreadable", "fault") in kinds
    assert ("damaged.mp3", "decoder", "look") in kinds
    assert {track for track, kind, _ in kinds if kind == "mp3"} == {"damaged.mp3", "loop.mp3"}
    assert not any(track == "whole.ogg" and kind in ("mp3", "decoder") for track, kind, _ in kinds)


@pytest.fixture
def mp3_song(make_song: SongMaker, tmp_path: Path) -> Path:
    """A song with a track of WAV and one of damaged MP3, and a reference of it."""
    references = "references: [{file: stems/loop.mp3}]\n"
    sheet = make_song({"bass": (noise(1), "")}, references.replace("stems/loop", "loop"))
    damaged_mp3(tmp_path / "stems" / "beat.mp3")
    damaged_mp3(tmp_path / "loop.mp3")
    text = sheet.read_text("utf-8")
    sheet.write_text(
        text.replace("references", "  beat: {file: stems/beat.mp3, gain_db: -30}\nreferences")
    )
    return sheet


def test_an_mp3_may_be_a_track_and_every_report_says_so(
    mp3_song: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["validate", str(mp3_song)]) == 0
    assert cli.run(["render", str(mp3_song), "--out", str(tmp_path / "mix.wav")]) == 0
    lines = capfd.readouterr().err.splitlines()
    assert all(line.startswith("warning: ") for line in lines)
    assert any("beat: beat.mp3 is an MP3: it has lost some of its sound" in line for line in lines)
    assert any("beat.mp3: its decoder says" in line for line in lines)
    rules = {problem.rule for problem in mixwright.measure(mp3_song).warnings}
    assert rules == {"audio/decoder-warning", "audio/mp3"}
    capfd.readouterr()
    assert cli.run(["check", str(mp3_song), "--step", "intake", "--json"]) in (0, 1)
    said = capfd.readouterr()
    assert said.err == ""
    assert "beat: is an MP3: it has lost" in said.out
    assert "beat: its decoder says: " in said.out
    capfd.readouterr()
    assert cli.run(["measure", str(mp3_song), "--against-references", "--json"]) == 0
    said = capfd.readouterr()
    (compared,) = json.loads(said.out)["compared"][0]["references"]
    assert said.err == ""
    # As a reference it need not be anything but what it is.
    assert {one["rule"] for one in compared["warnings"]} == {"audio/decoder-warning"}


def test_validate_decodes_nothing(
    make_song: SongMaker, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """What would be found out by decoding is not yet said."""
    sheet = make_song({"bass": (noise(1), "")})
    sheet.write_text(sheet.read_text("utf-8") + "  rest: {file: stems/rest.flac}\n", "utf-8")
    (tmp_path / "stems" / "rest.flac").write_bytes(silent_flac(2, promised=480_000))
    assert cli.run(["validate", str(sheet)]) == 0
    assert "0:10.0" in capfd.readouterr().out
    assert cli.run(["render", str(sheet), "--out", str(tmp_path / "mix.wav")]) == 2
    assert "rest.flac is damaged or cut short: it ends early" in capfd.readouterr().err


def test_every_stem_that_can_not_be_decoded_is_named_at_its_line(
    make_song: SongMaker, tmp_path: Path
) -> None:
    sheet = make_song({"bass": (noise(1), "")})
    lines = ""
    for name in ("one", "two"):
        path = encoded(tmp_path / "stems" / f"{name}.flac", "FLAC", "PCM_16")
        path.write_bytes(path.read_bytes()[:-5000])
        lines += f"  {name}: {{file: stems/{name}.flac}}\n"
    sheet.write_text(sheet.read_text("utf-8") + lines, "utf-8")
    with pytest.raises(ProblemError) as caught:
        mixwright.render(sheet, tmp_path / "mix.wav")
    problems = caught.value.problems
    assert [problem.span.line for problem in problems if problem.span] == [5, 6]
    assert all("is damaged or cut short" in problem.message for problem in problems)


def test_a_recorded_room_may_be_compressed_but_whole(make_song: SongMaker, tmp_path: Path) -> None:
    rest = "returns: {hall: {type: reverb, impulse: stems/hall.flac}}\n"
    sheet = make_song({"bass": (noise(1), "sends_db: {hall: -12}")}, rest)
    path = tmp_path / "stems" / "hall.flac"
    soundfile.write(path, noise(2, 0.5) * np.linspace(1, 0, 24000)[:, None], 48000)
    assert mixwright.render(sheet, tmp_path / "mix.wav").readings.warnings == ()
    path.write_bytes(path.read_bytes()[:-5000])
    with pytest.raises(ProblemError, match=r"hall\.flac is damaged or cut short"):
        mixwright.render(sheet, tmp_path / "mix.wav")


def test_a_delivered_file_is_vouched_for_before_it_is_compared(tmp_path: Path) -> None:
    one, other = (encoded(tmp_path / name, "FLAC", "PCM_16") for name in ("a.flac", "b.flac"))
    assert null_test(one, other).holds
    one.write_bytes(one.read_bytes()[:-5000])
    remade = null_test(one, other)
    assert not remade.holds
    assert remade.words is not None
    assert remade.words.startswith("can't be compared: it is damaged or cut short: ")
