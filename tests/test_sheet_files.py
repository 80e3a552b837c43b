"""Sheets that must load, sheets that must not, and what is said about them.

A sheet in ``sheets/bad`` begins with a comment for each problem it must raise, in order::

    # expect: LINE:COLUMN: error: the message (help: the help)

Every sound file a sheet names is put beside it as an empty file, but for those in a comment
``# absent: NAME NAME``.
"""

from __future__ import annotations

import errno
import math
import os
import re
import shutil
import time
from pathlib import Path
from typing import Any

import pytest
import yaml

from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.reverb import ReverbSettings
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.sheet import Point, Sheet, check_length, load_sheet, load_text
from mixwright.sheet.schema import load_schema
from mixwright.sheet.text import MAX_BYTES
from mixwright.sheet.tree import plain_value, read_tree
from mixwright.timeline import Position

SHEETS = Path(__file__).parent / "sheets"
GOOD = sorted((SHEETS / "good").glob("*.yaml"))
BAD = sorted((SHEETS / "bad").glob("*.yaml"))
SMALLEST = "format: 1\nsong: {title: T, sample_rate_hz: 48000}\ntracks:\n"


def lay_out(sheet: Path, folder: Path) -> Path:
    """Copy a sheet to a folder and put an empty file wherever it names a sound file."""
    text = sheet.read_text(encoding="utf-8")
    absent = re.findall(r"^# absent: (.*)$", text, re.MULTILINE)
    for name in re.findall(r'\b(?:file|impulse): *"?([^",{}\n\\]+\.(?:wav|flac))', text):
        if name in " ".join(absent).split() or ".." in name or name.startswith("/"):
            continue
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()
    return Path(shutil.copy(sheet, folder))


def problems_of(path: Path, **options: Any) -> tuple[Problem, ...]:
    """The problems that loading a sheet raises."""
    with pytest.raises(ProblemError) as caught:
        load_sheet(path, **options)
    return caught.value.problems


def write(folder: Path, text: str, *files: str) -> Path:
    """A sheet of this text with these empty files beside it."""
    for name in files:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()
    folder.mkdir(exist_ok=True)
    path = folder / "mix.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("sheet", GOOD, ids=lambda path: path.stem)
def test_good_sheet_loads(sheet: Path, tmp_path: Path) -> None:
    loaded = load_sheet(lay_out(sheet, tmp_path))
    assert loaded.tracks
    assert loaded.folder == tmp_path


@pytest.mark.parametrize("sheet", BAD, ids=lambda path: path.stem)
def test_bad_sheet_says_what_is_wrong(sheet: Path, tmp_path: Path) -> None:
    text = sheet.read_text(encoding="utf-8")
    expected = re.findall(r"^# expect: (.*)$", text, re.MULTILINE)
    assert expected, "a bad sheet says what it expects"
    path = lay_out(sheet, tmp_path)
    said = [str(problem).removeprefix(f"{path}:") for problem in problems_of(path)]
    assert said == expected


@pytest.mark.parametrize("sheet", BAD, ids=lambda path: path.stem)
def test_problems_have_rules_and_lie_in_their_line(sheet: Path, tmp_path: Path) -> None:
    path = lay_out(sheet, tmp_path)
    lines = path.read_text(encoding="utf-8").splitlines()
    for problem in problems_of(path):
        assert re.fullmatch(r"sheet/[a-z]+(-[a-z0-9]+)*", problem.rule)
        assert problem.fault is Fault.INPUT
        assert problem.span is not None
        line = lines[problem.span.line - 1]
        assert problem.span.column - 1 + problem.span.length <= max(len(line), problem.span.column)


def test_the_sheets_are_found() -> None:
    assert len(GOOD) >= 4
    assert len(BAD) >= 40


# What is read


@pytest.fixture
def every_key(tmp_path: Path) -> Sheet:
    return load_sheet(lay_out(SHEETS / "good" / "every_key.yaml", tmp_path))


def test_every_key_is_used_by_the_good_sheet() -> None:
    used: set[str] = set()

    def collect(value: Any) -> None:
        for key, item in value.items() if isinstance(value, dict) else ():
            used.add(key)
            collect(item)
        for item in value if isinstance(value, list) else ():
            collect(item)

    def keys_of(schema: Any) -> set[str]:
        if isinstance(schema, list):
            return set().union(*map(keys_of, schema))
        if not isinstance(schema, dict):
            return set()
        return set(schema.get("properties", {})).union(*map(keys_of, schema.values()))

    collect(read_tree(load_text(SHEETS / "good" / "every_key.yaml")).value)
    bands = {"63", "250", "500", "1000", "2000", "4000", "16000"}
    assert keys_of(load_schema()) - bands - used == set()


