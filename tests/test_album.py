"""Albums: sheets found and placed, delivered side by side, what they measure together."""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile
from numpy.typing import NDArray

import mixwright
from conftest import RATE_HZ, noise
from mixwright import cli
from mixwright.cli.progress import shown_album_progress
from mixwright.delivering.album import Album, AlbumSong, heard_together
from mixwright.delivering.album_loudness import album_lufs, main_mix
from mixwright.delivering.album_sheets import find_sheets, songs_of
from mixwright.delivering.delivery import Delivered
from mixwright.delivering.manifest import FileMeters, OutputEntry
from mixwright.meters.loudness import LoudnessMeter, integrated_lufs
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering.session import Session
from mixwright.report.album import (
    album_as_data,
    album_lines,
    failure_line,
    outcome_words,
    song_problem_lines,
)
from mixwright.sheet import Labels, Release, Sheet, Song
from test_manifest import OUTPUT, WHOLE

SHEET = "format: 1\n"


def laid_out(folder: Path, *files: str, text: str = SHEET) -> Path:
    for file in files:
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        (folder / file).write_text(text)
    return folder


# Which files are sheets, their order, where they go.


def test_sheets_are_found_in_a_folder_and_one_below(tmp_path: Path) -> None:
    laid_out(tmp_path, "two.yaml", "one/mix.yaml", "one/edit.YML")
    hidden = (".draft.yaml", ".old/mix.yaml", "out/mix.yaml", "stems/mix.yaml", "references/a.yml")
    laid_out(tmp_path, *hidden, "one/deep/mix.yaml", "one/out/mix.yaml", "mix.txt")
    found = [path.relative_to(tmp_path).as_posix() for path in find_sheets(tmp_path)]
    assert found == ["one/edit.YML", "one/mix.yaml", "two.yaml"]


@pytest.mark.parametrize(
    ("text", "is_one"),
    [
        ("# a song\nsong: {title: A\n", True),  # broken, but meant
        ("tracks:\r\n", True),
        ("\ufeff'format' : 1", True),
        ("on: push\njobs: {song: 1}\n  song: 2\n", False),
        ("songs: []\n# song: 1\n", False),
        ("", False),
    ],
)
def test_what_has_a_key_of_a_sheet_is_one(tmp_path: Path, text: str, is_one: bool) -> None:
    (tmp_path / "a.yaml").write_text(text, "utf-8")
    assert bool(find_sheets(tmp_path)) is is_one


