"""The check of licences and pins refuses what it is for; the list of a release has no addresses."""

from __future__ import annotations

import importlib.util
import os
import subprocess
from pathlib import Path
from types import ModuleType

import pytest

import licences
from licences import faults, is_compatible

ROOT = Path(__file__).resolve().parents[1]
PROJECT = """\
[project]
dependencies = ["lute>=1.0"]
[project.optional-dependencies]
dev = ["tabor[drums]"]
"""
MIT = "License-Expression: MIT"


def package(site: Path, name: str, *lines: str, version: str = "1.0") -> None:
    """A package as it looks when it is installed: its metadata."""
    folder = site / f"{name}-{version}.dist-info"
    folder.mkdir(parents=True)
    told = ["Metadata-Version: 2.4", f"Name: {name}", f"Version: {version}", *lines, "", ""]
    (folder / "METADATA").write_text("\n".join(told), "utf-8")


def found(folder: Path, *lute: str, pinned: str = "lute==1.0", version: str = "1.0") -> list[str]:
    """What is wrong where `lute` is as given, and `tabor`, with an extra, needs two more."""
    folder.mkdir(exist_ok=True)
    (folder / "pyproject.toml").write_text(PROJECT, "utf-8")
    others = ["tabor==1.0", "Sticks==1.0", "skins==1.0"]
    (folder / "constraints.txt").write_text("\n".join(filter(None, [pinned, *others])), "utf-8")
    package(folder / "site", "lute", *lute, version=version)
    drums = "Requires-Dist: skins; extra == 'drums'"
    old = "Requires-Dist: backport; python_version < '3'"
    package(folder / "site", "tabor", MIT, "Requires-Dist: sticks", drums, old)
    package(folder / "site", "sticks", "License: MIT")
    package(folder / "site", "skins", "Classifier: License :: OSI Approved :: BSD License")
    return faults(folder / "pyproject.toml", folder / "constraints.txt", [str(folder / "site")])


def test_every_package_here_is_pinned_and_free() -> None:
    assert faults(ROOT / "pyproject.toml", ROOT / "constraints.txt") == []


def test_what_is_free_and_pinned_passes(tmp_path: Path) -> None:
    assert found(tmp_path, MIT) == []


@pytest.mark.parametrize(
    "told",
    [
        ("License-Expression: LicenseRef-Proprietary",),
        ("License-Expression: GPL-2.0-only",),
        ("License-Expression: MIT AND BUSL-1.1",),
        ("License-Expression: MIT OR",),
        ("License-Expression: MIT", "Classifier: License :: Other/Proprietary License"),
        ("Classifier: License :: Other/Proprietary License",),
        ("Classifier: License :: OSI Approved :: Apache Software License",),
        ("Classifier: License :: OSI Approved",),
        ("License: all rights reserved",),
        ("License: MIT, for now", "Classifier: License :: Free for non-commercial use"),
        (),
    ],
)
def test_a_licence_that_is_not_known_to_go_with_ours_is_refused(
    told: tuple[str, ...], tmp_path: Path
) -> None:
    (line,) = found(tmp_path, *told)
    assert line.startswith("lute: its licence ")


def test_what_a_person_has_read_holds_as_long_as_it_says_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(licences.REVIEWED, "lute", ("as the wind blows", "MIT"))
    assert found(tmp_path / "one", "License: as the wind blows") == []
    (line,) = found(tmp_path / "two", "License: as the wind blew")
    assert line == "lute: its licence is not known: it says as the wind blew"


def test_a_package_that_is_not_pinned_is_refused(tmp_path: Path) -> None:
    assert found(tmp_path, MIT, pinned="") == ["lute: is not pinned in constraints.txt"]


def test_another_version_than_the_one_pinned_is_refused(tmp_path: Path) -> None:
    assert found(tmp_path, MIT, version="1.1") == ["lute: 1.1 is installed, but 1.0 is pinned"]


def test_what_a_package_needs_is_looked_at_too(tmp_path: Path) -> None:
    found(tmp_path, MIT)
    for name in ("sticks", "skins"):
        metadata = tmp_path / "site" / f"{name}-1.0.dist-info" / "METADATA"
        metadata.rename(tmp_path / name)
        metadata.parent.rmdir()
    assert faults(
        tmp_path / "pyproject.toml", tmp_path / "constraints.txt", [str(tmp_path / "site")]
    ) == ["skins: is not installed", "sticks: is not installed"]


def test_expressions_are_read_as_spdx_has_them() -> None:
    assert is_compatible("Proprietary AND MIT OR MIT")
    assert not is_compatible("Proprietary AND (MIT OR MIT)")
    assert is_compatible("Apache-2.0 WITH LLVM-exception")
    for broken in ("", "MIT MIT", "(MIT", "AND MIT", "MIT AND", "Apache 2.0"):
        with pytest.raises(ValueError, match=r"expect|end of a bracket"):
            is_compatible(broken)


# The list of a release.


@pytest.fixture(scope="module")
def sbom() -> ModuleType:
    spec = importlib.util.spec_from_file_location("sbom", ROOT / ".ci" / "sbom.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_no_address_stays_in_the_list_of_a_release(sbom: ModuleType) -> None:
    raw = {
        "$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json",
        "metadata": {"component": {"name": "mixwright"}, "properties": [{"value": "/home/a"}]},
        "components": [
            {
                "name": "lute",
                "purl": "pkg:pypi/lute@1.0",
                "externalReferences": [{"type": "distribution", "url": "file:///tmp/lute"}],
            }
        ],
    }
    assert len(sbom.addresses(raw)) == 2
    clean = sbom.cleaned(raw)
    assert sbom.addresses(clean) == []
    assert clean["components"] == [{"name": "lute", "purl": "pkg:pypi/lute@1.0"}]
    for text in ("see https://a.b", "/tmp/x", "in C:\\Users", "path=/root/x", "~/x"):
        assert sbom.addresses({"description": text}) == [text]
    assert sbom.addresses({"description": "reads and/or writes 1/2 of it"}) == []


def test_what_is_listed_is_not_kept_in_the_repository() -> None:
    if not (ROOT / ".git").exists() or os.name == "nt":
        pytest.skip("not in a repository")
    ignored = subprocess.run(["git", "check-ignore", "-q", "dist/x"], cwd=ROOT, check=False)
    assert ignored.returncode == 0
