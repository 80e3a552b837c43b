"""Writes the list of all that a release is made of: ``make sbom``.

CycloneDX JSON, by cyclonedx-bom (Apache-2.0), of an environment that holds mixwright and what it
needs at work, as pinned. The tool and the 30 packages that it needs are in an environment of their
own: nothing that is developed with depends on them. Addresses and paths of a machine are left out:
names, versions and licences are what a reader needs.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
import venv
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
TOOL = "cyclonedx-bom==7.5.0"
# What may be an address or a path: neither belongs into the list.
ADDRESS = re.compile(r"\w+://|(^|[\s\"'=])(/|[A-Za-z]:\\|~/)\w")
NAMES_OF_THE_FORMAT = ("$schema",)


def cleaned(bom: Any) -> Any:
    """Return a list without addresses: no references to the outside, no properties of the tool.

    >>> cleaned({"name": "a", "externalReferences": [{"url": "https://example.org"}]})
    {'name': 'a'}
    """
    if isinstance(bom, dict):
        left_out = ("externalReferences", "properties", "serialNumber")
        return {key: cleaned(value) for key, value in bom.items() if key not in left_out}
    if isinstance(bom, list):
        return [cleaned(value) for value in bom]
    return bom


def addresses(bom: Any) -> list[str]:
    """Return every text in a list that holds an address or a path of a machine."""
    if isinstance(bom, dict):
        rest = (value for key, value in bom.items() if key not in NAMES_OF_THE_FORMAT)
        return [found for value in rest for found in addresses(value)]
    if isinstance(bom, list):
        return [found for value in bom for found in addresses(value)]
    return [bom] if isinstance(bom, str) and ADDRESS.search(bom) else []


def main() -> int:
    """Write ``dist/mixwright-VERSION.cdx.json``; exit status 1 if an address is left in it."""
    with tempfile.TemporaryDirectory(prefix="mixwright-sbom-") as name:
        bom = cleaned(_made(Path(name)))
    if left := addresses(bom):
        print("\n".join(["an address is left in the list:", *left]), file=sys.stderr)
        return 1
    version = bom["metadata"]["component"]["version"] = _version()
    target = ROOT / "dist" / f"mixwright-{version}.cdx.json"
    target.parent.mkdir(exist_ok=True)
    target.write_text(json.dumps(bom, indent=2, sort_keys=True) + "\n", "utf-8")
    print(f"{target.relative_to(ROOT)}: {len(bom['components'])} packages")
    return 0


def _version() -> str:
    """The version of this release, which the tool doesn't find: it is read when one is built."""
    text = (ROOT / "engine" / "mixwright" / "version.py").read_text("utf-8")
    found = re.search(r'^__version__ = "(.+)"$', text, re.MULTILINE)
    assert found is not None
    return found[1]


def _made(folder: Path) -> Any:
    """The list as the tool makes it."""
    tool, release = folder / "tool", folder / "release"
    venv.create(tool, with_pip=True)
    venv.create(release)
    pip = [tool / "bin" / "python", "-m", "pip", "--disable-pip-version-check"]
    subprocess.run([*pip, "install", "-q", TOOL], check=True)
    into = [*pip, "--python", release / "bin" / "python", "install", "-q"]
    subprocess.run([*into, "-c", ROOT / "constraints.txt", ROOT], check=True)
    written = folder / "bom.json"
    command = [tool / "bin" / "cyclonedx-py", "environment", release / "bin" / "python"]
    command += ["--pyproject", ROOT / "pyproject.toml", "--output-reproducible", "--short-PURLs"]
    command += ["-o", written]
    subprocess.run(command, check=True)
    return json.loads(written.read_text("utf-8"))


if __name__ == "__main__":
    sys.exit(main())
