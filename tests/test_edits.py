"""Edits of a sheet's text: what they change, and that they change nothing else."""

from __future__ import annotations

import copy
import json
import math
import random
import re
from collections.abc import Iterator
from difflib import ndiff
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fuzzing.sheet_styles import as_json, as_yaml
from fuzzing.sound_sheets import SMALL as FEW
from fuzzing.sound_sheets import sound_sheet
from mixwright.problem import ProblemError
from mixwright.sheet.comments import comments_of
from mixwright.sheet.edits import Edit, InsertAfter, Remove, Set, edited
from mixwright.sheet.text import lined
from mixwright.sheet.tidy import tidied
from mixwright.sheet.tree import Entry, are_same, read_tree
from scribbled_sheets import Scribbler, random_sheet

Keys = tuple[str | int, ...]
HEAD = "format: 1\nsong: {title: T, sample_rate_hz: 48000}\n"
SHEET = f"""{HEAD}tracks:
  kick:  # inside
    file: kick.wav
    pan: C  # in the middle

    # rides
    why: >
      it
      stays
  # the low one
  bass:
    file: 'bass.wav'
    eq:
      # weight
      - {{type: bell, freq_hz: 80, gain_db: 2}}  # first
      - type: notch
        freq_hz: 50
"""
PLAINEST = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]*[1-9])?")
LAWS = settings(max_examples=20, deadline=None)
SEEDS = st.integers(0, 2**32)


def tree_of(text: str) -> Entry:
    return read_tree(lined(text.removeprefix("\ufeff")))


def values_of(text: str) -> Any:
    return tree_of(text).value


def scribbled(dice: random.Random) -> str:
    """A sound sheet in any style, as JSON, or with other line ends."""
    style = dice.randrange(5)
    if style == 0:
        text = as_json(sound_sheet(dice, FEW), dice)
    elif style == 1:
        text = as_yaml(sound_sheet(dice, FEW), dice)
    else:
        scribbler = Scribbler(dice)
        text = scribbler.above() + scribbler.block(random_sheet(dice), -1).lstrip(" ")
    if style == 2:
        text = "\ufeff" + text.replace("\n", "\r\n")
    return text.rstrip("\n") if style == 3 and not text.endswith("\n\n") else text


def entries_of(text: str) -> Iterator[Entry]:
    return (entry for entry in tree_of(text).walk() if entry.path)


def at(value: Any, path: Keys) -> Any:
    for key in path:
        value = value[key]
    return value


def any_value(dice: random.Random, made_of_others: bool = True) -> Any:
    choices = [-4.5, 3, 0.1 + 0.2, 1e-05, True, "words", "a: b, c", "yes", "7", "two\nlines", "#1"]
    if made_of_others and dice.random() < 0.3:
        return dice.choice(
            (
                [1, 2],
                [{"type": "bell", "freq_hz": 80}, {"type": "notch", "why": "x" * 99}],
                {"ratio": 2, "threshold_db": -20},
                {},
                [],
            )
        )
    return dice.choice(choices)


def as_read(value: Any) -> Any:
    """A value as edits keep it: numbers without dust."""
    if isinstance(value, list):
        return [as_read(item) for item in value]
    if isinstance(value, dict):
        return {key: as_read(item) for key, item in value.items()}
    return float(f"{value:.12g}") if isinstance(value, float) else value


# Examples