def test_a_track_is_read_as_it_is_written(every_key: Sheet) -> None:
    vocal = every_key.tracks[2]
    assert (vocal.name, vocal.file, vocal.role) == (
        "lead_vocal",
        "stems/lead_vocal.wav",
        "lead_vocal",
    )
    assert (vocal.polarity, vocal.offset_ms, vocal.trim_db, vocal.gain_db) == (
        "invert",
        -2.5,
        3,
        -4.5,
    )
    assert (vocal.pan, vocal.width_percent, vocal.mute, vocal.level_match) == (
        -12,
        80,
        False,
        False,
    )
    assert vocal.sends_db == {"room": -20.0, "hall": -16.0, "slap": -math.inf}
    assert vocal.automation.gain_db == (
        Point(Position(section="verse 1"), 1.0),
        Point(Position(bar=13, beat=1.5), -math.inf, over_beats=2.0),
        Point(Position(seconds=60.0), 0.0, over_ms=40.0),
    )
    assert [point.value for point in vocal.automation.pan] == [100.0, 0.0]
    assert [point.value for point in vocal.automation.mute] == [1.0, 0.0]
    assert [point.value for point in vocal.automation.sends_db["hall"]] == [-8.0, -math.inf]
    assert vocal.compressor is not None
    assert vocal.compressor.makeup_db == 2.5
    assert vocal.compressor.why == "even out the verses"
    assert (vocal.compressor.settings.knee_db, vocal.compressor.settings.detector_high_pass_hz) == (
        0,
        120,
    )


def test_bands_get_the_q_of_their_type(every_key: Sheet) -> None:
    bands = [band.settings for band in every_key.tracks[2].eq]
    assert [(b.type, b.freq_hz) for b in bands][:2] == [("high_pass", 95.0), ("low_pass", 18000.0)]
    assert [b.slope_db_per_oct for b in bands][:2] == [18, 12]
    assert [b.q for b in bands][2:] == [1.4, 0.7071, 0.7071, 1.0, 4.0]
    assert [b.slope for b in bands][3:5] == [None, 0.8]


def test_the_rest_is_read_as_it_is_written(every_key: Sheet) -> None:
    song = every_key.song
    assert [(t.bar, t.bpm, t.beats_per_bar) for t in song.tempo] == [(1, 92.0, 4), (57, 88.5, 4)]
    assert song.end == Position(bar=60, beat=2.5)
    bass = every_key.tracks[1].compressor
    assert bass is not None
    assert (bass.key, bass.makeup_db) == ("kick", None)
    assert [group.name for group in every_key.groups] == ["drums", "vocals"]
    hall, echo = every_key.returns[1], every_key.returns[-1]
    assert isinstance(hall.effect, ReverbSettings)
    assert isinstance(echo.effect, DelaySettings)
    assert hall.effect.decay_by_band == ((125.0, 1.1), (8000.0, 0.5))
    assert hall.effect.seed == 7
    assert echo.note == "1/8 dotted"
    assert echo.effect.time_ms == pytest.approx(60000.0 / 92.0 * 0.75)
    variants = {variant.name: variant for variant in every_key.variants}
    assert variants["main"].formats == ("wav24", "flac16")
    assert variants["stems"].formats == ("wav24",)
    assert (variants["stems"].split_by, variants["stems"].sum) == ("group", "exact")
    assert variants["a_cappella"].only == ("vocals",)
    assert variants["vocal_up"].offset_db == {"lead_vocal": 1.0, "drums": -0.5}
    assert every_key.references[0].section == "chorus 1"
    assert every_key.mix_bus.gain_db == -0.5


