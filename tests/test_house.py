"""The habits of the house, each with a check that can fail."""

from __future__ import annotations

import ast
import doctest
import importlib
import pkgutil
import re
import tomllib
from functools import cache
from pathlib import Path

import pytest

import mixwright

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "engine" / "mixwright"
SOURCES = sorted(PACKAGE.rglob("*.py"))
MODULES = sorted(
    info.name
    for info in pkgutil.walk_packages(mixwright.__path__, "mixwright.")
    if not info.name.endswith("__main__")
)
TOO_VAGUE = {"util", "utils", "helpers", "common", "manager", "misc", "sr", "y"}


@cache
def parsed(source: Path) -> ast.Module:
    return ast.parse(source.read_text("utf-8"))


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_in_docstrings_are_true(name: str) -> None:
    failed, _ = doctest.testmod(importlib.import_module(name))
    assert failed == 0


def test_files_are_short_and_functions_shorter() -> None:
    lengths = []
    for source in SOURCES:
        text = source.read_text("utf-8")
        assert text.count("\n") < 400, f"{source.name} is too long"
        if "kernels" in source.parts:
            continue
        for node in ast.walk(parsed(source)):
            if isinstance(node, ast.FunctionDef):
                length = (node.end_lineno or node.lineno) - node.lineno + 1
                assert length <= 60, f"{source.name}: {node.name} has {length} lines"
                lengths.append(length)
    assert sum(length <= 30 for length in lengths) / len(lengths) >= 0.9


def test_everything_public_says_what_it_does() -> None:
    silent = []
    for source in SOURCES:
        tree = parsed(source)
        if ast.get_docstring(tree) is None:
            silent.append(source.name)
        public = [
            node
            for node in tree.body
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
        ]
        silent += [f"{source.name}: {n.name}" for n in public if ast.get_docstring(n) is None]
    assert silent == []


def test_names_say_something() -> None:
    for source in SOURCES:
        assert source.stem not in TOO_VAGUE
        names = {n.id for n in ast.walk(parsed(source)) if isinstance(n, ast.Name)}
        assert "sr" not in names, source.name


def test_the_map_in_the_guide_is_the_tree_and_the_contract() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    block = guide.split("```rooms\n")[1].split("```")[0]
    drawn = [line.split("  ")[0].strip() for line in block.splitlines() if line.strip()]
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert drawn == project["tool"]["importlinter"]["contracts"][0]["layers"]
    rooms = {room.strip() for line in drawn for room in line.split("|")}
    found = {p.stem for p in PACKAGE.iterdir() if p.suffix == ".py" or (p / "__init__.py").exists()}
    assert found - {"__init__", "api"} == rooms
    assert sum((PACKAGE / room).is_dir() for room in rooms) <= 12


def test_files_named_in_the_guide_exist() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    named = re.findall(r"`((?:engine|tests|schemas|projects|docs|benchmarks)/[\w./-]+)`", guide)
    assert len(named) > 10
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_constraints_hold_versions_and_no_addresses() -> None:
    for line in (ROOT / "constraints.txt").read_text("utf-8").splitlines():
        assert re.fullmatch(r"[A-Za-z0-9_.-]+==[A-Za-z0-9_.]+", line), line