KICK, BASS = ("tracks", "kick"), ("tracks", "bass")
SONG, PAN = SHEET.splitlines()[1], SHEET.splitlines()[5]
WHY = ["- " + line for line in SHEET.splitlines()[8:11]]
BELL = "      - {type: bell, freq_hz: 80, gain_db: 2}  # first"
EXAMPLES: list[tuple[Edit, list[str]]] = [
    (Set((*KICK, "pan"), "L20"), ["- " + PAN, "+ " + PAN.replace("C", "L20")]),
    (Set((*KICK, "gain_db"), 0.1 + 0.2), ["+     gain_db: 0.3"]),
    (Set((*KICK, "why"), "a\nb"), [*WHY, '+     why: "a\\nb"']),
    (Set((*KICK, "sends_db", "hall"), "off"), ["+     sends_db:", "+       hall: off"]),
    (Set((*KICK, "file"), "a: b.wav"), ["-     file: kick.wav", '+     file: "a: b.wav"']),
    (
        Set((*BASS, "eq", 0, "q"), 1e-05),
        ["- " + BELL, "+ " + BELL.replace("2}", "2, q: 0.00001}")],
    ),
    (Set((*BASS, "eq", 1, "why"), "hum"), ["+         why: hum"]),
    (
        Set((*BASS, "eq", 2), {"freq_hz": 90, "type": "notch"}),
        ["+       - {type: notch, freq_hz: 90}"],
    ),
    (Set(("song", "artist"), "u, v"), ["- " + SONG, "+ " + SONG.replace("T", 'T, artist: "u, v"')]),
    (InsertAfter((*BASS, "eq", -1), {"type": "notch"}), ["+       - {type: notch}"]),
    (InsertAfter((*BASS, "file"), True, "mute"), ["+     mute: true"]),
    (InsertAfter(KICK, {"file": "a.wav"}, "alto"), ["+   alto:", "+     file: a.wav"]),
    (Remove((*KICK, "pan")), ["- " + PAN]),
    (Remove((*KICK, "why")), ["-     # rides", *WHY]),
    (Remove((*BASS, "eq", 0)), ["-       # weight", "- " + BELL]),
    (
        Remove((*BASS, "eq", 1, "type")),
        ["-       - type: notch", "-         freq_hz: 50", "+       - freq_hz: 50"],
    ),
    (Remove(("song", "title")), ["- " + SONG, "+ " + SONG.replace("title: T, ", "")]),
    (Remove(BASS), ["- " + line for line in SHEET.splitlines()[11:]]),
]


@pytest.mark.parametrize(("edit", "wanted"), EXAMPLES, ids=str)
def test_an_edit_is_made_as_a_person_would(edit: Edit, wanted: list[str]) -> None:
    lines = ndiff(SHEET.splitlines(), edited(SHEET, [edit]).splitlines())
    assert sorted(line.rstrip() for line in lines if line[0] in "+-") == sorted(wanted)


def test_json_stays_json() -> None:
    text = json.dumps({"song": {"title": "T"}, "tracks": {"a": {"file": "a.wav"}}}, indent=1)
    track = ("tracks", "a")
    new: dict[str, Any] = {"gain_db": 1e-05, "why": "off", "eq": [{"q": 1.5}]}
    made = edited(text, [Set((*track, key), value) for key, value in new.items()])
    assert json.loads(made)["tracks"] == {"a": {"file": "a.wav", **new}}
    assert '   "gain_db": 0.00001,\n' in made
    assert edited(made, [Remove((*track, key)) for key in new]) == text


def test_the_last_key_leaves_an_empty_mapping() -> None:
    assert edited("a:\n  b: 1  # c\nd: 2\n", [Remove(("a", "b"))]) == "a: {}\nd: 2\n"


@LAWS
@given(SEEDS)
def test_edits_at_once_are_those_one_after_the_other(seed: int) -> None:
    dice = random.Random(seed)
    text = one = scribbled(dice)
    paths = [entry.path for entry in entries_of(text) if entry.scalar]
    edits = [Set(dice.choice(paths), any_value(dice, False)) for _ in range(6)]
    for edit in edits:
        one = edited(one, [edit])
    assert edited(text, edits) == one


def test_edits_see_those_before_them() -> None:
    band = (*KICK, "eq", 0)
    edits = [Set((*band, "type"), "notch"), Set((*band, "freq_hz"), 50), Remove((*KICK, "eq"))]
    assert edited(SHEET, edits) == SHEET


