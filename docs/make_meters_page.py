"""Write docs/meters.md and its pictures: ``python docs/make_meters_page.py``.

Every result on the page is measured when this runs. Signals are those of the tests, made by the
tests' own functions wherever there is one, so it needs what the tests need. Takes a minute or two.
"""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path
from typing import Any

import pyebur128
from matplotlib import rc_context
from matplotlib.figure import Figure
from meters_figures import definitions, levels, loudness, spectrum, tables, true_peak

DOCS = Path(__file__).resolve().parent
STYLE: dict[Any, Any] = {
    "svg.hashsalt": "mixwright",
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.linewidth": 0.7,
    "grid.color": "#dddddd",
    "grid.linewidth": 0.5,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
}


def libraries() -> str:
    """Say with what it was measured."""
    named = ("numpy", "scipy", "numba", "pyloudnorm")
    versions = [f"{name} {version(name)}" for name in named]
    versions.append(f"libebur128 {pyebur128.get_libebur128_version()}")
    return f"Measured with {', '.join(versions)}."


def page() -> tuple[str, dict[str, Figure]]:
    """Return the whole page and its pictures by name."""
    figures: dict[str, Figure] = {}
    print("loudness", flush=True)
    parts = [definitions.chapter(), loudness.chapter()]
    print("true peak", flush=True)
    text, figures["true_peak"] = true_peak.chapter()
    parts.append(text)
    print("spectrum", flush=True)
    text, figures["third_octave"] = spectrum.chapter()
    parts.append(text)
    print("stereo, levels, silence, blocks and threads", flush=True)
    parts += [levels.chapter(), libraries()]
    return tables.filled("\n\n".join(parts)) + "\n", figures


def main() -> None:
    """Write the page and its pictures."""
    with rc_context(STYLE):
        text, figures = page()
        (DOCS / "meters").mkdir(exist_ok=True)
        for name, figure in figures.items():
            # No dates and fixed ids: the same numbers make the same file.
            path = DOCS / "meters" / f"{name}.svg"
            figure.savefig(path, metadata={"Date": None, "Creator": None})
    (DOCS / "meters.md").write_text(text, "utf-8")
    missed = [line for line in text.splitlines() if line.endswith("**no** |")]
    print("\n".join(missed) or "everything is met")


if __name__ == "__main__":
    main()
