"""The example song cut short, for tests of what takes long on all of it and does the same on less.

Every track, part, variant and reason stays; sections, moves and covers behind the cut are left out.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import soundfile

from mixwright.sheet import load_text
from mixwright.sheet.tree import read_tree

# Two bars into the first chorus, the song's third section; stems ring on a little longer.
CUT_BAR, CUT_S, CHORUS = 9, 20.87, "chorus 1"
STEMS_S = 22.0


def write_short_example(whole: Path, short: Path) -> Path:
    """Write the example in the folder `whole` into the folder `short`; return the new sheet."""
    shutil.copytree(whole / "references", short / "references")
    (short / "stems").mkdir()
    for stem in sorted((whole / "stems").iterdir()):
        _write_short_stem(stem, short / "stems" / stem.name)
    path = short / "mix.yaml"
    sheet = short_sheet(read_tree(load_text(whole / "mix.yaml")).value)
    path.write_text(json.dumps(sheet), "utf-8")  # JSON is YAML
    return path


def short_sheet(sheet: dict[str, Any]) -> dict[str, Any]:
    """Return the example's sheet as plain data up to `CUT_BAR`."""
    before = {part["name"] for part in sheet["song"]["sections"] if part["bar"] < CUT_BAR}
    short: dict[str, Any] = _before_the_cut(sheet, before)
    short["song"] |= {"end": {"bar": CUT_BAR}, "loudest_section": CHORUS}
    short["references"] = [{**part, "section": CHORUS} for part in sheet["references"]]
    return short


def _before_the_cut(node: Any, sections: set[str]) -> Any:
    """Leave out of every list whatever begins behind the cut, and lists of nothing else."""

    def stays(item: Any) -> bool:
        return not isinstance(item, dict) or (
            item.get("bar", 1) < CUT_BAR
            and item.get("s", 0.0) < CUT_S
            and item.get("section", CHORUS) in sections
        )

    if isinstance(node, list):
        return [_before_the_cut(item, sections) for item in node if stays(item)]
    if isinstance(node, dict):
        short = {key: _before_the_cut(value, sections) for key, value in node.items()}
        return {key: value for key, value in short.items() if value != [] or node[key] == []}
    return node


def _write_short_stem(whole: Path, short: Path) -> None:
    with soundfile.SoundFile(whole) as stem:
        samples = stem.read(round(STEMS_S * stem.samplerate), dtype="float64")
        soundfile.write(short, samples, stem.samplerate, stem.subtype, format=stem.format)
