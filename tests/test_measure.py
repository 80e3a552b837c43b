"""``mixwright measure``: files, sheets, sections, references; tables, JSON, CSV, pictures."""

from __future__ import annotations

import csv
import errno
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from matplotlib.figure import Figure
from numpy.typing import NDArray

import mixwright
from conftest import SongMaker, noise
from mixwright.audio import played, probe
from mixwright.cli import run
from mixwright.problem import ProblemError
from mixwright.rendering import perform
from mixwright.rendering.ears import Ear, NodeKind
from mixwright.rendering.perform import PlannedMix

SONG = (
    ", tempo: [{bar: 1, bpm: 120}], "
    "sections: [{name: soft, bar: 1}, {name: loud, bar: 3}], loudest_section: soft"
)
REST = """
groups: {band: {gain_db: -2}}
returns: {hall: {type: reverb, decay_s: 0.5}}
mix_bus: {compressor: {threshold_db: -30, ratio: 2}}
references: [{file: ref.wav, section: loud}]
"""


def swelling(seconds: float) -> NDArray[np.float64]:
    signal = noise(1, seconds, 2, 0.05)
    signal[192000:] *= 2.0
    return signal


def song_of(make_song: SongMaker, seconds: float) -> Path:
    """A song so long, with a reference twice as long."""
    tracks = {
        "a": (swelling(seconds), "group: band, sends_db: {hall: -10}"),
        "b": (
            noise(2, seconds) * 0.5,
            "pan: L40, gain_db: -6, compressor: {threshold_db: -40, ratio: 2}",
        ),
    }
    path = make_song(tracks, REST, SONG)
    reference = noise(3, 2 * seconds, 2, 0.2)
    soundfile.write(path.parent / "ref.wav", reference, 44100, subtype="FLOAT")
    return path


@pytest.fixture
def song(make_song: SongMaker) -> Path:
    return song_of(make_song, 10.0)


@pytest.fixture
def short_song(make_song: SongMaker) -> Path:
    """Where no figure matters."""
    return song_of(make_song, 5.0)


def test_a_mix_measures_as_its_file_does(song: Path) -> None:
    done = mixwright.render(song, song.parent / "out.wav", format="wav32f")
    of_file = mixwright.measure(done.path).whole
    of_mix = mixwright.measure(song).whole
    assert of_mix.kind == "mix"
    for name in ("integrated_lufs", "true_peak_dbtp", "correlation", "seconds", "mono_loss_lu"):
        ours, theirs = getattr(of_mix.sound, name), getattr(of_file.sound, name)
        assert ours == pytest.approx(theirs, abs=1e-4), name
    assert of_mix.spectrum.octave_db == pytest.approx(of_file.spectrum.octave_db, abs=1e-3)
    # What a render reads while it runs is the same.
    assert of_file.sound.integrated_lufs == pytest.approx(
        done.readings.mix.integrated_lufs, abs=1e-4
    )


def test_every_node_is_heard_where_it_comes_out(song: Path) -> None:
    measured = mixwright.measure(song)
    found = {(f.kind, f.name): f.sound for f in measured.figures}
    assert list(found) == [
        ("mix", "mix"),
        ("track", "a"),
        ("track", "b"),
        ("group", "band"),
        ("return", "hall"),
    ]
    readings = mixwright.render(song).readings
    for track in readings.tracks:
        assert found["track", track.name].integrated_lufs == pytest.approx(
            track.integrated_lufs, abs=1e-6
        )
    a, band = found["track", "a"].integrated_lufs, found["group", "band"].integrated_lufs
    assert a is not None
    assert band == pytest.approx(a - 2.0, abs=1e-6)
    hall = found["return", "hall"].integrated_lufs
    # The fader of the group counts; the room is level-matched on pink noise, and this is white.
    assert hall == pytest.approx(a - 12.0, abs=3.0)
    through = {(f.kind, f.name) for f in mixwright.measure(song, through="balance").figures}
    assert ("return", "hall") not in through


