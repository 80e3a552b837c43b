"""A delivery as a whole: what is made and kept, the files held to independent readers, safety."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import random
import shutil
import signal
import time
from pathlib import Path

import mutagen
import numpy as np
import pyebur128
import pytest
import soundfile

import mixwright
from conftest import SongMaker, noise
from fuzzing.nursery import in_nursery
from mixwright import cli
from mixwright.audio.bext import read_bext
from mixwright.delivering.delivery import Delivered
from mixwright.delivering.manifest import MadeWith, this_platform, this_tool
from mixwright.problem import ProblemError
from tags_in_files import read_tags
from warm_command import needs_fork

TRACKS = {
    "kick": "group: drums, gain_db: -15, sends_db: {room: -12}",
    "bass": "gain_db: -18",
    "lead": "group: vocals, gain_db: -14, sends_db: {room: -10}",
    "choir": "group: vocals, gain_db: -21, pan: R40",
    "beep": "mute: true",
}
MIX = """
groups:
  drums: {}
  vocals: {compressor: {threshold_db: -30, ratio: 2, attack_ms: 10, release_ms: 80}}
returns: {room: {type: reverb, decay_s: 0.3}}
mix_bus: {compressor: {threshold_db: -30, ratio: 2, attack_ms: 10, release_ms: 100}}
"""
RELEASE = """
release: {album: Harbour Notices, track_number: 4, date: 2026-11-20, isrc: ZZ-NQY-26-00004}
variants:
  main: {formats: [wav24, flac16]}
  instrumental: {without: [vocals], bus_gain: from_main}
  a_cappella: {only: [vocals], bus_gain: from_main}
  clean: {clean: [{name: lead, s: 0.5, for_ms: 200, instead: beep}]}
  vocal_up: {offset_db: {lead: 1}}
  loud: {loudness: {integrated_lufs: -14, true_peak_dbtp: -2}, formats: [wav16, mp3]}
  stems: {split_by: group, sum: exact, formats: [wav32f, wav24]}