def test_a_folder_without_sheets_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    laid_out(tmp_path, "other.yaml", text="jobs: 1\n")
    assert cli.run(["deliver", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"error: no mix sheets in {tmp_path}, expected *.yaml")
    with pytest.raises(ProblemError, match="there is no folder"):
        mixwright.deliver_album(tmp_path / "nowhere")


def loads(numbers: dict[str, int | None]) -> Callable[[Path], Sheet]:
    """A loader of sheets with these track numbers by file name; others are broken."""

    def load(path: Path) -> Sheet:
        if path.name not in numbers:
            raise ProblemError([Problem("sheet/broken", "it is broken")])
        labels = Labels(track_number=numbers[path.name])
        return Sheet(path, Song(path.stem, RATE_HZ), (), release=Release(None, labels))

    return load


@pytest.mark.parametrize(
    ("numbers", "order"),
    [
        ({"a.yaml": 3, "b.yaml": 1, "c.yaml": 2}, "bca"),
        ({"a.yaml": 3, "b.yaml": None, "c.yaml": 2}, "abc"),
        ({"a.yaml": 3, "c.yaml": 2}, "cab"),  # the broken one last
        ({"a.yaml": None, "c.yaml": None}, "abc"),
        ({"a.yaml": 1, "b.yaml": 1, "c.yaml": 0}, "cab"),
    ],
)
def test_songs_come_by_number_or_by_path(
    tmp_path: Path, numbers: dict[str, int | None], order: str
) -> None:
    laid_out(tmp_path, "a.yaml", "b.yaml", "c.yaml")
    songs = songs_of(tmp_path, loads(numbers), None)
    assert "".join(Path(song.name).stem for song in songs) == order
    broken = [song for song in songs if song.sheet is None]
    assert [song.problems[0].message for song in broken] == ["it is broken"] * len(broken)


def places(album: Path, out: Path | None) -> dict[str, str | None]:
    named = dict.fromkeys(("mix.yaml", "edit.yaml", "One.yaml"))
    songs = songs_of(album, loads(named), out)
    return {
        s.name: None if s.folder is None else os.path.relpath(s.folder, album.parent) for s in songs
    }


def test_songs_go_beside_their_sheets_or_below_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    album = laid_out(tmp_path / "album", "one/mix.yaml", "two/mix.yaml", "two/edit.yaml")
    assert places(album, None) == {
        "one/mix.yaml": "album/one/out",
        "two/edit.yaml": "album/two/out/edit",
        "two/mix.yaml": "album/two/out",
    }
    assert places(album, tmp_path / "new") == {
        "one/mix.yaml": "new/one",
        "two/edit.yaml": "new/edit",
        "two/mix.yaml": "new/mix",
    }
    monkeypatch.chdir(laid_out(tmp_path / "single", "mix.yaml"))
    (song,) = songs_of(Path(), loads({"mix.yaml": 1}), Path("new"))
    assert song.folder == Path("new/single"), "a folder has a name from inside, too"


def test_no_two_songs_share_a_folder(tmp_path: Path) -> None:
    album = laid_out(tmp_path / "album", "one/mix.yaml", "One.yaml", "edit.yaml")
    found = places(album, tmp_path / "new")
    assert found == {"One.yaml": "new/One", "edit.yaml": "new/edit", "one/mix.yaml": None}
    songs = songs_of(album, loads({"mix.yaml": 1, "One.yaml": 2, "edit.yaml": 3}), tmp_path)
    said = {song.name: [p.message for p in song.problems] for song in songs if song.problems}
    assert said == {"One.yaml": [f"One.yaml and one/mix.yaml would both go to {tmp_path / 'One'}"]}


# Loudness.


def hops_of(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    meter = LoudnessMeter(RATE_HZ, 2)
    meter.feed(signal.copy())
    return meter.hops()


def second_library(signal: NDArray[np.float64]) -> pyebur128.R128State:
    state = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(signal).ravel(), len(signal))
    return state


def test_the_loudness_of_several_songs_agrees_with_a_library() -> None:
    # 16 dB apart the softest passes its own gate but not that of the album; one is silent.
    songs = [noise(n, 3.05, 2, level) for n, level in enumerate((0.2, 0.1, 0.03))]
    songs.append(np.zeros((RATE_HZ, 2)))
    theirs = pyebur128.get_loudness_global_multiple([second_library(song) for song in songs])
    ours = album_lufs(map(hops_of, songs))
    # Same weighting at this rate, same hops, same gates: what is left is rounding.
    assert ours == pytest.approx(theirs, abs=0.001)
    assert album_lufs([hops_of(songs[0])]) == integrated_lufs(hops_of(songs[0]))
    assert album_lufs(hops_of(songs[0]) for _ in range(2)) == pytest.approx(
        integrated_lufs(hops_of(songs[0])), abs=1e-9
    ), "an album of one song twice is as loud as the song"


def test_no_block_reaches_from_one_song_into_the_next() -> None:
    songs = [np.full(4, 0.01), np.full(4, 0.02)]
    assert album_lufs(songs) == pytest.approx(-0.691 + 10 * np.log10(0.015), abs=1e-9)
    assert album_lufs([np.full(3, 0.01)] * 9) is None, "pieces of a block are none"
    assert album_lufs([]) is None


def test_a_song_is_heard_through_its_main_mix() -> None:
    def entry(variant: str, form: str = "wav24", stem: str | None = None) -> OutputEntry:
        return replace(OUTPUT, variant=variant, format=form, stem=stem)

    variants = ["tv", "main", "stems"]
    files = [entry("stems", stem="bass"), entry("tv"), entry("main", "mp3"), entry("main")]
    assert main_mix(files, variants) == entry("main"), "a lossless file goes first"
    assert main_mix(files[:3], variants) == entry("main", "mp3")
    assert main_mix([entry("acoustic"), entry("tv")], ["tv", "acoustic"]) == entry("tv")
    assert main_mix(files[:1], variants) is None, "a part is no mix"


# An album, delivered.


def write_song(folder: Path, sheet: str, level: float, rest: str) -> None:
    (folder / sheet).parent.mkdir(parents=True, exist_ok=True)
    stem = (folder / sheet).with_suffix(".wav")
    soundfile.write(stem, noise(round(level * 100), 2.0, 2, level), RATE_HZ, subtype="FLOAT")
    track = f"tracks:\n  band: {{file: {stem.name}, gain_db: 0}}\n"
    song = f"format: 1\nsong: {{title: {stem.parent.name}, sample_rate_hz: {RATE_HZ}}}\n"
    (folder / sheet).write_text(song + track + rest)


VARIANTS = """release: {track_number: 2}
variants:
  main: {formats: [mp3, wav24]}
  quiet: {offset_db: {band: -6}, formats: [wav16]}
"""


@dataclass(frozen=True)
class Run:
    """What ``mixwright deliver album --out new`` left and said."""

    home: Path
    status: int
    said: str
    complaints: str


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory, own_cache: Path) -> Iterator[Run]:
    home, said, complaints = tmp_path_factory.mktemp("album"), io.StringIO(), io.StringIO()
    album = home / "album"
    write_song(album, "Ebb/mix.yaml", 0.05, VARIANTS)
    write_song(album, "Flood/mix.yaml", 0.1, "release: {track_number: 1}\n")
    write_song(album, "Slack/mix.yaml", 0.1, "mix_buss: {}\n")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("MIXWRIGHT_CACHE", str(own_cache))
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complaints):
            status = cli.run(["deliver", str(album), "--out", str(home / "new"), "--threads", "2"])
        yield Run(home, status, said.getvalue(), complaints.getvalue())


