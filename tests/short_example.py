"""The example song cut short, for tests of what takes long on all of it and does the same on less.

Every track, part, variant and reason stays; sections, moves and covers behind the cut are left out.
The tempo is twice as fast: of each section the first half is played, by every stem.
"""

from __future__ import annotations

import json
import shutil
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from mixwright.sheet import load_text
from mixwright.sheet.tree import read_tree

# Three bars into the first chorus, the song's third section; stems ring on a little longer.
CUT_BAR, CHORUS, RING_S = 10, "chorus 1", 1.2
SECTION_BARS = (1, 3, 7)
BAR_S = 4 * 60 / 92
FASTER = 2
CUT_S = (CUT_BAR - 1) * BAR_S / FASTER
FADE_S = 0.005  # where two pieces meet


class ShortExample:
    """What ``mixwright demo`` takes the example from, cut short: a sheet, and a maker of stems."""

    def __init__(self, whole: Path, folder: Path) -> None:
        """Cut the example that was written into the folder `whole`; `folder` gets the sheet."""
        self._whole, self.folder = whole, folder
        self._sheet = short_sheet(read_tree(load_text(whole / "mix.yaml")).value)
        (folder / "mix.yaml").write_text(json.dumps(self._sheet), "utf-8")  # JSON is YAML

    def write_stems(self, folder: Path) -> None:
        """Write ``stems`` and ``references`` into a folder."""
        shutil.copytree(self._whole / "references", folder / "references")
        (folder / "stems").mkdir()
        for track in self._sheet["tracks"].values():
            late_s = FASTER * track.get("offset_ms", 0.0) / 1000.0
            _write_short_stem(self._whole / track["file"], folder / track["file"], late_s)


def short_sheet(sheet: dict[str, Any]) -> dict[str, Any]:
    """Return the example's sheet as plain data up to `CUT_BAR`."""
    before = {part["name"] for part in sheet["song"]["sections"] if part["bar"] < CUT_BAR}
    short: dict[str, Any] = _before_the_cut(sheet, before)
    short["song"] |= {"end": {"bar": CUT_BAR}, "loudest_section": CHORUS}
    (tempo,) = short["song"]["tempo"]
    tempo["bpm"] *= FASTER
    for track in short["tracks"].values():
        if "offset_ms" in track:
            track["offset_ms"] /= FASTER
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


def _write_short_stem(whole: Path, short: Path, late_s: float) -> None:
    """Write the beginning of each section; the stem's file begins `late_s` into the song."""
    samples, rate_hz = soundfile.read(whole, always_2d=True)
    stem = soundfile.info(whole)
    pieces = []
    for bar, next_bar in pairwise((*SECTION_BARS, CUT_BAR)):
        begins_s, long_s = (bar - 1) * BAR_S - late_s, (next_bar - bar) * BAR_S / FASTER
        if begins_s > -FADE_S:  # nothing was recorded before
            ring_s = RING_S if next_bar == CUT_BAR else 0.0
            at = max(0, round(begins_s * rate_hz))
            piece = samples[at : at + round((long_s + ring_s) * rate_hz)]
            pieces.append(_faded(piece, rate_hz))
    joined = np.concatenate(pieces)
    soundfile.write(short, joined, rate_hz, stem.subtype, format=stem.format)


def _faded(piece: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    """Return a piece that begins and ends in silence, so that nothing clicks."""
    at = np.arange(len(piece)) / (FADE_S * rate_hz)
    return piece * np.minimum(1.0, np.minimum(at, at[::-1]))[:, None]