"""


@pytest.fixture
def song(make_song: SongMaker) -> Path:
    """A sheet of five tracks of a second and a half, with what a release needs."""
    tracks = {
        name: (noise(seed, 1.5, 1 + seed % 2, 0.2), settings)
        for seed, (name, settings) in enumerate(TRACKS.items())
    }
    return make_song(tracks, MIX + RELEASE, song=", artist: Ninefold Quay")


def read(done: Delivered, name: str) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """A delivered file as the sound library decodes it."""
    return soundfile.read(done.folder / f"Test - {name}", always_2d=True)[0]


def peak_dbfs(sound: object) -> float:
    """The highest sample, in dB re full scale."""
    return float(20.0 * np.log10(np.abs(sound).max() + 1e-30))  # type: ignore[call-overload]


def test_a_delivery_from_end_to_end(song: Path) -> None:
    done = mixwright.deliver(song)
    assert done.folder == song.parent / "out"
    assert {entry.variant for entry in done.made} == {v.name for v in mixwright.load(song).variants}
    assert not done.failed
    _holds_what_it_lists(done.folder)
    _main_is_the_render(song, done)
    _stems_add_up(done)
    _loudness_is_met(done)
    _says_what_it_is(done)
    again = mixwright.deliver(song)
    assert again.made == ()
    assert {entry.file for entry in again.kept} == {entry.file for entry in done.made}
    assert mixwright.verify(done.folder, rerender=True).holds


def _holds_what_it_lists(folder: Path) -> None:
    """The manifest against the files, by hashlib and the JSON alone."""
    listed = json.loads((folder / "manifest.json").read_text("utf-8"))["outputs"]
    files = {p.name: p for p in folder.iterdir() if not p.name.startswith(".")}
    assert {entry["file"] for entry in listed} == set(files) - {"manifest.json"}
    for entry in listed:
        data = files[entry["file"]].read_bytes()
        assert hashlib.sha256(data).hexdigest() == entry["sha256"]
        assert len(data) == entry["bytes"]


def _main_is_the_render(song: Path, done: Delivered) -> None:
    rendered = mixwright.render(song, song.parent / "mix.wav", format="wav24")
    with (
        soundfile.SoundFile(rendered.path) as file,
        soundfile.SoundFile(done.folder / "Test - main.wav") as delivered,
    ):
        assert np.array_equal(file.read(dtype="int32"), delivered.read(dtype="int32"))


def _stems_add_up(done: Delivered) -> None:
    """Float stems add up to the float mix; 24-bit ones to within the dither of all four files."""
    names = ("drums", "bass", "vocals")
    main = read(done, "main.wav")
    exact = sum(read(done, f"stems - {name} - wav32f.wav") for name in names)
    rounded = sum(read(done, f"stems - {name} - wav24.wav") for name in names)
    step = 2.0**-23
    assert peak_dbfs(main) > -20.0
    assert np.abs(exact - main).max() < 1.5 * step + 10.0 ** (-120.0 / 20.0)  # main's dither
    assert np.abs(rounded - main).max() < 4 * 1.5 * step + 10.0 ** (-120.0 / 20.0)
    both = read(done, "instrumental.wav") + read(done, "a_cappella.wav")
    assert np.abs(both - main).max() < 3 * 1.5 * step + 10.0 ** (-120.0 / 20.0)


def _loudness_is_met(done: Delivered) -> None:
    """By libebur128, which shares nothing with our meters."""
    lufs, peak_dbtp = loudness_of(done.folder / "Test - loud.wav")
    assert lufs == pytest.approx(-14.0, abs=0.05)
    assert peak_dbtp <= -2.0


def _says_what_it_is(done: Delivered) -> None:
    tags = read_tags(done.folder / "Test - main.flac")
    assert (tags.title, tags.artist, tags.isrc) == ("Test", "Ninefold Quay", "ZZNQY2600004")
    by_mutagen = mutagen.File(done.folder / "Test - main.flac")
    assert by_mutagen["album"] == ["Harbour Notices"]
    assert by_mutagen["tracknumber"] == ["4"]
    assert read_tags(done.folder / "Test - vocal_up.wav").title == "Test (vocal up)"
    bext = read_bext(done.folder / "Test - main.wav")
    assert bext is not None
    assert (bext.description, bext.date, bext.time_reference_samples) == ("Test", "2026-11-20", 0)
    entry = next(e for e in done.made if e.file == "Test - main.wav")
    assert bext.loudness_lufs == pytest.approx(entry.meters.integrated_lufs, abs=0.01)


def with_variants(song: Path, variants: str) -> Path:
    """The song with other variants."""
    text = song.read_text("utf-8").split("variants:")[0]
    song.write_text(f"{text}variants:\n{variants}", "utf-8")
    return song


def loudness_of(path: Path) -> tuple[float, float]:
    """Integrated loudness (LUFS) and true peak (dBTP) of a file as decoded, by libebur128."""
    sound, rate_hz = soundfile.read(path)
    mode = pyebur128.MeasurementMode
    meter = pyebur128.R128State(2, rate_hz, mode.MODE_I | mode.MODE_TRUE_PEAK)
    meter.add_frames(np.ascontiguousarray(sound).ravel(), len(sound))
    peak = max(pyebur128.get_true_peak(meter, channel) for channel in range(2))
    return float(pyebur128.get_loudness_global(meter)), float(20.0 * np.log10(peak))


def test_loudness_is_met_at_every_rate_and_stems_still_add_up(song: Path) -> None:
    aim = "loudness: {integrated_lufs: -12, true_peak_dbtp: -3}, sample_rates_hz: [44100]"
    parts = "split_by: group, sum: exact, formats: [wav32f], sample_rates_hz: [44100]"
    with_variants(song, f"  main: {{formats: [wav32f, mp3], {aim}}}\n  stems: {{{parts}}}\n")
    done = mixwright.deliver(song)
    lufs, peak_dbtp = loudness_of(done.folder / "Test - main.wav")
    assert lufs == pytest.approx(-12.0, abs=0.05)
    assert -3.6 < peak_dbtp <= -3.0
    names = [f"Test - stems - {name}.wav" for name in ("drums", "bass", "vocals")]
    parts_sum = sum(soundfile.read(done.folder / name)[0] for name in names)
    assert peak_dbfs(parts_sum - soundfile.read(done.folder / "Test - main.wav")[0]) < -120.0
    # What is lost is measured on what is left: the decoded file, not what went in.
    entry = next(entry for entry in done.made if entry.format == "mp3")
    lufs, peak_dbtp = loudness_of(done.folder / entry.file)
    assert entry.meters.integrated_lufs == pytest.approx(lufs, abs=0.02)
    assert entry.meters.true_peak_dbtp == pytest.approx(peak_dbtp, abs=0.2)


def test_a_loudness_out_of_reach_fails_those_alone_that_follow_it(
    song: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    far = "loudness: {integrated_lufs: -1, true_peak_dbtp: -10}"
    rest = "  tv: {without: [lead], bus_gain: from_main}\n  own: {without: [lead]}\n"
    with_variants(song, f"  main: {{{far}}}\n{rest}")
    assert cli.run(["deliver", str(song)]) == 2
    said = capsys.readouterr()
    assert "1 file made, not delivered: main, tv" in said.out
    assert "can't be had at -1.0 LUFS under -10.0 dBTP" in said.err


def test_a_listed_file_that_became_something_else_stays(
    song: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = mixwright.deliver(song, only=["main"])
    (done.folder / "Test - main.wav").write_bytes(b"my own work")
    assert cli.run(["deliver", str(song), "--only", "main"]) == 2
    assert "Test - main.wav exists and was not written by mixwright" in capsys.readouterr().err
    assert (done.folder / "Test - main.wav").read_bytes() == b"my own work"


def test_files_of_an_earlier_sheet_are_told(song: Path) -> None:
    with_variants(song, "  main: {}\n  up: {offset_db: {lead: 1}}\n")
    mixwright.deliver(song)
    text = song.read_text("utf-8")
    song.write_text(text.replace("gain_db: -18", "gain_db: -20"), "utf-8")
    done = mixwright.deliver(song, only=["up"])
    assert done.stale == ("main",)
    verified = mixwright.verify(done.folder, rerender=True)
    assert verified.holds
    assert any("1 file is from an earlier sheet" in note for note in verified.notes)
    (main,) = [held for held in verified.files if held.file == "Test - main.wav"]
    assert main.remade is None
    # A remark is no new sheet: what would come out the same counts as made from it.
    song.write_text(text + "# a remark\n", "utf-8")
    mixwright.deliver(song)
    assert not any("earlier sheet" in note for note in mixwright.verify(done.folder).notes)


@pytest.mark.parametrize(
    ("change", "remade"),
    [
        (("format: 1", "format: 1  # a remark"), set()),
        (("offset_db: {lead: 1}", "offset_db: {lead: 2}"), {"vocal_up"}),
        (("gain_db: -21", "why: softer, gain_db: -21"), set()),
        # What follows the main mix hears the choir in it.
        (
            ("gain_db: -21", "gain_db: -22"),
            {"main", "instrumental", "a_cappella", "clean", "vocal_up", "loud", "stems"},
        ),
        (("[wav24, flac16]", "[wav24, flac24]"), {"main"}),
        (("without: [vocals], bus_gain: from_main", "without: [vocals]"), {"instrumental"}),
    ],
)
def test_only_what_changed_is_made(
    change: tuple[str, str], remade: set[str], song: Path, tmp_path: Path
) -> None:
    mixwright.deliver(song, only=["main", "instrumental", "vocal_up"])
    text = song.read_text("utf-8")
    assert change[0] in text
    song.write_text(text.replace(*change), "utf-8")
    done = mixwright.deliver(song, only=["main", "instrumental", "vocal_up"])
    wanted = {"main", "instrumental", "vocal_up"}
    assert {entry.variant for entry in done.made} == remade & wanted
    assert {entry.variant for entry in done.kept} == wanted - remade
    assert set(done.stale) == {"a_cappella", "clean", "loud", "stems"}


def test_another_library_makes_nothing_again_and_what_is_kept_says_so(
    song: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = mixwright.deliver(song, only=["main"])
    now = this_tool()
    newer = dataclasses.replace(now, libraries={**now.libraries, "numpy": "99.0"})
    monkeypatch.setattr("mixwright.delivering.delivery.this_tool", lambda: newer)
    done = mixwright.deliver(song, only=["main", "vocal_up"])
    assert ({e.variant for e in done.kept}, {e.variant for e in done.made}) == (
        {"main"},
        {"vocal_up"},
    )
    assert done.manifest.made_by == newer
    kept, made = done.kept[0], done.made[0]
    assert (kept.sha256, made.made_with) == (first.made[0].sha256, None)
    assert kept.made_with == MadeWith(now, this_platform())
    assert mixwright.verify(done.folder).notes[0] == (
        f"1 file was made with numpy 99.0, here is {now.libraries['numpy']}"
    )


def test_a_file_that_was_touched_or_lost_is_made_again(song: Path) -> None:
    done = mixwright.deliver(song, only=["main", "vocal_up"])
    bits = (done.folder / "Test - main.wav").read_bytes()
    (done.folder / "Test - main.wav").write_bytes(bits[:-1])
    (done.folder / "Test - vocal_up.wav").unlink()
    assert not mixwright.verify(done.folder).holds
    again = mixwright.deliver(song, only=["main", "vocal_up"])
    assert {entry.variant for entry in again.made} == {"main", "vocal_up"}
    assert (done.folder / "Test - main.wav").read_bytes() == bits


def test_what_clips_is_named_and_the_rest_delivered(
    song: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = song.read_text("utf-8").replace("offset_db: {lead: 1}", "offset_db: {lead: 24}")
    song.write_text(text, "utf-8")
    assert cli.run(["deliver", str(song), "--only", "main,vocal_up"]) == 2
    said = capsys.readouterr()
    assert "vocal_up was not written: it peaks at +" in said.err
    assert "or deliver it as wav32f" in said.err
    assert "2 files made, not delivered: vocal_up" in said.out
    _holds_what_it_lists(song.parent / "out")


def test_a_stem_that_changes_meanwhile_stops_it(
    song: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from mixwright.delivering import delivery

    write = delivery.write_file

    def removing(*arguments: object) -> object:
        (song.parent / "stems" / "bass.wav").unlink(missing_ok=True)
        return write(*arguments)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(delivery, "write_file", removing)
        assert cli.run(["deliver", str(song), "--only", "main"]) == 3
    assert "bass.wav was removed while it was being delivered" in capsys.readouterr().err
    assert list((song.parent / "out").iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "status", "message"),
    [
        (["--only", "instrumentel"], 2, "a variant with a similar name exists: instrumental"),
        (["--out", "mix.yaml"], 2, "mix.yaml"),
        (["--threads", "0"], 2, "--threads"),
    ],
)
def test_what_is_asked_wrongly(
    arguments: list[str],
    status: int,
    message: str,
    song: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(song.parent)
    assert cli.run(["deliver", "mix.yaml", *arguments]) == status
    assert message in capsys.readouterr().err


def test_a_file_of_somebody_else_stays(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    theirs = song.parent / "out" / "Test - main.wav"
    theirs.parent.mkdir()
    theirs.write_bytes(b"not ours")
    assert cli.run(["deliver", str(song), "--only", "main"]) == 2
    assert "was not written by mixwright" in capsys.readouterr().err
    assert theirs.read_bytes() == b"not ours"
    assert cli.run(["deliver", str(song), "--only", "main", "--force"]) == 0
    _holds_what_it_lists(theirs.parent)


def _killed_over_and_over(song: Path, out: Path) -> int:
    """Deliver thirty times, each with other settings, and kill it at any moment; how often it was.

    After each, whatever lies there under its final name is listed.
    """
    text, chance, killed = song.read_text("utf-8"), random.Random(6), 0
    song.write_text(text.replace("GAIN", "0.5"), "utf-8")
    for count in range(2):
        began = time.monotonic()
        mixwright.deliver(song, out.parent / f"warm-up-{count}", threads=1)
        takes_s = time.monotonic() - began
    for trial in range(30):
        song.write_text(text.replace("GAIN", f"{1 + 0.1 * trial:.1f}"), "utf-8")
        if trial % 6 == 0:
            shutil.rmtree(out, ignore_errors=True)
        child = os.fork()
        if child == 0:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            mixwright.deliver(song, out, threads=1)
            os._exit(0)
        time.sleep(chance.uniform(0.0, 0.8 * takes_s))
        os.kill(child, signal.SIGKILL)  # not yet waited for, so that it is still there
        killed += os.waitpid(child, 0)[1] != 0
        _is_whole(out)
    return killed


@needs_fork
def test_killed_at_any_moment_nothing_is_lost(song: Path, tmp_path: Path) -> None:
    text = song.read_text("utf-8").split("variants:")[0] + (
        "variants:\n  main: {formats: [wav16, flac16]}\n  up: {offset_db: {lead: GAIN}}\n"
        "  stems: {split_by: group, sum: exact}\n"
    )
    song.write_text(text, "utf-8")
    out = tmp_path / "out"
    assert in_nursery(_killed_over_and_over, song, out) >= 15, "hardly any was killed at work"
    mixwright.deliver(song, out)
    _holds_what_it_lists(out)


def _is_whole(folder: Path) -> None:
    """Every file under its final name is listed with its hash, as new or as what it replaces."""
    if not folder.exists():
        return
    files = [p for p in folder.iterdir() if not p.name.startswith(".") and p.suffix != ".json"]
    manifest = folder / "manifest.json"
    listed: set[tuple[str, str]] = set()
    if manifest.exists():
        data = json.loads(manifest.read_text("utf-8"))
        for entry in [*data["outputs"], *data["replacing"], *data["former"]]:
            listed.add((entry["file"], entry["sha256"]))
    for path in files:
        found = hashlib.sha256(path.read_bytes()).hexdigest()
        assert (path.name, found) in listed, path.name


def test_a_sheet_without_variants_delivers_the_mix(make_song: SongMaker) -> None:
    path = make_song({"a": (noise(1, 0.5, 1, 0.1), "")})
    done = mixwright.deliver(path)
    assert [entry.file for entry in done.made] == ["Test - main.wav"]


def test_stems_have_dither_of_their_own(song: Path) -> None:
    """The same dither in every stem would add up as one sound, 6 dB up for each doubling."""
    text = song.read_text("utf-8")
    for level in ("gain_db: -15", "gain_db: -18"):
        text = text.replace(level, "gain_db: -120")
    song.write_text(text.replace("room: -12", "room: off"), "utf-8")
    done = mixwright.deliver(song, only=["stems"])
    one, other = (read(done, f"stems - {name} - wav24.wav") for name in ("drums", "bass"))
    assert np.abs(one).max() <= 8 * 2.0**-23
    assert one.any()
    shared = np.corrcoef(one[:, 0], other[:, 0])[0, 1]
    assert abs(shared) < 0.05


def test_problems_are_data_under_json(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["deliver", str(song), "--only", "main", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [entry["format"] for entry in data["made"]] == ["wav24", "flac16"]
    assert data["failed"] == {}
    assert cli.run(["deliver", str(song), "--only", "nothing", "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["problems"]


def test_an_unknown_variant_is_refused_before_anything_happens(song: Path) -> None:
    with pytest.raises(ProblemError, match="unknown variant 'x'"):
        mixwright.deliver(song, only=["x"])
    assert not (song.parent / "out").exists()


def test_deliveries_are_frozen(song: Path) -> None:
    done = mixwright.deliver(song, only=["main"])
    with pytest.raises(dataclasses.FrozenInstanceError):
        done.stale = ()  # type: ignore[misc]