def test_an_album_is_delivered_and_a_broken_song_named(run: Run) -> None:
    assert run.status == 2
    complaints = run.complaints.splitlines()
    assert complaints[0].startswith(f"{run.home}/album/Slack/mix.yaml:5:1: error: unknown key")
    assert complaints[-1] == "error: 1 of 3 songs was not delivered whole: Slack/mix.yaml"
    made = sorted(p.relative_to(run.home / "new").as_posix() for p in run.home.glob("new/*/[!.]*"))
    assert made == [
        "Ebb/Ebb - main.mp3",
        "Ebb/Ebb - main.wav",
        "Ebb/Ebb - quiet.wav",
        "Ebb/manifest.json",
        "Flood/Flood - main.wav",
        "Flood/manifest.json",
    ]
    assert not list(run.home.glob("**/.mixwright-deliver*"))


def test_the_table_says_how_the_songs_compare(run: Run) -> None:
    flood, ebb = (run.home / f"new/{name}/{name} - main.wav" for name in ("Flood", "Ebb"))
    states = [second_library(soundfile.read(path)[0]) for path in (flood, ebb)]
    loud, quiet = map(pyebur128.get_loudness_global, states)
    both = pyebur128.get_loudness_global_multiple(states)
    lines = run.said.splitlines()
    # By number, with the figures of the lossless main mix to two decimals.
    rows = [line.split() for line in lines if line.startswith((" Flood", " Ebb", " Slack"))]
    assert rows[0][:2] + rows[0][-2:] == ["Flood", "0:02.0", "1", "made"]
    assert rows[1][:2] + rows[1][-2:] == ["Ebb", "0:02.0", "3", "made"]
    assert rows[2] == ["Slack/mix.yaml", "failed"]
    figures = {line.split()[0]: line.split()[1:] for line in lines[-4:]}
    for word, theirs in (("loudest", loud), ("quietest", quiet), ("album", both)):
        # Two decimals, and 24 bits with their dither: far less.
        assert float(figures[word][0]) == pytest.approx(theirs, abs=0.011)
    assert figures["loudest"][2] == "Flood"
    assert figures["quietest"][2:] == ["Ebb,", f"{loud - quiet:.2f}", "LU", "below"]
    assert rows[0][3] == "-", "too short for a loudness range"
    assert figures["highest"] == [rows[0][4], "dBTP"], "Flood's own true peak"


