"""Pictures of measurements: spectra, width by band, differences from references.

Drawn without a screen. Lines differ in dash as well as in colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any
from warnings import catch_warnings, simplefilter

import numpy as np

from mixwright.audio.staged import told_as_problem, written_beside
from mixwright.audio.write import refuse_folder
from mixwright.escaping import visible
from mixwright.measuring import Comparison, Measured
from mixwright.meters.bands import octaves, third_octaves
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.reviewing.plots import FREQUENCY_MARKS_HZ

DASHES = ("-", "--", "-.", ":")
OWN_MARK = "mixwright picture"
MARKED_BYTES = 4096  # our mark is near the beginning of a picture
DEEPEST_DB = 60.0  # below the highest band: what lies deeper would squeeze the rest


def plot_figures(found: Sequence[Measured], path: Path) -> None:
    """Draw third-octave levels and width by octave of each file or mix to a .png or .svg."""
    figure, (levels, widths) = _canvas(2)
    for index, measured in enumerate(found):
        spectrum = measured.whole.spectrum
        style = {"linestyle": DASHES[index % len(DASHES)], "label": _named(measured.path.name)}
        thirds = [band.midband_hz for band in third_octaves(measured.rate_hz)]
        levels.plot(thirds, _drawable(spectrum.third_octave_db), **style)
        centres = [band.midband_hz for band in octaves(measured.rate_hz)]
        widths.plot(centres, _drawable(spectrum.octave_side_to_mid_db), **style)
    _limit(levels, [measured.whole.spectrum.third_octave_db for measured in found])
    levels.set_ylabel("level in third octaves, dB")
    widths.set_ylabel("side to mid, dB")
    _legend(levels)
    _save(figure, path)


def plot_comparisons(found: Sequence[Comparison], path: Path) -> None:
    """Draw mix and references at equal loudness, and what the mix has more or less of."""
    figure, (levels, less, widths) = _canvas(3)
    thirds = [band.midband_hz for band in third_octaves()]
    centres = np.array([band.midband_hz for band in octaves()])
    shown = []
    for index, one in enumerate(found):
        dash = DASHES[(index + 1) % len(DASHES)]
        mix = one.mix.spectrum.third_octave_db
        theirs = tuple(
            None if level is None else level + one.gain_db
            for level in one.reference.spectrum.third_octave_db
        )
        shown += [mix, theirs]
        name = "mix" if one.section is None else f"mix, {one.section}"
        levels.plot(thirds[: len(mix)], _drawable(mix), "-", label=_named(name))
        levels.plot(thirds[: len(theirs)], _drawable(theirs), dash, label=_named(one.file))
        differences = one.spectrum.octave_db
        less.plot(centres[: len(differences)], _drawable(differences), dash, marker="o", ms=4)
        wider = one.spectrum.octave_side_to_mid_db
        widths.plot(centres[: len(wider)], _drawable(wider), dash, marker="o", ms=4)
    _limit(levels, shown)
    levels.set_ylabel("third octaves, dB")
    less.set_ylabel("mix less reference, dB")
    widths.set_ylabel("side to mid,\nmix less reference, dB")
    for axes in (less, widths):
        axes.axhline(0.0, color="0.5", linewidth=0.8)
    _legend(levels)
    _save(figure, path)


def _named(name: str) -> str:
    """A name as it is drawn; with a blank before it, since one that begins with _ is left out."""
    return f" {visible(name)}"


def _legend(axes: Any) -> None:
    """Names are words, not formulas, whatever dollar signs are in them."""
    for text in axes.legend(frameon=False).get_texts():
        text.set_parse_math(False)


def _canvas(rows: int) -> tuple[Any, Any]:
    try:
        from matplotlib.figure import Figure
    except OSError as error:  # it wants a folder to keep what it knows of fonts in
        message = "no picture can be drawn: there is no folder for what is known of fonts"
        hint = "set $MPLCONFIGDIR or $TMPDIR to a folder that can be written to"
        problem = Problem("measure/machine", message, help=hint, fault=Fault.MACHINE)
        raise ProblemError([problem]) from error
    figure = Figure(figsize=(9.0, 3.0 * rows), layout="constrained")
    panels = figure.subplots(rows, 1, sharex=True)
    for axes in panels:
        axes.set_xscale("log")
        axes.set_xlim(22.0, 22000.0)
        axes.set_xticks(FREQUENCY_MARKS_HZ, [f"{hz:g}" for hz in FREQUENCY_MARKS_HZ])
        axes.minorticks_off()
        axes.grid(True, color="0.88", linewidth=0.6)
        axes.spines[["top", "right"]].set_visible(False)
    panels[-1].set_xlabel("frequency, Hz")
    return figure, panels


def _drawable(levels: Sequence[float | None]) -> list[float]:
    """Gaps where there is nothing to draw."""
    return [np.nan if v is None or not np.isfinite(v) else v for v in levels]


def _limit(axes: Any, shown: Sequence[Sequence[float | None]]) -> None:
    """Keep a band that holds next to nothing from squeezing all the others."""
    drawn = [v for levels in shown for v in levels if v is not None] or [0.0]
    axes.set_ylim(max(min(drawn), max(drawn) - DEEPEST_DB) - 3.0, max(drawn) + 3.0)


def refuse_strangers_picture(path: Path) -> None:
    """Refuse to draw over a file that is no picture of ours. Raises ProblemError."""
    refuse_folder(path)
    with told_as_problem(path):
        if not path.exists():
            return
        if path.is_file():
            with path.open("rb") as file:
                if OWN_MARK.encode() in file.read(MARKED_BYTES):
                    return
    message = f"{path} exists and is no picture by mixwright"
    raise ProblemError([Problem("output/not-ours", message, help="give another --plot")])


def _save(figure: Any, path: Path) -> None:
    """Write all of a picture or nothing."""
    from matplotlib import rc_context

    refuse_strangers_picture(path)
    form = path.suffix.lower().removeprefix(".")
    # No dates and fixed ids: the same figures make the same file.
    metadata = {"Date": None, "Creator": OWN_MARK} if form == "svg" else {"Software": OWN_MARK}
    with told_as_problem(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    settings = rc_context({"svg.hashsalt": "mixwright"})
    with settings, catch_warnings(), written_beside(path) as beside:
        # Letters that the font lacks are drawn as boxes: the picture is of curves.
        simplefilter("ignore", UserWarning)
        figure.savefig(beside, dpi=150, metadata=metadata, format=form)
