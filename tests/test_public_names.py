"""What `mixwright` offers is seen by whoever looks: completion, `help`, type checkers."""

from __future__ import annotations

import inspect
import pydoc
import subprocess
import sys
from pathlib import Path

import mixwright
from mixwright import api

NAMES = [name for name in mixwright.__all__ if name != "__version__"]


def test_all_public_names_are_listed_and_there() -> None:
    assert set(mixwright.__all__) <= set(dir(mixwright))
    assert sorted(mixwright.__all__) == mixwright.__all__
    assert set(NAMES) == set(api.__all__) - {"section_span"}
    for name in NAMES:
        assert getattr(mixwright, name) is getattr(api, name)


def test_help_shows_every_verb_and_type() -> None:
    text = pydoc.render_doc(mixwright, renderer=pydoc.plaintext)
    for name in NAMES:
        value = getattr(mixwright, name)
        head = f"class {name}" if inspect.isclass(value) else f"{name}("
        assert f"\n    {head}" in text, name
        # The first paragraph of what it says of itself stands below.
        assert (inspect.getdoc(value) or "").split("\n")[0] in text, name


def test_the_packages_own_words_name_each_of_them() -> None:
    said = mixwright.__doc__ or ""
    assert [name for name in NAMES if f"`{name}`" not in said] == []


def test_to_list_the_names_imports_nothing() -> None:
    code = (
        "import sys, mixwright; dir(mixwright); "
        "print([name for name in ('mixwright.api', 'numpy') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_the_package_says_that_it_is_typed() -> None:
    assert Path(mixwright.__file__).with_name("py.typed").read_bytes() == b""