def test_what_is_there_is_kept_and_a_song_without_the_variant_says_so(run: Run) -> None:
    told: list[tuple[str, str]] = []
    album = mixwright.deliver_album(
        run.home / "album",
        run.home / "new",
        only=["quiet"],
        progress=lambda name, stage, share: told.append((name, stage)),
    )
    flood, ebb, slack = album.songs
    assert [song.title for song in album.songs] == ["Flood", "Ebb", "Slack/mix.yaml"]
    assert ebb.delivered is not None
    assert [entry.file for entry in ebb.delivered.kept] == ["Ebb - quiet.wav"]
    assert (ebb.delivered.made, ebb.failed) == ((), False)
    assert flood.delivered is None
    assert flood.problems[0].message == "unknown variant 'quiet', expected one of: main"
    assert album.failed == (flood, slack)
    assert album.loudest is album.quietest is ebb, "heard through the variant that there is"
    assert album.integrated_lufs == pytest.approx(ebb.integrated_lufs, abs=0.01)
    assert [name for name, stage in told if stage == "waiting"] == [flood.name, ebb.name]
    ended = {name: stage for name, stage in told if stage in ("done", "failed")}
    assert ended == {flood.name: "failed", ebb.name: "done", slack.name: "failed"}
    said = [line for song in album.failed for line in song_problem_lines(song)]
    assert said[0].startswith("Flood/mix.yaml: error: unknown variant 'quiet'")


# What is said of it.


def song(name: str, lufs: float | None, peak_dbtp: float, **more: Any) -> AlbumSong:
    meters = FileMeters(lufs, None, peak_dbtp, peak_dbtp)
    entry = replace(OUTPUT, variant="main", stem=None, meters=meters)
    done = Delivered(Path(name), WHOLE, (entry,), (), {}, ())
    plain = AlbumSong(f"{name}.yaml", Path(name), name.upper(), Path(name), done, entry)
    return replace(plain, **more)


BUG = RuntimeError("two left shoes")
WHOLE_ALBUM = Album(
    Path("album"),
    (
        song("a", -14.0, -1.5),
        song("b", -18.25, -0.5),
        song("c", None, -90.0),
        song("d", None, 0.0, delivered=None, main=None, bug=BUG),
    ),
    -15.5,
)


def test_an_album_says_its_extremes_and_its_failures() -> None:
    assert album_lines(WHOLE_ALBUM) == [
        "loudest   -14.00 LUFS  A",
        "quietest  -18.25 LUFS  B, 4.25 LU below",
        "album     -15.50 LUFS  all of it as one programme",
        "highest    -0.50 dBTP",
    ]
    assert album_lines(Album(Path(), WHOLE_ALBUM.songs[2:])) == [], "silence has no extremes"
    assert failure_line(WHOLE_ALBUM) == "error: 1 of 4 songs was not delivered whole: d.yaml"
    own = "d.yaml: error: mixwright itself failed (RuntimeError: two left shoes)"
    assert song_problem_lines(WHOLE_ALBUM.songs[3]) == [own]
    data = json.loads(json.dumps(album_as_data(WHOLE_ALBUM), allow_nan=False))
    assert (data["loudest"], data["quietest"], data["difference_lu"]) == ("a.yaml", "b.yaml", 4.25)
    assert [part["failed"] for part in data["songs"]] == [False, False, False, True]
    assert data["songs"][3]["bug"] == "RuntimeError: two left shoes"


