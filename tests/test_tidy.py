"""Tidy sheets: what is written, what stays, and that nothing is ever lost.

A sheet ``sheets/tidy/NAME.before.yaml`` must become ``NAME.after.yaml``, to the letter. Random
sheets are written by a scribbler of our own in every style YAML has, and say the same afterwards.
"""

from __future__ import annotations

import os
import random
import re
import stat
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

import mixwright
import mixwright.cli.tidy as verb
from mixwright import cli
from mixwright.problem import Fault, ProblemError
from mixwright.sheet import rewrite, tidy
from mixwright.sheet.comments import comments_of, lay_comments
from mixwright.sheet.model import CHAIN_PARTS
from mixwright.sheet.schema import SchemaPlace, load_schema
from mixwright.sheet.text import lined
from mixwright.sheet.tidy import Tidied, tidied, tidy_sheet
from mixwright.sheet.tidy_words import fits_plain, number_text, quoted, read_otherwise, value_text
from mixwright.sheet.tree import Entry, are_same, plain_value, read_tree
from scribbled_sheets import Scribbler, random_sheet

SHEETS = Path(__file__).parent / "sheets"
DEMO = Path(__file__).parents[1] / "projects" / "lanterns_at_low_tide" / "mix.yaml"
PAIRS = sorted((SHEETS / "tidy").glob("*.before.yaml"))
GOOD = [*sorted((SHEETS / "good").glob("*.yaml")), *PAIRS, DEMO]
# Parts of a strip that have settings and reasons of their own.
STRIP_PARTS = {*CHAIN_PARTS, "limiter", "sends_db", "automation"}
HEAD = "format: 1\n\nsong:\n  title: T\n  sample_rate_hz: 48000\n\n"
SMALL = f"{HEAD}tracks:\n  kick:\n    file: kick.wav\n"


def values_of(text: str) -> Any:
    """What the strict reader reads in a sheet."""
    return read_tree(lined(text)).value


def track(text: str) -> str:
    """What is made of the keys of one track, without their indentation."""
    sheet = SMALL + "".join(f"    {line}\n" if line else "\n" for line in text.splitlines())
    kept = tidied(sheet).removeprefix(SMALL)
    return "".join(line.removeprefix("    ") for line in kept.splitlines(keepends=True))


# What is written


@pytest.mark.parametrize("before", PAIRS, ids=lambda path: path.name.partition(".")[0])
def test_a_sheet_becomes_what_stands_beside_it(before: Path) -> None:
    after = before.with_name(before.name.replace("before", "after"))
    assert tidied(before.read_text("utf-8")) == after.read_text("utf-8")


def test_the_pairs_are_found() -> None:
    assert len(PAIRS) >= 4


@pytest.mark.parametrize("sheet", GOOD, ids=lambda path: path.name)
def test_a_tidy_sheet_stays_as_it_is_and_says_the_same(sheet: Path) -> None:
    text = sheet.read_text("utf-8")
    once = tidied(text)
    assert tidied(once) == once
    assert values_of(once) == values_of(text)
    assert list(values_of(once)["tracks"]) == list(values_of(text)["tracks"])


def test_the_demo_is_tidy() -> None:
    text = DEMO.read_text("utf-8")
    assert tidied(text) == text


def test_a_reason_stands_with_its_settings() -> None:
    # After what it is the reason for, and before whatever has reasons of its own.
    for name, schema in load_schema()["$defs"].items():
        keys = list(schema.get("properties", ()))
        if "why" not in keys:
            continue
        behind = keys[keys.index("why") + 1 :]
        assert set(behind) <= STRIP_PARTS, name
        assert set(keys) & STRIP_PARTS == set(behind), name


def test_keys_stand_in_the_order_of_the_schema() -> None:
    keys = list(load_schema()["$defs"]["compressor"]["properties"])
    place = SchemaPlace.root().child("mix_bus").child("compressor")
    assert sorted(set(keys), key=place.rank) == keys


