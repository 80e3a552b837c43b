"""Names and texts from outside: all of them can be seen, and none steers what shows them."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import unicodedata
from pathlib import Path

import hypothesis.strategies as st
import pytest
import soundfile
from hypothesis import given
from mutagen.id3 import ID3

import mixwright
from conftest import SongMaker, noise
from mixwright import cli
from mixwright.audio.tags import Tags
from mixwright.escaping import json_text, one_line, visible
from mixwright.problem import Problem, ProblemError, Span
from mixwright.report.figures import as_csv
from mixwright.report.problems import problem_lines
from mixwright.reviewing.data import shown
from mixwright.sheet.tidy import tidied
from review_sample import review
from tags_in_files import read_tags

# What a terminal does with control characters: ECMA-48. Which characters turn the direction of
# writing: Unicode Standard Annex 9, table 4.
STEERING = [*map(chr, (*range(0x20), *range(0x7F, 0xA0)))]
TURNING = [*map(chr, (0x61C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A)))]
UNSEEN = ["\u200b", "\u2060", "\ufeff", "\xad", "\u2028", "\u2029", "\xa0", "\u3164", "\ue000"]
HALVES = list(map(chr, (0xDCFF, 0xD800)))
SEEN = ["\U0001f39a", "\U0001f468\u200d\U0001f3a4", "e\u0301", "\u0645\u06cc\u200c\u062e", "\u3000"]


@pytest.mark.parametrize("character", [*STEERING, *TURNING, *UNSEEN, *HALVES], ids=ascii)
def test_what_cannot_be_seen_is_spelt_out(character: str) -> None:
    spelt = ascii(character)[1:-1] if character.isprintable() else repr(character)[1:-1]
    spelt = "\\x00" if character == "\0" else spelt
    assert visible(f"a{character}b") == f"a{spelt}b"
    problem = Problem("x/y", f"no file a{character}b", Span(f"m{character}.yaml", 1, 1), "so")
    assert str(problem) == f"m{spelt}.yaml:1:1: error: no file a{spelt}b (help: so)"
    assert str(ProblemError([problem])) == str(problem)


@pytest.mark.parametrize("text", SEEN)
def test_letters_marks_and_pictures_stay(text: str) -> None:
    assert visible(f"a {text} b") == f"a {text} b"


def test_a_joiner_that_joins_nothing_is_spelt_out() -> None:
    assert visible("ki\u200dck \u200c") == "ki\\u200dck \\u200c"


@given(st.text(st.characters(exclude_categories=[])))
def test_nothing_shown_is_unseen_and_nothing_is_lost_in_json(text: str) -> None:
    for shown_text in (visible(text), one_line(text), json_text([text], None)):
        kinds = {unicodedata.category(c) for c in shown_text if c not in "\u200c\u200d"}
        assert not kinds & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
        shown_text.encode("utf-8")
    assert json.loads(json_text([text])) == [text]
    assert visible(visible(text)) == visible(text)


def test_the_source_line_of_a_problem_is_seen_and_pointed_at(tmp_path: Path) -> None:
    sheet = tmp_path / "m.yaml"
    sheet.write_text("a: 1\nb: \u202e\U0001f3a7 bad # \u2066\n", "utf-8")
    problem = Problem("x/y", "no", Span(str(sheet), 2, 7, 3))
    assert problem_lines([problem], with_source=True)[1:] == [
        "  2 | b: \\u202e\U0001f3a7 bad # \\u2066",
        "    |             ^^^",
    ]


def test_usage_is_said_visibly(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (
        ["re\x1b[2Jnder"],
        ["render", "m.yaml", "--\x1b"],
        ["check", "--format", "\x9b"],
    ):
        assert cli.run(arguments) == 2
        err = capsys.readouterr().err
        assert "Error: " in err
        assert all(c.isprintable() or c == "\n" for c in err)


# ---- names of files that are not UTF-8 ----


@pytest.fixture
def odd_song(make_song: SongMaker, tmp_path: Path) -> Path:
    """A song in a folder, and of a file, whose names no text can hold."""
    sheet = make_song({"a": (noise(1, 1.0), "gain_db: -9")}, "variants: {main: {}}\n")
    home = Path(os.fsdecode(os.fsencode(tmp_path) + b"/s\xff\x1b[2J"))
    shutil.copytree(sheet.parent / "stems", home / "stems")
    shutil.copy(home / "stems" / "a.wav", os.fsencode(home / "stems") + b"/b\xfe.wav")
    return Path(shutil.copy(sheet, home))


def test_a_name_that_is_no_text_is_read_written_and_shown(
    odd_song: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home, stem = odd_song.parent, odd_song.parent / "stems" / "b\udcfe.wav"
    for arguments in (
        ["validate", odd_song],
        ["render", odd_song],
        ["inspect", home / "stems"],
        ["measure", stem],
        ["measure", stem, "--csv"],
        ["measure", stem, "--plot", home / "tone.svg"],
        ["deliver", odd_song],
        ["verify", home / "out", "--rerender"],
        ["log", odd_song, "--md"],
        ["tidy", odd_song, "--diff"],
    ):
        assert cli.run(list(map(str, arguments))) == 0, arguments
        said = capsys.readouterr()
        assert "\x1b" not in said.out + said.err
        (said.out + said.err).encode("utf-8")
    assert cli.run(["measure", str(stem), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["measured"][0]["file"] == str(stem)


def test_a_manifest_holds_names_that_are_no_text(odd_song: Path) -> None:
    outside = odd_song.rename(odd_song.with_name("m\udcff.yaml"))
    done = mixwright.deliver(outside)
    text = done.manifest_path.read_bytes().decode("utf-8")
    assert json.loads(text)["sheet"]["file"] == "../../m\udcff.yaml"
    assert mixwright.verify(done.manifest_path).holds
    # Half a character that is no byte of a name is in none.
    done.manifest_path.write_text(text.replace("\\udcff", "\\ud8ff"), "utf-8")
    with pytest.raises(ProblemError, match="is not JSON"):
        mixwright.verify(done.manifest_path)


# ---- what writes for others ----


def test_a_spreadsheet_takes_no_name_for_a_formula() -> None:
    names = ["=1+1", "+1", "-1", "@a", "\t=1", "\r=1", 'say "hi", now\nor\x1b', "kick"]
    rows = list(csv.DictReader(io.StringIO(as_csv([{"name": n, "db": -1.5} for n in names]))))
    assert [row["name"] for row in rows] == [
        "'=1+1",
        "'+1",
        "'-1",
        "'@a",
        "'\\t=1",
        "'\\r=1",
        'say "hi", now\\nor\\x1b',
        "kick",
    ]
    assert {row["db"] for row in rows} == {"-1.5"}


def test_a_title_with_a_zero_in_it_reaches_the_tag_whole(make_song: SongMaker) -> None:
    rest = "variants: {main: {formats: [wav24, mp3, flac24]}}\n"
    sheet = make_song({"a": (noise(1, 1.0), "")}, rest)
    text = sheet.read_text("utf-8").replace("title: Test", 'title: "Low\\0Tide\\x1b\\u200fx"')
    sheet.write_text(text, "utf-8")
    done = mixwright.deliver(sheet)
    titles = set()
    for entry in done.made:
        path = sheet.parent / "out" / entry.file
        titles.add(read_tags(path).title)
        if path.suffix == ".mp3":
            assert [str(t) for t in ID3(path)["TIT2"].text] == ["Low Tide \u200fx"]
    assert titles == {"Low Tide \u200fx"}
    assert Tags(comment="two\nlines").texts() == {"comment": "two\nlines"}


@pytest.mark.parametrize("name", ["a$\\frac$b$.wav", "_a.wav", "a\x1b$.wav", "\U0001f39a.wav"])
def test_names_in_pictures_are_words(name: str, tmp_path: Path) -> None:
    soundfile.write(tmp_path / name, noise(1, 1.0), 48000)
    picture = tmp_path / "tone.svg"
    assert cli.run(["measure", str(tmp_path / name), "--plot", str(picture)]) == 0
    assert "legend_1" in picture.read_text("utf-8")


def test_the_review_page_has_no_text_that_is_unseen() -> None:
    from dataclasses import replace

    odd = replace(review(), title="Low\x1b \u202e Tide\nagain")
    assert shown(odd).title == "Low\\x1b \\u202e Tide again"
    assert shown(odd).timeline.true_peak_dbtp == odd.timeline.true_peak_dbtp
    assert replace(shown(odd), title=odd.title) == odd


def test_a_tidy_sheet_hides_nothing_in_its_values() -> None:
    text = 'format: 1\nsong: {title: "a\\u202eb\\u200bc", sample_rate_hz: 48000}\n'
    text += "tracks: {a: {file: a.wav, why: x\u2066y}}\n"
    assert '"a\\u202Eb\\u200Bc"' in tidied(text)
    assert '"x\\u2066y"' in tidied(text)
