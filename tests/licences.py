"""Every package that mixwright needs, at work or for its tests: pinned, as pinned, and free to use.

``python tests/licences.py`` (``make licences``) walks from pyproject.toml through what is
installed, without a network. A package fails that is not there, not in constraints.txt, of another
version than there, or whose licence isn't known to go with GPL-3.0-or-later. Compatible is what the
Free Software Foundation lists as such (gnu.org/licenses/license-list, "GPL-Compatible"), by SPDX
identifier. What lies inside a package's binaries is not looked at.
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterator, Sequence
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[1]
COMPATIBLE = {
    *("0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "BSL-1.0", "CC0-1.0", "HPND", "ISC"),
    *("MIT", "MIT-0", "MIT-CMU", "MPL-2.0", "PSF-2.0", "Python-2.0", "Unlicense", "Zlib"),
    *("LGPL-2.1-only", "LGPL-2.1-or-later", "LGPL-3.0-only", "LGPL-3.0-or-later"),
    *("GPL-2.0-or-later", "GPL-3.0-only", "GPL-3.0-or-later"),
}
# Classifiers that leave no doubt; "Apache Software License" is not one, since 1.1 is incompatible.
# The BSD licence with an advertising clause is not approved by the OSI.
CLASSIFIED = {
    "OSI Approved :: BSD License": "BSD-3-Clause",
    "OSI Approved :: GNU General Public License v3 (GPLv3)": "GPL-3.0-only",
    "OSI Approved :: ISC License (ISCL)": "ISC",
    "OSI Approved :: MIT License": "MIT",
    "OSI Approved :: Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "OSI Approved :: Python Software Foundation License": "PSF-2.0",
}
# Read by a person: what a package says of itself in its own words, and what its licence text is.
REVIEWED = {
    "sortedcontainers": ("Apache 2.0; OSI Approved :: Apache Software License", "Apache-2.0"),
    "trove-classifiers": ("OSI Approved :: Apache Software License", "Apache-2.0"),
}


class LicenceError(Exception):
    """Raised for a licence that isn't known to be compatible, with what the package says."""


def is_compatible(expression: str) -> bool:
    """Whether an SPDX expression allows use under GPL-3.0-or-later; ValueError for none.

    An exception (``WITH``) only allows more. AND binds more closely than OR (SPDX 2.3, annex D).

    >>> is_compatible("Apache-2.0 WITH LLVM-exception AND (MIT OR LicenseRef-Proprietary)")
    True
    """
    words = re.findall(r"[()]|[^\s()]+", expression)

    def term() -> bool:
        word = words.pop(0) if words else ")"
        if word == "(":
            holds = either()
            if not words or words.pop(0) != ")":
                raise ValueError(f"no end of a bracket in {expression}")
            return holds
        if not re.fullmatch(r"[A-Za-z0-9.+-]+", word) or word in ("AND", "OR", "WITH"):
            raise ValueError(f"no licence where one was expected in {expression}")
        if words[:1] == ["WITH"]:
            del words[:2]
        return word in COMPATIBLE

    def both() -> bool:
        holds = term()
        while words[:1] == ["AND"]:
            words.pop(0)
            holds = term() and holds
        return holds

    def either() -> bool:
        holds = both()
        while words[:1] == ["OR"]:
            words.pop(0)
            holds = both() or holds
        return holds

    holds = either()
    if words:
        raise ValueError(f"{words[0]} was not expected in {expression}")
    return holds


def licence_of(package: metadata.Distribution) -> str:
    """Return a package's licence as an SPDX expression; LicenceError where it isn't told."""
    told = package.metadata
    classifiers = [c for c in told.get_all("Classifier") or () if c.startswith("License :: ")]
    kinds = [c.removeprefix("License :: ") for c in classifiers if c != "License :: OSI Approved"]
    free = " ".join((told.get("License") or "").split())
    if any("Proprietary" in kind for kind in kinds):
        raise LicenceError("; ".join(kinds))
    if expression := told.get("License-Expression"):
        return str(expression)
    stated, reviewed = REVIEWED.get(canonicalize_name(package.name), ("", ""))
    says = "; ".join(filter(None, [free[:80], *kinds]))
    if reviewed and stated == says:
        return reviewed
    if kinds and all(kind in CLASSIFIED for kind in kinds):
        return " AND ".join(CLASSIFIED[kind] for kind in kinds)
    if not kinds and free in COMPATIBLE:
        return free
    raise LicenceError(says or "nothing")


def needed(project: Path, installed: dict[str, metadata.Distribution]) -> Iterator[str]:
    """Yield the name of every package that is needed, each once: at work, and with ``dev``."""
    data = tomllib.loads(project.read_text("utf-8"))["project"]
    ahead = [Requirement(text) for text in data["dependencies"]]
    ahead += [Requirement(text) for text in data["optional-dependencies"]["dev"]]
    seen: set[tuple[str, str]] = set()
    while ahead:
        one = ahead.pop()
        name = canonicalize_name(one.name)
        for extra in ("", *sorted(one.extras)):
            if (name, extra) in seen:
                continue
            seen.add((name, extra))
            if extra == "":
                yield name
            texts = installed[name].requires or () if name in installed else ()
            inner = (Requirement(text) for text in texts)
            ahead += [r for r in inner if r.marker is None or r.marker.evaluate({"extra": extra})]


def faults(project: Path, constraints: Path, places: Sequence[str] | None = None) -> list[str]:
    """Return what is wrong with the packages needed, a line each; `places` are sys.path's."""
    found = metadata.distributions(**({} if places is None else {"path": list(places)}))
    installed: dict[str, metadata.Distribution] = {}
    for package in found:
        installed.setdefault(canonicalize_name(package.name), package)
    lines = (line.partition("==") for line in constraints.read_text("utf-8").splitlines())
    pinned = {canonicalize_name(name): version for name, _, version in lines}
    return [
        f"{name}: {words}"
        for name in sorted(needed(project, installed))
        for words in _faults_of(installed.get(name), pinned.get(name))
    ]


def _faults_of(package: metadata.Distribution | None, pinned: str | None) -> Iterator[str]:
    if pinned is None:
        yield "is not pinned in constraints.txt"
    if package is None:
        yield "is not installed"
        return
    if pinned is not None and package.version != pinned:
        yield f"{package.version} is installed, but {pinned} is pinned"
    try:
        licence = licence_of(package)
        if not is_compatible(licence):
            yield f"its licence {licence} is not known to be compatible with GPL-3.0-or-later"
    except (LicenceError, ValueError) as error:
        yield f"its licence is not known: it says {error}"


def main() -> int:
    """Print what is wrong, and return the exit status."""
    wrong = faults(ROOT / "pyproject.toml", ROOT / "constraints.txt")
    for line in wrong:
        print(line)
    print("licences: " + (f"{len(wrong)} faults" if wrong else "every package may be used"))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