def test_every_comment_moves_with_its_key() -> None:
    settings = {"file": "kick.wav", "role": "kick", "gain_db": "-3", "pan": "C", "mute": "true"}
    lines = [
        f"    # above {key}\n    {key}: {value} # beside {key}\n" for key, value in settings.items()
    ]
    tidy_lines = [line.replace(" # b", "  # b") for line in lines]
    opening = f"{HEAD}tracks:\n  kick:\n"
    for seed in range(5):
        shuffled = random.Random(seed).sample(lines, len(lines))
        assert tidied(opening + "".join(shuffled)) == opening + "".join(tidy_lines)


@pytest.mark.parametrize(
    ("written", "wanted"),
    [
        ("sends_db: {\n  }", "sends_db: {}\n"),
        ("sends_db: {\n  # none\n  }", "# none\nsends_db: {}\n"),
        ("eq: # a\n  # b\n  []\n# c", "# b\neq: []  # a\n# c\n"),
        ("why: # a\n  # b\n  here # c", "# b\n# a\nwhy: here  # c\n"),
        ("? why # a\n: # b\n  here", "# b\nwhy: here  # a\n"),
        ("why: >\n  # no comment\n# a", "why: >\n  # no comment\n# a\n"),
        ("why: | # a\n  here", "why: |  # a\n  here\n"),
        ("why: |+ # a\n  here\n\n# b\npan: C", '\n# b\npan: C\nwhy: "here\\n\\n"  # a\n'),
        ("why: |-\n   a\n\n\n   b\n\n\n", "why: |-\n  a\n\n\n  b\n"),
        ('why: "a\n\n  b"', 'why: "a\\nb"\n'),
        ("eq:\n-\n  # a\n  gain_db: 1 # b\n  type: bell\n  freq_hz: 9.0E1", None),
        ("eq: [ # a\n {type: notch, freq_hz: 50} # b\n ,\n # c\n] # d", None),
    ],
)
def test_hard_places_for_comments(written: str, wanted: str | None) -> None:
    made = track(written)
    assert track(made) == made
    assert comments_of(read_tree(lined(made))) == comments_of(read_tree(lined(written)))
    if wanted is not None:
        assert made == wanted


def test_a_long_line_stays_one_and_a_long_block_a_block() -> None:
    reason = "x" * 90
    line = f"compressor: {{threshold_db: -20, ratio: 2, why: {reason}}}\n"
    block = f"compressor:\n  threshold_db: -20\n  ratio: 2\n  why: {reason}\n"
    assert track(line) == line
    assert track(block) == block
    assert track(line.replace(", ratio", ",\n  ratio")) == block
    assert track(block.replace("x" * 90, "x")) == line.replace("x" * 90, "x")


@pytest.mark.parametrize("columns", [100, 101])
def test_what_has_a_hundred_columns_fits(columns: int) -> None:
    start = "    compressor: {threshold_db: -20, ratio: 2, why: "
    reason = "x" * (columns - len(start) - 1)
    made = track(f"compressor:\n  threshold_db: -20\n  ratio: 2\n  why: {reason}\n")
    assert (made == f"{start.lstrip()}{reason}}}\n") is (columns == 100)


# What stays as it is


def test_line_ends_and_the_byte_order_mark_stay() -> None:
    untidy = "\ufeff" + SMALL.replace("48000", "+48000  # ü 🎚").replace("\n", "\r\n")
    made = tidied(untidy)
    assert made == untidy.replace("+48000", "48000")
    assert tidied("\ufeff" + SMALL) == "\ufeff" + SMALL


@pytest.mark.parametrize(
    "end", ["", "\n", "\n\n\n", "\r", "\r# end", "\n# end", "\n  # end\n", "\n    # end"]
)
def test_the_end_of_the_file(end: str) -> None:
    made = tidied(SMALL.rstrip("\n") + end)
    assert made == SMALL + "".join(f"{line}\n" for line in end.splitlines() if line)


def test_a_paragraph_at_the_end_without_a_line_end() -> None:
    assert tidied(f"{SMALL}    why: |\n      a\n      b").endswith("why: |-\n      a\n      b\n")


def test_an_empty_paragraph_at_the_end() -> None:
    insert = "    inserts:\n      - type: plugin\n        plugin: tape\n        parameters:\n"
    made = tidied(f"{SMALL}{insert}          label: | # a")
    assert made.endswith('        parameters:\n          label: ""  # a\n')