def test_sections_are_those_of_the_piece_cut_out(song: Path) -> None:
    figures = mixwright.measure(song, by_section=True).figures
    mix = {f.section: f.sound for f in figures if f.kind == "mix"}
    assert set(mix) == {None, "soft", "loud"}
    done = mixwright.render(song, song.parent / "whole.wav", format="wav32f")
    whole, rate_hz = soundfile.read(done.path)
    for name, piece in (("soft", whole[:192000]), ("loud", whole[192000:480000])):
        soundfile.write(song.parent / "piece.wav", piece, rate_hz, subtype="FLOAT")
        alone = mixwright.measure(song.parent / "piece.wav").whole.sound
        assert mix[name].integrated_lufs == pytest.approx(alone.integrated_lufs, abs=0.02)
        assert mix[name].sample_peak_dbfs == pytest.approx(alone.sample_peak_dbfs, abs=1e-4)
        assert mix[name].rms_dbfs == pytest.approx(alone.rms_dbfs, abs=0.01)


def test_the_loudest_section_is_found_and_a_wrong_claim_said(
    song: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    loudest = mixwright.measure(song).loudest
    assert loudest is not None
    assert (loudest.section, loudest.claimed) == ("loud", "soft")
    assert run(["measure", str(song)]) == 0
    said = capsys.readouterr().out
    assert "loudest section by gain and pan alone: loud" in said
    assert "the sheet says soft" in said


def test_the_balance_is_made_in_the_same_pass_and_not_heard_at_the_nodes(
    make_song: SongMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    eq = "eq: [{type: high_shelf, freq_hz: 2000, gain_db: 8}], level_match: false, group: all"
    song = ", tempo: [{bar: 1, bpm: 120, beats_per_bar: 4}], sections: [{name: one, bar: 1}]"
    path = make_song({"a": (noise(1, 2), eq)}, "groups: {all: {}}\n", song)
    passes, made = [], perform._made

    def counting(parts: list[PlannedMix], *rest: Any) -> Any:
        passes.append(len(parts))
        return made(parts, *rest)

    monkeypatch.setattr(perform, "_made", counting)
    measured = mixwright.measure(path)
    assert measured.loudest is not None
    assert passes == [2]
    plan = mixwright.plan(mixwright.load(path))
    points: list[tuple[NodeKind, str]] = [("track", "a"), ("group", "all")]
    ears = {(kind, name): Ear(kind, name, plan.rate_hz) for kind, name in points}
    with perform.performed([PlannedMix(plan)], ears=ears):
        expected = [ear.stretch(None, 0.0, plan.end / plan.rate_hz) for ear in ears.values()]
    assert list(measured.figures[1:]) == expected


def test_references_are_compared_at_equal_loudness(song: Path) -> None:
    (found,) = mixwright.compare_references(song)
    assert found.section == "loud"
    assert found.reference.sound.seconds == pytest.approx(15.0, abs=0.02)
    ours, theirs = found.mix.sound.integrated_lufs, found.reference.sound.integrated_lufs
    assert ours is not None
    assert theirs is not None
    assert found.gain_db == pytest.approx(ours - theirs)
    # Both are white noise: at equal loudness hardly a band differs.
    differences = np.array(found.spectrum.octave_db[2:9])
    assert np.abs(differences).max() < 1.5
    # Twice as loud a reference changes nothing but the gain that matches it.
    samples, rate_hz = soundfile.read(song.parent / "ref.wav")
    soundfile.write(song.parent / "ref.wav", samples * 2, rate_hz, subtype="FLOAT")
    (louder,) = mixwright.compare_references(song)
    assert louder.gain_db == pytest.approx(found.gain_db - 6.0206, abs=0.01)
    assert louder.spectrum.octave_db == pytest.approx(found.spectrum.octave_db, abs=0.01)


def test_a_comparison_needs_references_with_sound_in_them(make_song: SongMaker, song: Path) -> None:
    soundfile.write(song.parent / "ref.wav", np.zeros((48000, 2)), 48000)
    with pytest.raises(ProblemError, match=r"ref.wav has too little to compare"):
        mixwright.compare_references(song)
    with pytest.raises(ProblemError, match="names no references"):
        mixwright.compare_references(make_song({"a": (noise(1), "")}))


def test_data_for_machines(short_song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["measure", str(short_song), "--by-section", "--json"]) == 0
    (data,) = json.loads(capsys.readouterr().out)["measured"]
    assert data["loudest_section"]["section"] == "loud"
    assert len(data["figures"]) == 5 * 3
    assert len(data["figures"][0]["spectrum"]["octave_db"]) == len(data["octaves_hz"])
    assert run(["measure", str(short_song), "--by-section", "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert len(rows) == 15
    assert float(rows[0]["integrated_lufs"]) == pytest.approx(
        data["figures"][0]["sound"]["integrated_lufs"], abs=1e-3
    )
    assert run(["measure", str(short_song), "--against-references", "--json"]) == 0
    (compared,) = json.loads(capsys.readouterr().out)["compared"]
    assert compared["references"][0]["file"] == "ref.wav"
    assert run(["measure", str(short_song), "--against-references", "--csv"]) == 0
    assert len(list(csv.DictReader(io.StringIO(capsys.readouterr().out)))) == 1


@pytest.mark.parametrize("options", [[], ["--against-references"]])
@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_pictures(short_song: Path, options: list[str], suffix: str) -> None:
    picture = short_song.parent / "pictures" / f"tone{suffix}"
    assert run(["measure", str(short_song), *options, "--plot", str(picture)]) == 0
    first = picture.read_bytes()
    assert first.startswith(b"\x89PNG" if suffix == ".png" else b"<?xml")
    assert run(["measure", str(short_song), *options, "--plot", str(picture)]) == 0
    assert picture.read_bytes() == first
    assert [path.name for path in picture.parent.iterdir()] == [picture.name]


@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_a_picture_takes_no_file_s_place_that_is_none_of_ours(
    short_song: Path, suffix: str, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = short_song.parent / f"cover{suffix}"
    picture.write_bytes(b"\x89PNG of someone else")
    assert run(["measure", str(short_song), "--plot", str(picture)]) == 2
    assert "is no picture by mixwright (help: give another --plot)" in capsys.readouterr().err
    assert picture.read_bytes() == b"\x89PNG of someone else"


def test_a_picture_is_there_whole_or_not_at_all(
    short_song: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = short_song.parent / "tone.svg"
    assert run(["measure", str(short_song), "--plot", str(picture)]) == 0
    before = picture.read_bytes()

    def full(figure: Figure, path: Path, **options: object) -> None:
        path.write_bytes(b"<?xml")
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Figure, "savefig", full)
    assert run(["measure", str(short_song), "--plot", str(picture)]) == 3
    assert "No space left on device" in capsys.readouterr().err
    assert picture.read_bytes() == before
    assert not list(picture.parent.glob(".*"))


def test_mono_files_short_files_and_silence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    soundfile.write(tmp_path / "mono.wav", noise(1, 1), 48000)
    soundfile.write(tmp_path / "short.wav", noise(1, 0.01, 2), 48000)
    soundfile.write(tmp_path / "silent.wav", np.zeros((48000, 2)), 48000)
    soundfile.write(tmp_path / "empty.wav", np.zeros((0, 2)), 48000)
    names = ("mono", "short", "silent")
    assert run(["measure", *(str(tmp_path / f"{name}.wav") for name in names)]) == 0
    out = capsys.readouterr().out
    assert "correlation" not in out.split("short.wav")[0]
    assert "nan" not in out
    assert run(["measure", str(tmp_path / "empty.wav")]) == 2
    assert "empty.wav" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere.wav"], "nowhere.wav"),
        (["{song}", "--csv", "--json"], "exclude one another"),
        (["{song}", "--plot", "tone.jpg"], ".png or .svg"),
        (["{song}", "--plot", "/proc/none/tone.png"], "tone.png"),
    ],
)
def test_what_can_t_be_measured_is_said(
    short_song: Path, arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status = run(["measure", *(argument.format(song=short_song) for argument in arguments)])
    assert status in (2, 3)
    assert said in capsys.readouterr().err


def test_nodes_are_measured_to_the_end_of_the_song_whatever_rings_on(make_song: SongMaker) -> None:
    signal = noise(1, 2, 2)
    rest = "returns: {hall: {type: reverb, decay_s: 3}}\n"
    path = make_song({"a": (signal, "sends_db: {hall: -60}")}, rest)
    track = next(f for f in mixwright.measure(path).figures if f.kind == "track")
    assert track.sound.seconds == pytest.approx(2.0)
    assert track.sound.rms_dbfs == pytest.approx(20 * np.log10(signal.std()), abs=0.01)


def test_without_a_place_for_temporary_files_it_says_so(
    song: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tempfile.tempdir", "/nonexistent")
    assert run(["measure", str(song)]) == 3
    assert "$TMPDIR" in capsys.readouterr().err


def test_a_file_that_is_written_to_while_it_is_measured_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(1, 6.0), 48000)
    blocks = played(probe(path))
    next(blocks)
    with path.open("r+b") as file:
        file.seek(-3000, io.SEEK_END)
        file.write(bytes(3000))
    with pytest.raises(ProblemError, match=r"a\.wav was changed while it was being read"):
        list(blocks)
