"""One look for all pictures, and files that are the same where the numbers are.

Colour and dash differ together, so that lines can be told apart in grey. Text is drawn as paths:
the pictures look the same everywhere.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from cycler import cycler
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sound_figures.page import Picture

WIDTH_IN = 7.2
# Okabe and Ito's colours, for any kind of colour vision.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#8a6d00", "#56B4E9")
DASHES: tuple[Any, ...] = (
    "-",
    (0, (5, 1.6)),
    (0, (1.2, 1.2)),
    (0, (6, 1.5, 1.2, 1.5)),
    (0, (2.5, 1)),
    (0, (9, 2)),
)
IDEAL: dict[str, Any] = {"color": "#111111", "linestyle": (0, (3, 2)), "linewidth": 0.9}
LIMIT: dict[str, Any] = {"color": "#777777", "linestyle": (0, (1, 1.5)), "linewidth": 1.0}
STYLE: Any = {
    "svg.hashsalt": "mixwright",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "axes.prop_cycle": cycler(color=COLOURS) + cycler(linestyle=DASHES),
    "grid.color": "#dddddd",
    "grid.linewidth": 0.5,
    "lines.linewidth": 1.8,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "legend.handlelength": 2.8,
    "figure.facecolor": "white",
    "figure.constrained_layout.use": True,
}
FREQ_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)


@dataclass(frozen=True)
class Pictures:
    """Where pictures go: `folder` beside the page, and PNG copies to look at, if asked for."""

    folder: Path
    copies: Path | None = None

    def save(self, figure: Figure, name: str, shows: str, caption: str = "") -> Picture:
        """Write the figure as ``NAME.svg`` and return the picture; `shows` is its alt text."""
        self.folder.mkdir(parents=True, exist_ok=True)
        nothing = {"Date": None, "Creator": None, "Type": None, "Format": None}
        figure.savefig(self.folder / f"{name}.svg", metadata=nothing)
        if self.copies is not None:
            self.copies.mkdir(parents=True, exist_ok=True)
            figure.savefig(self.copies / f"{name}.png", dpi=100)
        return Picture(f"{self.folder.name}/{name}.svg", shows, caption)


def style() -> AbstractContextManager[Any]:
    """Return a context in which everything is drawn alike; afterwards all is as it was."""
    return matplotlib.rc_context(STYLE)


def panels(rows: int, columns: int, height_in: float, **settings: Any) -> tuple[Figure, list[Axes]]:
    """Return a figure of the page's width and its axes, row by row."""
    figure = Figure(figsize=(WIDTH_IN, height_in))
    grid = figure.subplots(rows, columns, squeeze=False, **settings)
    return figure, [axes for row in grid for axes in row]


def frequency_axis(axes: Axes, low_hz: float = 20.0, high_hz: float = 20000.0) -> None:
    """Make the horizontal axis one of frequency."""
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    ticks = [hz for hz in FREQ_TICKS_HZ if low_hz <= hz <= high_hz]
    axes.set_xticks(ticks, [f"{hz // 1000}k" if hz >= 1000 else str(hz) for hz in ticks])
    axes.set_xticks([], minor=True)
    axes.set_xlabel("Hz")


def thinned(
    across: NDArray[np.float64], up: NDArray[np.float64], most: int = 500
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return at most about `most` points of a curve: the lowest and highest of each stretch."""
    if len(across) <= most:
        return across, up
    kept: set[int] = set()
    for part in np.array_split(np.arange(len(across)), most // 2):
        kept |= {int(part[np.argmin(up[part])]), int(part[np.argmax(up[part])])}
    index = np.array(sorted(kept))
    return across[index], up[index]