def test_words_stay_words(tmp_path: Path) -> None:
    sheet = load_sheet(lay_out(SHEETS / "good" / "words_that_look_like_values.yaml", tmp_path))
    assert (sheet.song.title, sheet.song.artist) == ("12:30", "yes")
    assert [section.name for section in sheet.song.sections] == ["no", "010", "2", "0x10"]
    assert [track.name for track in sheet.tracks] == ["on", "no"]
    assert sheet.tracks[0].gain_db == -10.0
    assert sheet.tracks[1].mute is True
    assert sheet.tracks[0].why == "2024-05-01"
    assert sheet.groups[0].why == ".inf"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0", 0), ("-0", 0), ("+7", 7), ("12", 12), ("1.", 1.0), (".5", 0.5), ("-1.5e-3", -0.0015),
        ("1e3", 1000.0), ("1E3", 1000.0), ("true", True), ("false", False), ("null", None),
        ("True", "True"), ("010", "010"), ("0x10", "0x10"), ("0o7", "0o7"), ("1_000", "1_000"),
        ("190:20:30", "190:20:30"), ("no", "no"), ("On", "On"), (".inf", ".inf"), (".nan", ".nan"),
        ("1e", "1e"), (".", "."), ("-", "-"), ("1,5", "1,5"), ("=", "="),
        ("2024-01-01", "2024-01-01"),
    ],
)  # fmt: skip
def test_plain_values(text: str, value: Any) -> None:
    found = plain_value(text)
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize("sheet", GOOD, ids=lambda path: path.stem)
def test_both_yaml_parsers_read_alike(sheet: Path) -> None:
    text = load_text(sheet)
    slow, quick = read_tree(text, yaml.SafeLoader), read_tree(text)
    assert slow.value == quick.value
    assert slow.spans == quick.spans
    keys = ([e.key_span for e in tree.walk() if e.key is not None] for tree in (slow, quick))
    assert next(keys) == next(keys) != []


def test_every_value_has_its_place(every_key: Sheet) -> None:
    lines = (SHEETS / "good" / "every_key.yaml").read_text(encoding="utf-8").splitlines()

    def shown(*path: str | int) -> str:
        span = every_key.span_of(*path)
        assert span is not None
        return lines[span.line - 1][span.column - 1 : span.column - 1 + span.length]

    assert shown("tracks", "lead_vocal", "gain_db") == "-4.5"
    assert shown("tracks", "lead_vocal") == "lead_vocal"
    assert shown("tracks", "lead_vocal", "eq", 1) == "{type: low_pass, freq_hz: 18e3}"
    assert shown("tracks", "lead_vocal", "automation", "sends_db.hall", 0, "section") == "chorus 1"
    assert shown("tracks", "kick", "no such key") == "kick"
    assert shown("song", "sections", 2, "name") == "chorus 1"


# Files that are no sheet


def test_a_missing_sheet(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path / "mix.yaml")
    assert str(problem) == f"error: there is no file {tmp_path / 'mix.yaml'}"


def test_a_folder_names_the_sheet_inside_it(tmp_path: Path) -> None:
    path = write(tmp_path, SMALLEST)
    (problem,) = problems_of(tmp_path)
    assert problem.message == f"{tmp_path} is a folder, expected a mix sheet"
    assert problem.help == f"there is a sheet inside it: {path}"


@pytest.mark.parametrize("content", ["", " \n\n", "\ufeff", "# a comment\n", "---\n...\n", "~\n"])
def test_an_empty_sheet(content: str, tmp_path: Path) -> None:
    (problem,) = problems_of(write(tmp_path, content))
    assert problem.rule == "sheet/empty"
    assert problem.message.endswith(", expected a mix sheet")


def test_bytes_that_are_not_utf_8(tmp_path: Path) -> None:
    (tmp_path / "mix.yaml").write_bytes("format: 1\nsong: ä".encode() + b"\xe9\n")
    (problem,) = problems_of(tmp_path / "mix.yaml")
    assert problem.message == "the byte 0xE9 is not UTF-8"
    assert problem.span is not None
    assert (problem.span.line, problem.span.column) == (2, 8)


def test_a_control_character(tmp_path: Path) -> None:
    (problem,) = problems_of(write(tmp_path, "format: 1\nsong:\a\n"))
    assert problem.message == "the character U+0007 is not allowed in a sheet"
    assert problem.span is not None
    assert (problem.span.line, problem.span.column) == (2, 6)


def test_a_huge_sheet_is_not_read(tmp_path: Path) -> None:
    (problem,) = problems_of(write(tmp_path, "#" * (MAX_BYTES + 1)))
    assert problem.message.endswith("is larger than 4 MiB, too large for a mix sheet")


def test_an_unreadable_sheet_is_the_machines_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path, "format: 1\n")

    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    (problem,) = problems_of(path)
    assert problem.fault is Fault.MACHINE
    assert problem.message.endswith("can't be read: permission denied")


def test_a_name_that_no_disk_takes_can_be_mended(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path / ("x" * 300))
    assert problem.fault is Fault.INPUT


def test_windows_line_ends_and_a_byte_order_mark(tmp_path: Path) -> None:
    path = write(tmp_path, SMALLEST + "  a: {file: a.wav, gain_db: 99}\n", "a.wav")
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    (problem,) = problems_of(path)
    assert problem.span is not None
    assert (problem.span.line, problem.span.column, problem.span.length) == (4, 29, 2)


