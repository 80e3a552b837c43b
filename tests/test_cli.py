"""The commands as a user meets them: output, exit status, messages, and nothing left behind."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import soundfile

from conftest import SongMaker, noise
from mixwright import cli
from warm_command import needs_fork, run_warm

SONG = (
    ", tempo: [{bar: 1, bpm: 120, beats_per_bar: 4}], "
    "sections: [{name: verse 1, bar: 1}, {name: chorus 1, bar: 2}]"
)


def run(*arguments: str | Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Run a command line in this process: status, standard output, standard error."""
    status = cli.run([str(argument) for argument in arguments])
    caught = capsys.readouterr()
    return status, caught.out, caught.err


@pytest.fixture
def sheet(make_song: SongMaker) -> Path:
    worked = "gain_db: -6, sends_db: {hall: -12}, compressor: {threshold_db: -30, ratio: 3}"
    rest = "returns: {hall: {type: reverb, decay_s: 0.3}}\n"
    return make_song(
        {"bass": (noise(1, 5), worked), "keys": (noise(2, 5, 2), "pan: L20")}, rest, SONG
    )


def test_render_writes_the_mix_and_prints_its_meters(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run("render", sheet, capsys=capsys)
    assert (status, err) == (0, "")
    info = soundfile.info(sheet.parent / "out" / "mix.wav")
    assert (info.samplerate, info.channels, info.subtype) == (48000, 2, "PCM_24")
    for words in ("sample peak", "true peak", "LUFS", "bass", "keys", "chorus 1", "dBFS"):
        assert words in out


def test_json_holds_the_same_as_data(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run("render", sheet, "--json", "--format", "flac16", capsys=capsys)
    data = json.loads(out)
    assert status == 0
    assert Path(data["file"]).suffix == ".flac"
    assert data["mix"]["integrated_lufs"] < data["mix"]["true_peak_dbtp"]
    assert [track["name"] for track in data["tracks"]] == ["bass", "keys"]
    assert data["reductions"]["bass.compressor"]["max_db"] > 0
    assert data["warnings"] == []


@pytest.mark.parametrize(
    ("options", "seconds"),
    [
        (["--section", "verse 1"], 2.0),
        (["--from", "bar 2", "--to", "4.5 s"], 2.5),
        (["--from", "bar 1 beat 2.5", "--to", "chorus 1"], 1.25),
        (["--to", "bar 2 beat 2"], 2.5),
        (["--from", "0:01.5", "--to", "0:03"], 1.5),
    ],
)
def test_spans(
    sheet: Path, options: list[str], seconds: float, capsys: pytest.CaptureFixture[str]
) -> None:
    out = sheet.parent / "part.wav"
    status, _, err = run("render", sheet, "--out", out, *options, capsys=capsys)
    assert (status, err) == (0, "")
    assert soundfile.info(out).frames == round(seconds * 48000)


@pytest.mark.parametrize(
    ("options", "name"),
    [
        (["--through", "balance"], "mix-balance.wav"),
        (["--section", "chorus 1", "--format", "flac16"], "mix-chorus-1.flac"),
        (["--to", "1 s", "--through", "eq"], "mix-eq-start-to-1-s.wav"),
    ],
)
def test_a_step_or_a_part_never_replaces_the_mix(
    sheet: Path, options: list[str], name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("render", sheet, *options, capsys=capsys)[0] == 0
    assert [path.name for path in (sheet.parent / "out").iterdir()] == [name]


def test_the_loudest_moment_of_a_part_is_told_in_the_time_of_the_song(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = json.loads(run("render", sheet, "--section", "chorus 1", "--json", capsys=capsys)[1])
    assert data["mix"]["loudest_s"] >= 2.0
    assert data["mix"]["seconds"] == pytest.approx(3.0, abs=0.5)
    assert data["loudest_section"] == "chorus 1"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--section", "chrous 1"], "a section with a similar name exists: chorus 1"),
        (["--from", "verse 2"], "unknown section 'verse 2'"),
        (["--from", "13"], "write 'bar 13' or '13 s'"),
        (["--section", "CHORUS 1"], "a section with a similar name exists: chorus 1"),
        (["--from", "bar 99"], "bar 99 is beyond the end of the song"),
        (["--from", "3 s", "--to", "2 s"], "ends (2 s) before it begins (3 s)"),
        (["--from", "bar 0"], "bars and beats count from 1"),
        (["--section", "verse 1", "--to", "bar 2"], "exclude one another"),
        (["--through", "mixing"], "'balance', 'bus'"),
        (["--through", "mix" + "bus"], "(help: write bus)"),
        (["--threads", "0"], "threads"),
        (["--out", "."], "is a folder"),
        (["--out", "x" * 300 + ".wav"], "File name too long"),
        (["--out", "mix.mp3"], "ends in '.mp3', expected .wav or .flac"),
        (["--out", "mix.flac", "--format", "wav16"], "expected a name ending in .wav"),
    ],
)
def test_bad_usage_is_said_with_status_2(
    sheet: Path, options: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run("render", sheet, *options, capsys=capsys)
    assert (status, out) == (2, "")
    assert message in err
    assert "Traceback" not in err
    assert not (sheet.parent / "out").exists()


def test_every_problem_of_a_sheet_is_one_line_with_its_place(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = sheet.read_text("utf-8").replace("gain_db: -6", "gian_db: -6")
    sheet.write_text(text.replace("pan: L20", "pan: L101"), "utf-8")
    for verb in ("validate", "render"):
        status, out, err = run(verb, sheet, capsys=capsys)
        lines = err.splitlines()
        assert (status, out) == (2, "")
        assert len(lines) == 2
        assert lines[0].startswith(f"{sheet}:4:")
        assert "a key with a similar name exists: gain_db" in lines[0]
        assert "L101" in lines[1]
    assert not (sheet.parent / "out").exists()


def test_problems_under_json_are_data(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (sheet.parent / "stems" / "keys.wav").write_bytes(b"")
    status, out, _ = run("validate", sheet, "--json", capsys=capsys)
    (problem,) = json.loads(out)["problems"]
    assert status == 2
    assert (problem["rule"], problem["line"]) == ("audio/empty-file", 5)


def test_a_sound_sheet_is_said_to_be_sound(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run("validate", sheet, capsys=capsys)
    assert (status, err) == (0, "")
    assert "ok (2 tracks, 0 groups, 1 returns, 0 variants, 0:05.0)" in out


def test_a_foreign_file_is_kept_unless_forced(
    sheet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    precious = tmp_path / "precious.wav"
    soundfile.write(precious, np.zeros(100), 48000)
    before = precious.read_bytes()
    status, _, err = run("render", sheet, "--out", precious, capsys=capsys)
    assert (status, precious.read_bytes()) == (2, before)
    assert "--force" in err
    assert run("render", sheet, "--out", precious, "--force", capsys=capsys)[0] == 0
    assert run("render", sheet, "--out", precious, capsys=capsys)[0] == 0


def test_a_stem_is_never_overwritten(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stem = sheet.parent / "stems" / "bass.wav"
    before = stem.read_bytes()
    status, _, err = run("render", sheet, "--out", stem, "--force", capsys=capsys)
    assert (status, stem.read_bytes()) == (2, before)
    assert "is a stem of this mix" in err


def test_brackets_in_names_stay_as_they_are(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = sheet.read_text("utf-8").replace("chorus 1", "'chorus [/b] [red]'")
    sheet.write_text(text, "utf-8")
    status, out, _ = run("render", sheet, capsys=capsys)
    assert status == 0
    assert "(chorus [/b] [red])" in out


def test_schema_prints_what_lies_at_its_path(capsys: pytest.CaptureFixture[str]) -> None:
    printed = run("schema", capsys=capsys)[1]
    path = run("schema", "--path", capsys=capsys)[1].strip()
    assert json.loads(printed) == json.loads(Path(path).read_text("utf-8"))


@pytest.mark.parametrize("verb", cli.VERBS)
def test_every_command_shows_an_example_in_its_help(
    verb: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, _ = run(verb, "--help", capsys=capsys)
    assert status == 0
    assert "Example" in out
    assert f"mixwright {verb}" in out


def test_a_misspelt_command_is_recognised(capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = run("rendr", capsys=capsys)
    assert status == 2
    assert "a command with a similar name exists: render" in err


def test_our_own_bug_is_called_one(
    sheet: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("mixwright.rendering.perform.match_levels", lambda *_: 1 / 0)
    status, _, err = run("render", sheet, capsys=capsys)
    assert status == 70
    assert "This is a bug in mixwright" in err
    report = Path(err.split("with the file ")[1].split(" and ")[0])
    assert "ZeroDivisionError" in report.read_text("utf-8")
    report.unlink()


def command(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-m", "mixwright.cli", *map(str, arguments)]


def test_interrupting_a_render_leaves_the_old_mix(make_song: SongMaker) -> None:
    # Far longer than its tracks, so that it is still at work when the signal comes.
    tracks = {f"t{k}": (noise(k, 10, 2), "gain_db: -12") for k in range(6)}
    path = make_song(tracks, song=", end: {s: 1800}")
    out = path.parent / "out"
    out.mkdir()
    process = subprocess.Popen(
        command("render", path),
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        # Tests that were started in the background may ignore interrupts, and pass that on.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    for _ in range(400):  # until it is at work on the sound, or for 20 s
        if process.poll() is not None or _spool_is_open(process.pid):
            break
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert err.decode().strip() == "interrupted; nothing was left half-written"
    assert list(out.iterdir()) == []


def _spool_is_open(pid: int) -> bool:
    """Whether the process has a nameless file open (Linux), or has had two seconds (elsewhere)."""
    links = Path(f"/proc/{pid}/fd")
    if not links.exists():
        time.sleep(2.0)
        return True
    for link in links.iterdir():
        try:
            if "(deleted)" in os.readlink(link):
                return True
        except OSError:
            continue  # closed while we looked
    return False


def _no_file_beyond(size: int) -> None:
    """Let this process write no file that is longer."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


@needs_fork
@pytest.mark.parametrize("room", [1, 200_000, 3_999_000])
def test_a_full_disk_is_said_with_status_3_and_the_old_mix_stays(sheet: Path, room: int) -> None:
    assert cli.run(["render", str(sheet)]) == 0
    mix = sheet.parent / "out" / "mix.wav"
    before = mix.read_bytes()
    done = run_warm("render", sheet, before=partial(_no_file_beyond, room))
    assert done.status == 3
    assert "can't be written" in done.err
    assert mix.read_bytes() == before
    assert [p.name for p in mix.parent.iterdir()] == ["mix.wav"]


def test_validating_loads_nothing_heavy(sheet: Path) -> None:
    code = (
        "import sys; from mixwright import cli; "
        f"assert cli.run(['validate', {str(sheet)!r}]) == 0; "
        "heavy = {'numba', 'scipy', 'soxr', 'rich', 'jsonschema'} & set(sys.modules); "
        "sys.exit(str(sorted(heavy)) if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_an_interrupt_that_breaks_a_lock_is_still_an_interrupt(
    sheet: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt:
            raise RuntimeError("release unlocked lock")  # noqa: B904 - as the library does it

    monkeypatch.setattr("mixwright.rendering.perform.match_levels", broken)
    status, _, err = run("render", sheet, capsys=capsys)
    assert status == 130
    assert "interrupted" in err