def test_the_head_stays_where_it_is() -> None:
    song = "song: {title: T, sample_rate_hz: 48000}\n"
    rest = "format: 1\ntracks: {kick: {file: kick.wav}}\n"
    assert tidied(f"# of the file\n{song}{rest}") == f"# of the file\n{SMALL}"
    made = tidied(f"\n# of the file\n\n# of the song\n{song}{rest}")
    assert made == f"# of the file\n\n{SMALL.replace('song:', '# of the song' + chr(10) + 'song:')}"


# Numbers and texts


@pytest.mark.parametrize("text", ["1.", "-.5", "+.5e1", "0.1", "1e-7", "-1e-12", "1E+300", "1e16"])
def test_numbers_are_the_same_numbers(text: str) -> None:
    short = number_text(text)
    assert plain_value(short) == plain_value(text)
    assert number_text(short) == short
    # Readers of YAML 1.1, such as this library, take it for the same number too.
    assert yaml.safe_load(short) == float(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_number_is_the_same_number(value: float) -> None:
    short = number_text(repr(value))
    assert plain_value(short) == value == yaml.safe_load(short)


@given(st.text(min_size=1, max_size=12), st.booleans())
def test_any_text_is_the_same_text(text: str, in_brackets: bool) -> None:
    shown = value_text(text, False, in_brackets)
    sheet = f"{{k: [{shown}, 1]}}" if in_brackets else f"k: {shown}"
    found = yaml.safe_load(sheet)["k"]
    assert (found[0] if in_brackets else found) == text
    assert shown == text or shown == quoted(text)


@pytest.mark.parametrize(
    "text", ["yes", "No", "on", "off", "~", "12:30", "0x10", "1_000", "0o17", "2024-05-01", ".inf"]
)
def test_what_others_read_otherwise_keeps_its_quotes(text: str) -> None:
    assert read_otherwise(text)
    assert value_text(text, False, False) == f'"{text}"'
    assert value_text(text, True, False) == text


@pytest.mark.parametrize(
    "text", ["", " a", "a ", "- a", "?", "a: b", "a #b", "a:", "&a", "@a", "a\tb"]
)
def test_what_needs_quotes_gets_them(text: str) -> None:
    assert not fits_plain(text, False)


# Random sheets


@settings(max_examples=30)
@given(st.integers(0, 2**32))
def test_any_sheet_says_the_same_afterwards(seed: int) -> None:
    dice = random.Random(seed)
    sheet, scribbler = random_sheet(dice), Scribbler(dice)
    text = scribbler.above() + scribbler.block(sheet, -1).lstrip(" ")
    assert values_of(text) == sheet
    made = tidied(text)
    assert values_of(made) == sheet
    assert list(values_of(made)["tracks"]) == list(sheet["tracks"])
    assert sorted(re.findall(r"# c\d+", made)) == sorted(re.findall(r"# c\d+", text))
    assert tidied(made) == made
    assert tidied(text.replace("\n", "\r\n")) == made.replace("\n", "\r\n")
    loaders = (yaml.SafeLoader, yaml.CSafeLoader)
    slow, quick = (repr(lay_comments(read_tree(lined(text), loader))) for loader in loaders)
    assert slow == quick


# Safety


def test_a_sheet_with_faults_is_refused_with_them(tmp_path: Path) -> None:
    path = tmp_path / "mix.yaml"
    path.write_text(SMALL + "    gian_db: +3\n", "utf-8")
    with pytest.raises(ProblemError, match="gian_db"):
        tidy_sheet(path)
    with pytest.raises(ProblemError, match="anchors"):
        tidied(f"{SMALL}  bass: &bass {{file: bass.wav}}\n  more: *bass\n")
    assert path.read_text("utf-8").endswith("+3\n")


@pytest.mark.parametrize("lost", ["value", "comment", "all"])
def test_what_would_change_the_sheet_is_not_written(
    lost: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def spoil(sheet: Entry) -> list[str]:
        text = SMALL.replace("48000", "44100") if lost == "value" else SMALL
        return (
            [] if lost == "all" else [*text.splitlines(), *([] if lost == "comment" else ["# a"])]
        )

    path = tmp_path / "mix.yaml"
    path.write_text(f"{SMALL}# a", "utf-8")
    monkeypatch.setattr(tidy, "print_sheet", spoil)
    assert run(str(path)) == cli.EXIT_OUR_BUG
    assert "tidying would change the sheet, nothing was written" in capsys.readouterr().err
    assert path.read_text("utf-8") == f"{SMALL}# a"


def test_true_is_not_one() -> None:
    assert not are_same({"a": [True]}, {"a": [1]})
    assert are_same({"a": [1.0], "b": "c"}, {"b": "c", "a": [1]})


# The file


UNTIDY = SMALL.replace("48000", "+48000")


def test_the_file_is_replaced_through_links_with_its_permissions(tmp_path: Path) -> None:
    path, link = tmp_path / "mix.yaml", tmp_path / "link.yaml"
    path.write_text(UNTIDY, "utf-8")
    path.chmod(0o640)
    link.symlink_to(path)
    assert tidy_sheet(link).is_changed
    assert link.is_symlink()
    assert path.read_text("utf-8") == SMALL
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["link.yaml", "mix.yaml"]
    written = path.stat().st_mtime_ns, path.stat().st_ino
    assert not tidy_sheet(path).is_changed
    assert (path.stat().st_mtime_ns, path.stat().st_ino) == written


def test_bytes_are_kept_in_a_file(tmp_path: Path) -> None:
    path = tmp_path / "mix.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + UNTIDY.replace("\n", "\r\n").encode())
    tidy_sheet(path)
    assert path.read_bytes() == b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode()


def test_a_disk_that_refuses_leaves_everything(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    path = tmp_path / "mix.yaml"
    path.write_text(UNTIDY, "utf-8")
    monkeypatch.setattr(rewrite.os, "replace", refuse)
    with pytest.raises(ProblemError, match="no space left") as caught:
        tidy_sheet(path)
    assert caught.value.problems[0].fault is Fault.MACHINE
    assert os.listdir(tmp_path) == ["mix.yaml"]
    assert path.read_text("utf-8") == UNTIDY


# The command, and the same from Python


def test_the_function_does_as_the_command_does(tmp_path: Path) -> None:
    path = tmp_path / "mix.yaml"
    path.write_text(UNTIDY, "utf-8")
    assert mixwright.tidy(path, check=True).is_changed
    assert path.read_text("utf-8") == UNTIDY
    assert mixwright.tidy(path).is_changed
    assert path.read_text("utf-8") == SMALL


def run(*arguments: str) -> int:
    """The exit status of the command."""
    status = verb.command.main(list(arguments), standalone_mode=False)
    assert isinstance(status, int)
    return status


def test_check_and_diff_write_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, bad = tmp_path / "good.yaml", tmp_path / "bad.yaml"
    good.write_text(SMALL, "utf-8")
    bad.write_text(UNTIDY, "utf-8")
    assert run("--check", str(good)) == 0
    assert capsys.readouterr().out == f"{good}: tidy\n"
    assert run("--check", str(good), str(bad)) == 1
    assert capsys.readouterr().out == f"{good}: tidy\n{bad}: not tidy\n"
    assert run("--diff", str(good), str(bad)) == 0
    shown = capsys.readouterr().out.splitlines()
    assert shown[:2] == [f"--- {bad}", f"+++ {bad} (tidy)"]
    assert [line for line in shown[2:] if line[0] in "+-"] == [
        "-  sample_rate_hz: +48000",
        "+  sample_rate_hz: 48000",
    ]
    assert bad.read_text("utf-8") == UNTIDY


def test_one_bad_sheet_does_not_keep_others_from_being_tidied(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good = tmp_path / "good.yaml"
    good.write_text(UNTIDY, "utf-8")
    assert run(str(tmp_path / "none.yaml"), str(good)) == 2
    told = capsys.readouterr()
    assert "there is no file" in told.err
    assert told.out == f"{good}: tidied\n"
    assert good.read_text("utf-8") == SMALL
    assert run(str(good)) == 0
    assert capsys.readouterr().out == f"{good}: tidy already\n"


def test_a_diff_tells_of_a_missing_line_end() -> None:
    told = Tidied("mix.yaml", "a: 1", "a: 1\n").diff()
    assert "-a: 1\n\\ No newline at end of file\n+a: 1\n" in told
