"""Write docs/sound.md and its pictures from measurements: ``python docs/make_sound_page.py``.

Every number is measured as the script runs, through the processors' public interface. Give names of
chapters to measure only those: their pictures are made, their text is printed, and the page stays
as it is. ``--copies FOLDER`` puts a PNG of each picture there, to look at.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.metadata
import platform
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

ROOT = Path(__file__).resolve().parents[1]
# The tests' measuring functions are independent of the engine, and used here as they are.
for _folder in (ROOT / "docs", ROOT / "tests"):
    if str(_folder) not in sys.path:
        sys.path.insert(0, str(_folder))

if TYPE_CHECKING:
    from sound_figures.page import Chapter

PAGE, PICTURES = ROOT / "docs" / "sound.md", ROOT / "docs" / "sound"
LIBRARIES = ("numpy", "scipy", "numba", "soxr", "pedalboard", "matplotlib")
HEAD = """# How it sounds, in figures

Made by `python docs/make_sound_page.py`, which measures everything anew; don't edit it by hand.

These figures are of the engine, not of a mix. They say that a filter does what was asked of it, and
nothing about what to ask: **ears decide**. Where a figure is better than anybody can hear, the next
better one would sound the same.

Everything is measured through the processors' own interface, on their output, unless a line says
otherwise. The tables give what was found, what would be ideal, the limit the engine is held to and
whether it is met, and where the ideal or the limit comes from; "ours" is a limit that no document
sets. Lines without a limit are for information. Levels in dBFS are re amplitude 1.0, so a
full-scale sine has a peak of 0 dBFS and an RMS of -3.01 dBFS. Where nothing else is said the rate
is 48 kHz. In pictures, thin dashes are the ideal and grey dots are limits.
"""


def measured(name: str, pictures: Path = PICTURES, copies: Path | None = None) -> Chapter:
    """Measure one chapter and make its pictures in the folder `pictures`."""
    from sound_figures.drawing import Pictures, style

    module = importlib.import_module(f"sound_figures.{name}")
    with style():
        made: Chapter = module.chapter(Pictures(pictures, copies))
    return made


def page(chapters: list[Chapter]) -> str:
    """Return the whole page."""
    misses = [m.what for chapter in chapters for m in chapter.measures if m.met is False]
    limits = [m for chapter in chapters for m in chapter.measures if m.limit is not None]
    summary = f"{len(limits)} figures have a limit; {len(limits) - len(misses)} keep it."
    if misses:
        summary += " Not kept: " + "; ".join(misses) + "."
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in LIBRARIES)
    python = f"Python {platform.python_version()}"
    tail = f"## Made with\n\nmixwright {importlib.metadata.version('mixwright')}, {python}, "
    texts = [HEAD, summary + "\n", *(chapter.markdown() for chapter in chapters)]
    return "\n".join([*texts, f"{tail}{versions}.\n"])


def main() -> None:
    """Measure all chapters, or those named, and say what is being done."""
    from sound_figures import CHAPTERS

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("chapters", nargs="*", choices=[[], *CHAPTERS], help="only these")
    parser.add_argument("--copies", type=Path, help="a folder for PNG copies of the pictures")
    asked = parser.parse_args()
    chapters, begun = [], time.monotonic()
    for name in asked.chapters or CHAPTERS:
        print(f"measuring {name} ...", flush=True)
        chapter = measured(name, PICTURES, asked.copies)
        chapters.append(chapter)
        missed = [measure.what for measure in chapter.measures if measure.met is False]
        print(f"  {time.monotonic() - begun:.0f} s, {len(chapter.measures)} figures", flush=True)
        print("".join(f"  NOT MET: {what}\n" for what in missed), end="", flush=True)
    if asked.chapters:
        print("\n".join(chapter.markdown() for chapter in chapters))
        return
    wanted = {Path(p.path).name for c in chapters for p in c.pictures}
    for stale in sorted(PICTURES.glob("*.svg")):
        if stale.name not in wanted:
            stale.unlink()
    PAGE.write_text(page(chapters), "utf-8")
    print(f"wrote {PAGE.relative_to(ROOT)} and {len(wanted)} pictures")


if __name__ == "__main__":
    main()
