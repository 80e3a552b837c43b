"""The random sheets of the campaigns: they reach all of the schema, in any style, and are sound."""

from __future__ import annotations

import json
import random
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from fuzzing.byte_mutations import SCRAMBLES, scrambled
from fuzzing.sheet_grammar import Grammar, text_of
from fuzzing.sheet_mutations import CHANGES, mutated, spots_of
from fuzzing.sheet_styles import AGAIN, RAW, as_json, as_yaml
from fuzzing.sheet_words import words_for
from fuzzing.sound_sheets import SMALL, shaped_sheet, sound_sheet
from mixwright.problem import Problem, ProblemError
from mixwright.sheet.fits import SchemaCheck
from mixwright.sheet.meaning import check_meaning
from mixwright.sheet.schema import check_shape, load_schema
from mixwright.sheet.text import SheetText
from mixwright.sheet.tree import read_tree

SHEETS = 700


def read(text: str) -> Any:
    return read_tree(SheetText("mix.yaml", text, tuple(text.splitlines()))).value


def keys_of(schema: dict[str, Any], path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Every key of the schema by the keys that lead to it; * stands for a name that is free."""
    if "$ref" in schema:
        schema = {**load_schema()["$defs"][schema["$ref"].rpartition("/")[2]], **schema}
    for key, part in schema.get("properties", {}).items():
        if part != {"not": {}}:
            yield (*path, key)
            yield from keys_of(part, (*path, key))
    for part in schema.get("patternProperties", {}).values():
        yield from keys_of(part, (*path, "*"))
    if "items" in schema:
        yield from keys_of(schema["items"], path)


def keys_in(value: Any, schema_keys: set[tuple[str, ...]], path: tuple[str, ...] = ()) -> set[Any]:
    found: set[Any] = set()
    if isinstance(value, list):
        return found.union(*(keys_in(item, schema_keys, path) for item in value))
    if isinstance(value, dict):
        for key, item in value.items():
            known = (*path, key) in schema_keys
            here = (*path, key if known else "*")
            found |= {here} | keys_in(item, schema_keys, here)
    return found


def test_every_key_of_the_schema_is_reached_by_sheets_that_fit_it() -> None:
    wanted = set(keys_of(load_schema()))
    reached: set[Any] = set()
    for seed in range(SHEETS):
        sheet = shaped_sheet(random.Random(seed))
        if seed < 12:
            assert list(Draft202012Validator(load_schema()).iter_errors(sheet)) == []
        reached |= keys_in(sheet, wanted)
    assert len(wanted) > 300
    assert wanted - reached == set()


def test_bounds_are_reached_and_never_passed() -> None:
    grammar = Grammar(random.Random(1), words_for)
    gain = {"type": "number", "minimum": -0.5, "maximum": 24}
    drawn = {grammar.value(gain, ("x",)) for _ in range(99)}
    assert {-0.5, 24} <= drawn
    assert all(-0.5 <= value <= 24 for value in drawn)
    capped = Grammar(random.Random(1), words_for, caps={"x": (0, 1)})
    count = {"type": "integer", "minimum": -5, "maximum": 9}
    assert {capped.value(count, ("x",)) for _ in range(50)} == {0, 1}


def test_a_text_is_drawn_from_any_pattern_of_the_schema() -> None:
    patterns = {holder[key] for holder, key in spots_of(load_schema()) if key == "pattern"}
    assert len(patterns) >= 7
    for pattern in patterns:
        assert text_of(pattern, random.Random(pattern))


@pytest.mark.parametrize("seed", range(25))
def test_any_style_says_the_same(seed: int) -> None:
    dice = random.Random(seed)
    sheet = sound_sheet(dice, SMALL)
    assert read(as_yaml(sheet, dice)) == sheet
    assert read(as_json(sheet, dice)) == sheet


def test_what_is_written_as_it_is_and_what_stands_twice() -> None:
    text = as_yaml({"a": RAW + "&x 12:30", f"{AGAIN}a": 1, "": None}, random.Random(2))
    with pytest.raises(ProblemError) as caught:
        read(text)
    rules = {problem.rule for problem in caught.value.problems}
    assert rules == {"sheet/alias", "sheet/duplicate-key", "sheet/bad-key"}


def test_every_change_changes_sheets_and_bytes() -> None:
    assert len(CHANGES) >= 9
    assert len(SCRAMBLES) >= 6
    for seed in range(30):
        dice = random.Random(seed)
        sheet = sound_sheet(dice, SMALL)
        before = as_json(sheet, random.Random(0))
        as_yaml(mutated(sheet, dice), dice)
        assert as_json(sheet, random.Random(0)) == before
        assert isinstance(scrambled(before.encode(), dice), bytes)
    for change in CHANGES:
        changed = [sound_sheet(random.Random(seed), SMALL) for seed in range(12)]
        for one in changed:
            change(one, dice.choice(spots_of(one)), dice)
        assert any(one != sound_sheet(random.Random(s), SMALL) for s, one in enumerate(changed))


def test_what_is_said_is_one_line_that_can_be_read() -> None:
    problem = Problem("sheet/unknown-key", "unknown key \u202e\nx" + 5000 * "y", help="z " * 5000)
    assert str(problem).startswith("error: unknown key \\u202e\\nxyyy")
    assert problem.message.endswith("...")
    assert problem.help is not None
    assert len(problem.message) <= 600
    assert len(problem.help) <= 1200
    assert str(problem).isprintable()
    assert Problem("a/b", "ünï 🎚 stays").message == "ünï 🎚 stays"
    # What stands behind a long name is still said.
    long = Problem("a/b", f"unknown track {'t' * 9000}, expected one of these")
    assert long.message.endswith("tt..., expected one of these")


def test_half_a_letter_is_said_in_plain_words() -> None:
    with pytest.raises(ProblemError) as caught:
        read('format: 1\nsong: {title: "\\ud83c fader"}\n')
    said = "\\ud83c is half a character, expected its other half beside it"
    assert caught.value.problems[0].message == said


def test_thousands_of_unknown_names_are_told_in_no_time() -> None:
    # Each held against each would take minutes; the first ones still get their help.
    names = [f"part_{number}" for number in range(2000)]
    sheet = {
        "format": 1,
        "song": {"title": "T", "sample_rate_hz": 48000},
        "tracks": {name: {"file": f"{name}.wav", "group": f"{name}_"} for name in names},
        "groups": {f"the_{name}": {} for name in names},
        "variants": {"some": {"only": [f"{name}x" for name in names]}},
    }
    text = json.dumps(sheet, indent=1)
    tree = read_tree(SheetText("mix.yaml", text, tuple(text.splitlines())))
    begun = time.process_time()
    assert check_shape(tree)[0] == []
    problems = check_meaning(tree, Path("nowhere"))
    assert time.process_time() - begun < 5.0
    unknown = [problem for problem in problems if problem.rule == "sheet/unknown-group"]
    assert len(unknown) == len(names)
    assert unknown[0].help == "a group with a similar name exists: the_part_0"
    assert unknown[-1].help is None


def test_only_what_stands_twice_is_no_list_of_different_things() -> None:
    unique = SchemaCheck({"uniqueItems": True}).fits
    assert unique(list(range(50_000)))
    assert unique([[1], {"a": 1}, "a"])
    assert not unique(["a", "b", "a"])
    assert not unique([[1], {"a": 1}, [1]])