@pytest.mark.parametrize(
    ("edit", "line", "why"),
    [
        (Set((), 1), 1, "expected a path of keys"),
        (Set((*KICK, "pan", "left"), 1), 6, "there is no place for left here"),
        (Set((*BASS, "eq", 3), 1), 15, "there is no place for 3 here"),
        (Set((*BASS, "eq", "type"), 1), 15, "there is no place for type here"),
        (Set((*KICK, 0), 1), 4, "there is no place for 0 here"),
        (Set((*KICK, "eq", 1), 1), 4, "lists from their first item"),
        (Set((*KICK, "gain_db"), math.inf), 4, "inf is no value of a sheet"),
        (Set((*KICK, "gain_db"), None), 4, "None is no value of a sheet"),
        (Set((*KICK, "eq"), [{"": 1}]), 4, "is no value of a sheet"),
        (InsertAfter((*KICK, "eq"), 1, "why"), 4, "there is nothing there to insert after"),
        (InsertAfter((*KICK, "pan"), 1, "file"), 6, "expected a new key"),
        (InsertAfter((*KICK, "pan"), 1), 6, "expected a new key"),
        (InsertAfter((*BASS, "eq", 0), 1, "why"), 17, "none in a list"),
        (Remove((*KICK, "eq")), 4, "there is nothing there to remove"),
        (Remove(()), 1, "there is nothing there to remove"),
    ],
    ids=str,
)
def test_an_edit_is_refused_where_it_was_to_go(edit: Edit, line: int, why: str) -> None:
    with pytest.raises(ProblemError, match=re.escape(why)) as caught:
        edited(SHEET, [edit], "song.yaml")
    (problem,) = caught.value.problems
    assert problem.rule == "edit/no-place"
    assert problem.span is not None
    assert (problem.span.file, problem.span.line) == ("song.yaml", line)


def test_what_is_no_sheet_is_not_edited() -> None:
    with pytest.raises(ProblemError, match="anchors"):
        edited("a: &b 1\n", [])
    with pytest.raises(ProblemError, match="at least one key"):
        edited("a: 1\n", [Remove(("a",))])


# Laws


@LAWS
@given(SEEDS)
def test_no_edits_change_nothing(seed: int) -> None:
    text = scribbled(random.Random(seed))
    assert edited(text, []) == text


@LAWS
@given(SEEDS)
def test_a_value_is_set_and_nothing_else_changes(seed: int) -> None:
    dice = random.Random(seed)
    text = scribbled(dice)
    entry = dice.choice([e for e in entries_of(text) if e.scalar])
    value = any_value(dice, False)
    made = edited(text, [Set(entry.path, value)])
    expected = copy.deepcopy(values_of(text))
    at(expected, entry.path[:-1])[entry.path[-1]] = as_read(value)
    assert are_same(values_of(made), expected)
    assert comments_of(tree_of(made)) == comments_of(tree_of(text))
    mark = len(text) - len(text.removeprefix("\ufeff"))
    start, end = entry.start + mark, entry.end + mark
    assert made[: start - 1] == text[: start - 1]
    assert made.endswith(text[end:].lstrip("\r\n ") if entry.is_paragraph else text[end:])
    old = entry.scalar.text
    if entry.scalar.is_plain and old and "\n" not in text[start:end]:
        back = edited(made, [Set(entry.path, entry.value)])
        assert are_same(values_of(back), as_read(values_of(text)))
        if PLAINEST.fullmatch(old) or isinstance(entry.value, str | bool):
            assert back == text