def test_the_files_of_a_song_in_words() -> None:
    whole = song("a", -14.0, -1.5)
    assert outcome_words(whole) == "1 made"
    assert whole.delivered is not None
    problem = Problem("deliver/over", "it is over full scale")
    partly = replace(whole.delivered, made=(), kept=(OUTPUT, OUTPUT), failed={"tv": (problem,)})
    torn = replace(whole, delivered=partly)
    assert outcome_words(torn) == "2 kept, failed: tv"
    assert (torn.failed, torn.every_problem) == (True, (problem,))
    assert outcome_words(WHOLE_ALBUM.songs[3]) == "failed: mixwright itself (RuntimeError)"


MACHINE = Problem("test/machine", "it is full", fault=Fault.MACHINE)
INPUT = Problem("test/input", "it is wrong")


@pytest.mark.parametrize(
    ("fates", "status"),
    [
        ([{}, {}], 0),
        ([{}, {"problems": (INPUT,)}], 2),
        ([{"problems": (MACHINE,)}, {"problems": (INPUT,)}], 3),
        ([{"problems": (MACHINE,)}, {"bug": BUG}], 70),
        ([{"bug": BUG}, {"bug": BUG}], 70),
    ],
)
def test_the_exit_status_is_the_worst_of_all_songs(
    fates: list[dict[str, Any]],
    status: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))  # where our own bugs are put down
    monkeypatch.setattr("tempfile.tempdir", None)
    asked: dict[str, Any] = {}

    def delivered(*arguments: Any, **options: Any) -> Album:
        asked.update(options, arguments=arguments)
        songs = (song(f"s{n}", -14.0, -1.0, **fate) for n, fate in enumerate(fates))
        return Album(tmp_path, tuple(songs), -14.0)

    monkeypatch.setattr(mixwright, "deliver_album", delivered, raising=False)
    words = ["deliver", str(tmp_path), "--only", "main,tv", "--out", "new", "--force", "--json"]
    assert cli.run([*words, "--no-cache", "--threads", "3", "--allow-plugins"]) == status
    assert asked == {
        "arguments": (str(tmp_path), Path("new")),
        "only": ("main", "tv"),
        "threads": 3,
        "force": True,
        "keep_cache": False,
        "allow_outside": False,
        "allow_plugins": True,
        "progress": None,
    }
    said = capsys.readouterr()
    assert len(json.loads(said.out)["songs"]) == len(fates)
    assert ("mixwright itself failed" in said.err) is (status == 70)


def test_a_file_that_is_gone_before_it_is_heard_is_said(tmp_path: Path) -> None:
    whole = replace(song("a", -14.0, -1.0), folder=tmp_path)
    songs, loudness_lufs = heard_together({"a": whole}, Session(1))
    assert songs["a"].delivered is whole.delivered
    assert "can't be opened" in songs["a"].problems[0].message
    assert loudness_lufs is None


class Terminal(io.StringIO):
    """Takes what is shown to someone who watches."""

    def isatty(self) -> bool:
        return True


def test_progress_is_shown_to_who_watches(monkeypatch: pytest.MonkeyPatch) -> None:
    with shown_album_progress() as progress:
        assert progress is None, "no one watches"
    monkeypatch.setattr(sys, "stderr", screen := Terminal())
    monkeypatch.setenv("TERM", "xterm")
    with shown_album_progress(quiet=True) as progress:
        assert progress is None
    with shown_album_progress() as progress:
        assert progress is not None
        progress("a [red].yaml", "waiting", 0.0)
        progress("b.yaml", "rendering", 0.5)
        progress("b.yaml", "failed", 1.0)
    shown = screen.getvalue()
    assert "a [red].yaml" in shown
    assert "failed" in shown