def test_a_bomb_of_aliases_is_quick_to_refuse(tmp_path: Path) -> None:
    levels = [f"  t{i}: &t{i} [{', '.join([f'*t{i - 1}'] * 9)}]" for i in range(1, 30)]
    path = write(tmp_path, SMALLEST + "  t0: &t0 [lol]\n" + "\n".join(levels) + "\n")
    began = time.perf_counter()
    assert {problem.rule for problem in problems_of(path)} == {"sheet/alias"}
    assert time.perf_counter() - began < 2.0


# Files that a sheet names


def test_a_link_may_not_lead_out(tmp_path: Path) -> None:
    outside, inside = tmp_path / "outside", tmp_path / "song"
    outside.mkdir()
    (outside / "a.wav").touch()
    path = write(inside, SMALLEST + "  a: {file: stems/a.wav}\n")
    (inside / "stems").symlink_to(outside)
    (problem,) = problems_of(path)
    assert problem.rule == "sheet/outside-folder"
    assert load_sheet(path, allow_outside=True).tracks[0].file == "stems/a.wav"


@pytest.mark.parametrize("absolute", [False, True])
def test_files_outside_when_allowed(absolute: bool, tmp_path: Path) -> None:
    (tmp_path / "a.wav").touch()
    name = str(tmp_path / "a.wav") if absolute else "../a.wav"
    path = write(tmp_path / "song", SMALLEST + f"  a: {{file: {name}}}\n")
    assert problems_of(path)[0].rule == "sheet/outside-folder"
    assert load_sheet(path, allow_outside=True).tracks[0].file == name


def test_a_folder_that_begins_alike_is_outside(tmp_path: Path) -> None:
    (tmp_path / "song2").mkdir()
    (tmp_path / "song2" / "a.wav").touch()
    path = write(tmp_path / "song", SMALLEST + "  a: {file: ../song2/a.wav}\n")
    assert problems_of(path)[0].rule == "sheet/outside-folder"


def test_a_link_to_a_used_file_is_that_file(tmp_path: Path) -> None:
    text = SMALLEST + "  a: {file: a.wav}\n  b: {file: b.wav}\n"
    path = write(tmp_path, text, "a.wav")
    (tmp_path / "b.wav").symlink_to(tmp_path / "a.wav")
    assert [problem.message for problem in problems_of(path)] == [
        "b.wav is already the file of track a"
    ]


def test_a_file_that_is_none(tmp_path: Path) -> None:
    names = ("stems", "pipe.wav", "x" * 300 + ".wav")
    tracks = "".join(f"  t{i}: {{file: {name}}}\n" for i, name in enumerate(names))
    path = write(tmp_path, SMALLEST + tracks, "stems/a.wav")
    os.mkfifo(tmp_path / "pipe.wav")
    assert [problem.rule for problem in problems_of(path)] == [
        "sheet/file-is-a-folder",
        "sheet/not-a-file",
        "sheet/bad-file-name",
    ]


def test_a_missing_file_names_one_like_it(tmp_path: Path) -> None:
    path = write(tmp_path, SMALLEST + "  a: {file: stems/pinao.wav}\n", "stems/piano.wav")
    (problem,) = problems_of(path)
    assert problem.help == "a file with a similar name exists: stems/piano.wav"


# The end of the song


def test_nothing_lies_beyond_the_end(every_key: Sheet) -> None:
    assert check_length(every_key, every_key.timeline.sample_at(Position(bar=60, beat=2.5))) == []


def test_what_lies_beyond_the_end_is_said_in_place(every_key: Sheet) -> None:
    end = every_key.timeline.sample_at(Position(bar=44, beat=3))
    problems = check_length(every_key, end)
    assert [problem.message for problem in problems] == [
        "bar 50 is beyond the end of the song (bar 44 beat 3, 1:53.5)",
        "140 s is beyond the end of the song (bar 44 beat 3, 1:53.5)",
    ]
    lines = (SHEETS / "good" / "every_key.yaml").read_text(encoding="utf-8").splitlines()
    spans = [problem.span for problem in problems if problem.span is not None]
    starts = [lines[span.line - 1][span.column - 1 :] for span in spans]
    assert [start.split(",")[0] for start in starts] == ["50", "140"]


def test_a_point_at_the_very_end_is_beyond_it(every_key: Sheet) -> None:
    at = every_key.timeline.sample_at(Position(bar=50))
    beyond = "bar 50 is beyond"
    assert any(p.message.startswith(beyond) for p in check_length(every_key, at))
    assert not any(p.message.startswith(beyond) for p in check_length(every_key, at + 1))
