"""One way to find the faults of a sheet: every command that reads one says the same of it."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import random
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
import soundfile

import mixwright
from conftest import SongMaker, noise
from fuzzing.byte_mutations import scrambled
from fuzzing.sheet_mutations import mutated
from fuzzing.sheet_styles import as_yaml
from fuzzing.sound_sheets import SMALL, shaped_sheet, sound_sheet
from mixwright import cli
from mixwright.delivering.manifest import Manifest, SheetEntry, manifest_text
from mixwright.problem import About, Fault, Problem, ProblemError
from mixwright.sheet import load_sheet
from mixwright.sheet.text import MAX_BYTES
from test_sheet_files import BAD, SMALLEST, lay_out, write

# Every command that reads a sheet and its files, with what else it asks for.
READERS = {
    "validate": [],
    "render": [],
    "check": [],
    "inspect": [],
    "measure": [],
    "log": [],
    "deliver": [],
    "review": [],
    "bypass": ["kick", "eq"],
}
ABOUT_FILES = {
    "sheet/missing-file",
    "sheet/outside-folder",
    "sheet/file-is-a-folder",
    "sheet/not-a-file",
    "sheet/file-used-twice",
    "sheet/bad-file-name",
}
Said = Callable[..., tuple[int, str]]


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Said:
    """Return a function that runs a command line: its status, and what it said of faults."""

    def run(*arguments: str | Path) -> tuple[int, str]:
        status = cli.run([str(argument) for argument in arguments])
        caught = capsys.readouterr()
        assert caught.out == ""
        return status, caught.err

    return run


@pytest.fixture
def good(tmp_path: Path) -> Path:
    return write(tmp_path / "good", SMALLEST + "  kick: {file: kick.wav}\n", "kick.wav")


def faults(path: Path) -> tuple[Problem, ...]:
    """The faults of a sheet, none if it is sound."""
    try:
        load_sheet(path)
    except ProblemError as error:
        return error.problems
    return ()


@pytest.fixture(scope="module")
def manifest(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    """The manifest of a small song, delivered."""
    folder = tmp_path_factory.mktemp("delivered")
    sheet = write(folder, SMALLEST + "  kick: {file: kick.wav}\nvariants: {main: {}}\n")
    soundfile.write(folder / "kick.wav", noise(1, 0.5), 48000)
    return mixwright.deliver(sheet).manifest


@pytest.mark.parametrize("sheet", BAD, ids=lambda path: path.stem)
def test_every_command_refuses_a_bad_sheet_with_the_same_words(
    sheet: Path, tmp_path: Path, good: Path, said: Said, manifest: Manifest
) -> None:
    path = lay_out(sheet, tmp_path)
    expected = faults(path)
    assert expected
    refused_by_all(path, expected, good, said, manifest)


def refused_by_all(
    path: Path, expected: tuple[Problem, ...], good: Path, said: Said, manifest: Manifest
) -> None:
    """Hold every command that reads a sheet and its files to the same words of its faults."""
    lines = "".join(f"{problem}\n" for problem in expected)
    for verb, more in READERS.items():
        assert said(verb, path, *more) == (2, lines), verb
    assert said("compare", path, good) == (2, lines)
    assert said("compare", good, path) == (2, lines)
    assert said("review", good, "--against", path) == (2, lines)
    folder = path.parent / "out"
    folder.mkdir()
    # Nothing is made again of a sheet that has changed: it was bad already when it was delivered.
    sheet_entry = SheetEntry(f"../{path.name}", hashlib.sha256(path.read_bytes()).hexdigest())
    listed = dataclasses.replace(manifest, sheet=sheet_entry, inputs=(), outputs=())
    (folder / "manifest.json").write_text(manifest_text(listed), "utf-8")
    status, err = said("verify", "--rerender", folder)
    assert (status, err.replace(f"{folder}/../", f"{path.parent}/")) == (2, lines)


@pytest.mark.parametrize("sheet", BAD, ids=lambda path: path.stem)
def test_commands_that_read_no_sound_pass_over_faults_of_files_alone(
    sheet: Path, tmp_path: Path, good: Path, said: Said
) -> None:
    path = lay_out(sheet, tmp_path)
    refused_without_files(path, faults(path), good, said)


def refused_without_files(path: Path, found: tuple[Problem, ...], good: Path, said: Said) -> None:
    """Hold every command that reads no sound to the words of what a sheet itself says."""
    before = path.read_bytes()
    left = [problem for problem in found if problem.about is About.TEXT]
    expected = "".join(f"{problem}\n" for problem in left)
    if not left:
        assert mixwright.tidy(path, check=True).path == str(path)
        assert mixwright.compare(path, good, only_sheet=True).changes
        return
    assert said("tidy", path) == (2, expected)
    assert path.read_bytes() == before
    assert said("compare", "--only-sheet", path, good) == (2, expected)
    assert said("compare", "--only-sheet", good, path) == (2, expected)


@pytest.mark.parametrize("sheet", BAD, ids=lambda path: path.stem)
def test_a_bad_sheet_in_a_revision_is_refused_with_the_same_words(
    sheet: Path, tmp_path: Path, good: Path, said: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = lay_out(sheet, tmp_path)
    monkeypatch.chdir(tmp_path)
    subprocess.run(["git", "init", "-q"], check=True)
    subprocess.run(["git", "add", path.name], check=True)
    name = f":./{path.name}"
    left = [problem for problem in faults(path) if problem.about is About.TEXT]
    expected = "".join(f"{problem}\n" for problem in left).replace(str(path), name)
    for both in ([name, good], [good, name]):
        if left:
            assert said("compare", "--only-sheet", *both) == (2, expected)
    assert left or mixwright.compare(name, good, only_sheet=True).changes


def scribbled(dice: random.Random) -> bytes:
    """A sheet with some fault or other, mostly."""
    sheet = sound_sheet(dice, SMALL)
    kind = dice.randrange(3)
    if kind == 0:
        return as_yaml(mutated(sheet, dice), dice).encode("utf-8", "replace")
    if kind == 1:
        return as_yaml(shaped_sheet(dice, SMALL), dice).encode("utf-8", "replace")
    return scrambled(as_yaml(sheet, dice).encode(), dice)


@pytest.mark.parametrize("seed", range(40))
def test_every_command_refuses_a_scribbled_sheet_with_the_same_words(
    seed: int, tmp_path: Path, good: Path, said: Said, manifest: Manifest
) -> None:
    path = tmp_path / "mix.yaml"
    path.write_bytes(scribbled(random.Random(seed)))
    # The sound files that it names are not there: it is refused for these if for nothing else.
    expected = faults(path)
    assert expected
    refused_by_all(path, expected, good, said, manifest)
    refused_without_files(path, expected, good, said)


def test_what_is_about_files_is_of_these_kinds(tmp_path: Path) -> None:
    found = set()
    for sheet in BAD:
        folder = tmp_path / sheet.stem
        folder.mkdir()
        found |= {p.rule for p in faults(lay_out(sheet, folder)) if p.about is About.FILES}
    folder = tmp_path / "odd"
    names = ("folder", "pipe.wav", "x" * 300 + ".wav")
    tracks = "".join(f"  t{count}: {{file: {name}}}\n" for count, name in enumerate(names))
    path = write(folder, SMALLEST + tracks, "folder/a.wav")
    os.mkfifo(folder / "pipe.wav")
    found |= {p.rule for p in faults(path) if p.about is About.FILES}
    assert found == ABOUT_FILES


def test_a_broken_pattern_of_file_names_is_refused_by_all(
    tmp_path: Path, good: Path, said: Said
) -> None:
    text = (
        SMALLEST + "  a: {file: a.wav}\nrelease: {file_name: 'out/{title'}\nvariants: {main: {}}\n"
    )
    path = write(tmp_path, text, "a.wav")
    line = (
        f"{path}:5:22: error: file_name holds a brace without its partner, "
        "expected placeholders such as {title}\n"
    )
    for verb in ("validate", "render", "tidy"):
        assert said(verb, path) == (2, line)
    assert said("compare", "--only-sheet", good, path) == (2, line)


def test_a_name_that_no_file_can_have_is_no_matter_of_the_machine(tmp_path: Path) -> None:
    path = write(tmp_path, SMALLEST + '  a: {file: "a\\nb.wav"}\n')
    with pytest.raises(ProblemError, match="line break or control character"):
        mixwright.tidy(path)


# Every fault has its place


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b" \n\n",
        b"\xef\xbb\xbf",
        b"# nothing but words\n",
        b"---\n",
        b"---\n---\n",
        b"\xff\xfe\x00",
        b"a: \x07",
        b"null",
        b"- 1",
        b"42",
        b"[" * 100,
        b"{" * 100,
        b"&a [*a]",
        b"? [1]\n: 2",
        b"'",
        b'"\\q"',
        b"%YAML 9.9\n---\na: 1",
        b"!!python/object:os.system {}",
        b"format: 1\x85song: {}",
        b"format: {}\nsong: []\ntracks: 1",
        b"x" * (MAX_BYTES + 1),
    ],
    ids=lambda data: repr(data[:24]),
)
def test_every_fault_of_a_sheet_has_its_place(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "m.yaml"
    path.write_bytes(data)
    found = faults(path)
    assert found
    for problem in found:
        assert problem.span is not None
        assert str(problem).startswith(f"{path}:{problem.span.line}:{problem.span.column}: error: ")


def test_an_empty_sheet_is_empty_at_its_first_character(tmp_path: Path) -> None:
    path = tmp_path / "m.yaml"
    path.touch()
    assert [str(p) for p in faults(path)] == [
        f"{path}:1:1: error: {path} is empty, expected a mix sheet"
    ]


# What is no plain file is never opened


def odd_files(folder: Path) -> dict[str, Path]:
    """A path of each kind that is no plain file, by what it is called."""
    import socket

    pipe, sock = folder / "pipe.yaml", folder / "s"
    os.mkfifo(pipe)
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(sock))
    return {"a pipe": pipe, "a socket": sock, "a device": Path("/dev/zero"), "a folder": folder}


@pytest.mark.parametrize("verb", ["validate", "render", "tidy", "log", "review"])
def test_a_sheet_that_is_no_plain_file_is_refused_unopened(
    verb: str, tmp_path: Path, said: Said
) -> None:
    for kind, path in odd_files(tmp_path).items():
        status, err = said(verb, path)
        assert status == 2
        assert err.startswith(f"error: {path} is {kind}, expected a mix sheet")


def test_a_sheet_through_a_pipe_is_refused_plainly(said: Said) -> None:
    readable, writable = os.pipe()
    try:
        status, err = said("validate", f"/dev/fd/{readable}")
        assert (status, err) == (
            2,
            f"error: /dev/fd/{readable} is a pipe, expected a mix sheet "
            "(help: write it to a file first: what it names is looked for beside it)\n",
        )
    finally:
        os.close(readable)
        os.close(writable)


def test_sound_that_is_no_plain_file_is_refused_unopened(tmp_path: Path, said: Said) -> None:
    for kind, path in odd_files(tmp_path).items():
        if path.suffix == ".yaml":
            path = path.rename(path.with_suffix(".wav"))
        assert said("measure", path) == (
            2,
            f"error: {path.name} is {kind}, expected a sound file\n",
        )
        if kind != "a folder":
            status, err = said("inspect", path)
            assert status == 2
            assert err.startswith(
                f"error: {path} is {kind}, expected a folder of tracks or a sheet"
            )


def test_a_manifest_that_is_no_plain_file_is_refused_unopened(tmp_path: Path, said: Said) -> None:
    os.mkfifo(tmp_path / "manifest.json")
    path = tmp_path / "manifest.json"
    expected = f"error: {path} is a pipe, expected a delivery's manifest\n"
    assert said("verify", tmp_path) == (2, expected)


@pytest.mark.parametrize(
    "part",
    [
        "tracks: {a: {file: odd}}",
        "tracks: {a: {file: a.wav}}\nreferences: [{file: odd}]",
        "tracks: {a: {file: a.wav}}\nreturns: {hall: {type: reverb, impulse: odd}}",
    ],
)
def test_what_a_sheet_names_is_a_plain_file(part: str, tmp_path: Path) -> None:
    song = "format: 1\nsong: {title: T, sample_rate_hz: 48000}\n"
    path = write(tmp_path, song + part, "a.wav")
    os.mkfifo(tmp_path / "odd")
    (problem,) = faults(path)
    assert problem.message == "odd is a pipe, expected a sound file"
    assert problem.span is not None
    assert problem.fault is Fault.INPUT


# JSON as a sheet


def test_json_may_write_a_character_as_two_escapes(make_song: SongMaker) -> None:
    path = make_song({"a": (noise(1, 1.0), "")})
    data = {
        "format": 1,
        "song": {"title": "Fader \U0001f39a \U0001d11e", "sample_rate_hz": 48000},
        "tracks": {"a": {"file": "stems/a.wav", "why": "\\ud83c stays \u00e9"}},
    }
    path.write_text(json.dumps(data, ensure_ascii=True), "utf-8")
    assert "\\ud83c\\udf9a" in path.read_text("utf-8")
    sheet = load_sheet(path)
    assert sheet.song.title == "Fader \U0001f39a \U0001d11e"
    assert sheet.tracks[0].why == "\\ud83c stays \u00e9"
    copy = Path(shutil.copy(path, path.with_name("tidy.yaml")))
    mixwright.tidy(copy)
    assert load_sheet(copy).song == sheet.song


@pytest.mark.parametrize(
    ("written", "column", "half"),
    [
        ('"\\ud83c"', 20, "\\ud83c"),
        ('"a \\udf9a"', 22, "\\udf9a"),
        ('"\\ud83c\\udf9a\\ud83c"', 32, "\\ud83c"),
        ('"\\udf9a\\ud83c"', 20, "\\udf9a"),
        ('"\\\\ud83c \\uD83C."', 28, "\\uD83C"),
        ('"\\U0000d83c"', 20, "\\U0000d83c"),
    ],
)
def test_half_a_character_is_a_fault_at_its_place(
    written: str, column: int, half: str, tmp_path: Path
) -> None:
    text = f'{{"format": 1,\n"song": {{"title": {written}, "sample_rate_hz": 48000}},\n'
    path = write(tmp_path, text + '"tracks": {"a": {"file": "a.wav"}}}', "a.wav")
    assert [str(problem) for problem in faults(path)] == [
        f"{path}:2:{column}: error: {half} is half a character, expected its other half beside it"
    ]


@pytest.mark.parametrize("before", ["", "\\ud83c\\udf9a "])
def test_an_escape_beyond_all_characters_is_a_fault_at_its_place(
    before: str, tmp_path: Path
) -> None:
    path = write(tmp_path, f'a: "{before}\\U00110000"\n')
    (problem,) = faults(path)
    assert problem.message == "not valid YAML: an escape that stands for no character"
    assert problem.span is not None
    assert 5 + len(before) <= problem.span.column <= 7 + len(before)


def test_halves_in_plain_words_are_words(tmp_path: Path) -> None:
    text = SMALLEST.replace("title: T", "title: '\\ud83c'") + "  a: {file: a.wav}\n"
    assert load_sheet(write(tmp_path, text, "a.wav")).song.title == "\\ud83c"


def test_all_readers_are_tried() -> None:
    others = {"compare", "verify", "tidy", "demo", "schema"}
    assert set(cli.VERBS) == {*READERS, *others}