@LAWS
@given(SEEDS)
def test_any_value_may_stand_anywhere(seed: int) -> None:
    dice = random.Random(seed)
    text = scribbled(dice)
    entry, value = dice.choice(list(entries_of(text))), any_value(dice)
    made = edited(text, [Set(entry.path, value)])
    expected = copy.deepcopy(values_of(text))
    at(expected, entry.path[:-1])[entry.path[-1]] = as_read(value)
    assert are_same(values_of(made), expected)
    outside = [e for e in entries_of(text) if e.path[: len(entry.path)] != entry.path]
    kept = {e.path: text[e.start : e.end] for e in outside if e.scalar}
    after = {e.path: e for e in entries_of(made)}
    text, made = text.removeprefix("\ufeff"), made.removeprefix("\ufeff")
    for e in outside:
        if e.scalar:
            now = after[e.path]
            assert made[now.start : now.end].rstrip() == text[e.start : e.end].rstrip()
    assert kept


@LAWS
@given(SEEDS)
def test_what_is_new_stands_among_the_rest(seed: int) -> None:
    dice = random.Random(seed)
    text = scribbled(dice)
    parent = dice.choice([e for e in tree_of(text).walk() if not e.scalar])
    value = any_value(dice)
    if isinstance(parent.value, dict):
        key: str | int = dice.choice(["new key", "why", "gain_db", "type", "file", "title"])
        key = key if key not in parent.parts else "newer"
    else:
        key = len(parent.parts)
    made = edited(text, [Set((*parent.path, key), value)])
    expected = copy.deepcopy(values_of(text))
    holder = at(expected, parent.path)
    if isinstance(key, int):
        holder.append(as_read(value))
    else:
        holder[key] = as_read(value)
    assert are_same(values_of(made), expected)
    assert set(comments_of(tree_of(text))) <= set(comments_of(tree_of(made)))
    if parent.parts:
        assert is_within(text, made)


@LAWS
@given(SEEDS)
def test_what_is_inserted_stands_behind(seed: int) -> None:
    dice = random.Random(seed)
    text = scribbled(dice)
    entry, value = dice.choice(list(entries_of(text))), any_value(dice)
    key = None if isinstance(entry.path[-1], int) else "new key"
    made = edited(text, [InsertAfter(entry.path, value, key)])
    before, after = (at(values_of(one), entry.path[:-1]) for one in (text, made))
    if key is None:
        index = int(entry.path[-1])
        assert are_same(after, [*before[: index + 1], as_read(value), *before[index + 1 :]])
        start = edited(text, [InsertAfter((*entry.path[:-1], -1), value)])
        assert are_same(at(values_of(start), entry.path[:-1]), [as_read(value), *before])
    else:
        keys = list(before)
        index = keys.index(str(entry.path[-1])) + 1
        assert list(after) == [*keys[:index], key, *keys[index:]]
    assert is_within(text, made)


@LAWS
@given(SEEDS)
def test_what_is_removed_is_gone_and_nothing_else(seed: int) -> None:
    dice = random.Random(seed)
    text = scribbled(dice)
    entry = dice.choice(list(entries_of(text)))
    made = edited(text, [Remove(entry.path)])
    expected = copy.deepcopy(values_of(text))
    del at(expected, entry.path[:-1])[entry.path[-1]]
    assert are_same(values_of(made), expected)
    if at(expected, entry.path[:-1]):
        assert is_within(made, text)


@LAWS
@given(SEEDS)
def test_edits_of_a_tidy_sheet_leave_it_nearly_tidy(seed: int) -> None:
    # Keys stand where tidy asks for them: all that it may still do is join or part lines.
    dice = random.Random(seed)
    sheet = random_sheet(dice)
    text = tidied(as_yaml(sheet, dice))
    for name in sheet["tracks"]:
        new = {"gain_db": -4.5, "why": "words", "mute": True, "role": "bass", "pan": "L20"}
        key = dice.choice(list(new))
        text = edited(text, [Set(("tracks", name, key), new[key])])
        assert tidied(text) == text


def is_within(part: str, whole: str) -> bool:
    """Whether a text is another one with something left out."""
    letters = iter(re.sub(r"\s+", " ", whole))
    return all(letter in letters for letter in re.sub(r"\s+", " ", part).strip())
