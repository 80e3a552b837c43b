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
# "Out of one's head" as a source, also where a line ends between two words.
RECOLLECTION = re.compile(
    r"\bfrom[\s#]+memory\b|\bas[\s#]+(we[\s#]+)?remember|\bI[\s#]+believe\b", re.IGNORECASE
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


def _named(trees: list[ast.Module]) -> set[str]:
    """Every name that is used: read, asked of something, imported, or given as a keyword."""
    nodes = [node for tree in trees for node in ast.walk(tree)]
    named = {n.id for n in nodes if isinstance(n, ast.Name)}
    named |= {n.attr for n in nodes if isinstance(n, ast.Attribute)}
    named |= {n.arg for n in nodes if isinstance(n, ast.keyword) and n.arg}
    return named | {name.name for n in nodes if isinstance(n, ast.ImportFrom) for name in n.names}


def test_nothing_is_in_the_engine_for_tests_alone() -> None:
    # Rules are found by their decorator; these are called by the libraries that they are made for,
    # and edits of a sheet by whoever writes one from Python.
    called_from_outside = {"list_commands", "get_command", "convert", "get_source_stamp", "edited"}
    trees = [ast.parse(source.read_text("utf-8")) for source in SOURCES]
    outside = [
        ast.parse(source.read_text("utf-8"))
        for folder in ("docs", "benchmarks", "projects")
        for source in (ROOT / folder).rglob("*.py")
    ]
    named = _named(trees + outside) | set(mixwright.__all__) | called_from_outside
    idle = [
        node.name
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        and not node.name.startswith("__")
        and node.name not in named
        and not any(isinstance(d, ast.Call) for d in node.decorator_list)
    ]
    assert idle == []


def test_names_say_something() -> None:
    for source in SOURCES:
        assert source.stem not in TOO_VAGUE
        names = {n.id for n in ast.walk(parsed(source)) if isinstance(n, ast.Name)}
        assert "sr" not in names, source.name


def types_of(source: Path) -> list[str]:
    """The classes, aliases and type variables that a file defines for all of itself."""
    found = []
    for node in ast.parse(source.read_text("utf-8")).body:
        targets: list[ast.expr] = []
        if isinstance(node, ast.ClassDef):
            found.append(node.name)
        elif isinstance(node, ast.Assign):
            targets = node.targets
        elif isinstance(node, ast.AnnAssign):
            targets = [node.target]
        # Types are written Like, constants LIKE and all else like this.
        names = [target.id for target in targets if isinstance(target, ast.Name)]
        found += [n for n in names if n.lstrip("_")[:1].isupper() and not n.isupper()]
    return found


def test_a_type_name_has_one_meaning() -> None:
    homes: dict[str, list[str]] = {}
    for source in SOURCES:
        for name in types_of(source):
            homes.setdefault(name, []).append(str(source.relative_to(PACKAGE)))
    twice = {name: files for name, files in homes.items() if len(files) > 1}
    assert twice == {}


def test_the_map_in_the_guide_is_the_tree_and_the_contract() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    block = guide.split("```rooms\n")[1].split("```")[0]
    drawn = [line.split("  ")[0].strip() for line in block.splitlines() if line.strip()]
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert drawn == project["tool"]["importlinter"]["contracts"][0]["layers"]
    rooms = {room.strip() for line in drawn for room in line.split("|")}
    found = {p.stem for p in PACKAGE.iterdir() if p.suffix == ".py" or (p / "__init__.py").exists()}
    assert found - {"__init__"} == rooms
    assert sum((PACKAGE / room).is_dir() for room in rooms) <= 15


def test_files_named_in_the_guide_exist() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    named = re.findall(r"`((?:engine|tests|schemas|projects|docs|benchmarks)/[\w./-]+)`", guide)
    assert len(named) > 10
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_no_fact_rests_on_recollection() -> None:
    # A fact names its source, or says that it is our choice and why.
    files = list(ROOT.glob("*.md"))
    for folder in ("engine", "tests", "docs", "schemas", "projects", "benchmarks"):
        for kind in ("py", "md", "json", "yaml", "css", "js"):
            files += (ROOT / folder).rglob(f"*.{kind}")
    assert len(files) > 400
    said = [
        f"{file.relative_to(ROOT)}: {found.group()!r}"
        for file in sorted(files)
        for found in RECOLLECTION.finditer(file.read_text("utf-8", "replace"))
    ]
    assert said == []


@pytest.mark.parametrize(
    ("first", "last"),
    [
        ("source, from ", "memory)"),
        ("source, from\n    ", "memory)"),
        ("# source, From\n# ", "memory)"),
        ("as ", "remembered"),
        ("as we ", "remember it"),
        ("which I ", "believe"),
    ],
)
def test_recollection_is_known_when_it_is_met(first: str, last: str) -> None:
    assert RECOLLECTION.search(first + last)


def test_constraints_hold_versions_and_no_addresses() -> None:
    for line in (ROOT / "constraints.txt").read_text("utf-8").splitlines():
        assert re.fullmatch(r"[A-Za-z0-9_.-]+==[A-Za-z0-9_.]+", line), line


# The verbs as functions are wider: what they take is named for users. Kernels take numbers.
MOST_PARAMETERS = 8
STILL_WIDER = {"chain.py: __init__", "mixing.py: __init__"}  # not to grow


def test_no_function_takes_more_than_a_person_can_follow() -> None:
    wide = set()
    for source in SOURCES:
        if any("kernels" in part for part in source.parts) or source.parent == PACKAGE / "api":
            continue
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef):
                given = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
                if sum(one.arg != "self" for one in given) > MOST_PARAMETERS:
                    wide.add(f"{source.name}: {node.name}")
    assert wide <= STILL_WIDER


def test_a_session_is_never_lost_on_the_way() -> None:
    """Left out it would be the usual one: with all threads, a cache, and nobody told."""
    trees = {source: ast.parse(source.read_text("utf-8")) for source in SOURCES}
    takers: dict[str, int] = {}  # and where a function takes its session
    own: dict[Path, set[str]] = {source: set() for source in SOURCES}
    for source, tree in trees.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                names = [one.arg for one in node.args.args if one.arg != "self"]
                by_name = [one.arg for one in node.args.kwonlyargs]
                if "session" in (*names, *by_name):
                    takers[node.name] = names.index("session") if "session" in names else 99
                    own[source].add(node.name)
            if isinstance(node, ast.ImportFrom):
                own[source] |= {one.name for one in node.names}
    assert {"performed", "probed", "gather"} <= takers.keys()
    lost = [
        f"{source.name}:{node.lineno}: {node.func.id}"
        for source, tree in trees.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in takers.keys() & own[source]
        and len(node.args) <= takers[node.func.id]
        and all(word.arg != "session" for word in node.keywords)
    ]
    assert lost == []
