"""Figures of files, mixes and their nodes: tables, JSON, CSV."""

from __future__ import annotations

import csv
import dataclasses
import io
import math
from collections.abc import Sequence
from typing import Any

from mixwright.escaping import plain_data, visible
from mixwright.measuring import Measured
from mixwright.meters.bands import octaves, third_octaves
from mixwright.rendering.ears import Figures
from mixwright.report.tables import plain_table, print_plainly, say
from mixwright.words import clock, counted, figure, level

LEAST_SIDE_DB = -120.0
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
EXPLAINED = "short: loudest short-term; LRA in LU; crest, s/m (side to mid), slope per octave: dB"


def print_measured(found: Sequence[Measured]) -> None:
    """Print what was measured, file after file."""
    from rich.console import Console

    console = Console()
    for measured in found:
        whole = measured.whole
        through = f", through {measured.through}" if measured.through else ""
        seconds = clock(whole.sound.seconds)
        head = f"{measured.path}  {measured.rate_hz} Hz, {seconds}{through}"
        say(console, head)
        print_plainly(console, _whole_table(whole))
        print_plainly(console, _octave_table(whole, measured.rate_hz))
        for kind in ("track", "group", "return"):
            nodes = [f for f in measured.figures if f.kind == kind and f.section is None]
            if nodes:
                print_plainly(console, _node_table(kind, nodes))
        sections = list(dict.fromkeys(f.section for f in measured.figures if f.section))
        for section in sections:
            here = [f for f in measured.figures if f.section == section]
            print_plainly(console, _node_table(section, here))
        if len(measured.figures) > 1:
            console.print(EXPLAINED, highlight=False, markup=False)
        for line in _notes(measured):
            say(console, line, wraps=True)


def _whole_table(whole: Figures) -> Any:
    sound, spectrum, silence = whole.sound, whole.spectrum, whole.silence
    table = plain_table("", "reading", "at")
    rows: list[tuple[str, str, float | None]] = [
        ("sample peak", level(sound.sample_peak_dbfs, "dBFS"), sound.sample_peak_s),
        ("true peak", level(sound.true_peak_dbtp, "dBTP"), sound.true_peak_s),
        ("clipped", _clipped(whole), None),
        ("DC offset", " / ".join(f"{100 * dc:.3f} %" for dc in sound.dc), None),
        ("integrated loudness", figure(sound.integrated_lufs, "LUFS"), None),
        (
            "loudest short-term",
            figure(sound.short_term_max_lufs, "LUFS"),
            sound.short_term_max_s,
        ),
        ("loudest momentary", figure(sound.momentary_max_lufs, "LUFS"), sound.momentary_max_s),
        ("loudness range", figure(sound.loudness_range_lu, "LU"), None),
        ("peak to loudness", figure(sound.plr_lu, "LU"), None),
        ("peak to short-term", figure(sound.psr_lu, "LU"), None),
        ("peak to short-term, least", figure(sound.psr_min_lu, "LU"), None),
        ("RMS", level(sound.rms_dbfs, "dBFS"), None),
        ("crest factor", figure(sound.crest_db, "dB"), None),
        ("spectral slope", figure(spectrum.slope_db_per_octave, "dB per octave"), None),
        ("correlation", figure(sound.correlation), None),
        ("worst correlation", figure(sound.worst_correlation), sound.worst_correlation_s),
        ("side to mid", figure(sound.side_to_mid_db, "dB"), None),
        ("mono loses", figure(_lost(sound.mono_loss_lu), "LU"), None),
    ]
    if silence is not None:
        rows += [
            ("noise floor", figure(silence.noise_floor_dbfs, "dBFS"), None),
            ("silence", f"{silence.head_s:.2f} s before, {silence.tail_s:.2f} s after", None),
        ]
    for name, reading, at in rows:
        if reading != "-":
            table.add_row(name, reading, "" if at is None else clock(at))
    return table


def _clipped(figures: Figures) -> str:
    sound = figures.sound
    if not sound.clipped_runs:
        return "none"
    samples = f"{sound.clipped_samples} samples in {counted(sound.clipped_runs, 'run')}"
    return f"{samples}, longest {sound.longest_clip}"


def _lost(mono_loss_lu: float | None) -> float | None:
    return None if mono_loss_lu is None else -mono_loss_lu


def _octave_table(whole: Figures, rate_hz: int) -> Any:
    spectrum = whole.spectrum
    stereo = whole.sound.correlation is not None
    table = plain_table("octave Hz", "level dB", *(["side to mid dB"] if stereo else []))
    bands = zip(octaves(rate_hz), spectrum.octave_db, spectrum.octave_side_to_mid_db, strict=True)
    for band, power_db, width in bands:
        cells = [level(power_db, decimals=1), figure(width, decimals=1)]
        table.add_row(band.name, *(cells if stereo else cells[:1]))
    return table


def _node_table(title: str, nodes: Sequence[Figures]) -> Any:
    table = plain_table(title, "LUFS", "short", "dBTP", "LRA", "crest", "s/m", "slope")
    for node in nodes:
        sound, spectrum = node.sound, node.spectrum
        loudness = (sound.integrated_lufs, sound.short_term_max_lufs)
        ratios = (sound.loudness_range_lu, sound.crest_db, unless_rounding(sound.side_to_mid_db))
        table.add_row(
            node.name,
            *(figure(value, decimals=1) for value in loudness),
            level(sound.true_peak_dbtp, decimals=1),
            *(figure(value, decimals=1) for value in (*ratios, spectrum.slope_db_per_octave)),
        )
    return table


def unless_rounding(side_to_mid_db: float | None) -> float | None:
    """Return a ratio of sides to middle: in the centre there are none but what rounding leaves."""
    if side_to_mid_db is not None and side_to_mid_db < LEAST_SIDE_DB:
        return -math.inf
    return side_to_mid_db


def _notes(measured: Measured) -> list[str]:
    loudest = measured.loudest
    if loudest is None:
        return []
    loudness = figure(loudest.integrated_lufs, "LUFS")
    said = f"loudest section by gain and pan alone: {loudest.section} ({loudness})"
    if loudest.claimed not in (None, loudest.section):
        said += f"; the sheet says {loudest.claimed}"
    return [said]


def measured_as_data(measured: Measured) -> dict[str, Any]:
    """Return what was measured as plain JSON data; silence is null."""
    data: dict[str, Any] = {
        "file": measured.path,
        "sample_rate_hz": measured.rate_hz,
        "through": measured.through,
        "loudest_section": measured.loudest,
        "third_octaves_hz": [band.name for band in third_octaves(measured.rate_hz)],
        "octaves_hz": [band.name for band in octaves(measured.rate_hz)],
        "figures": measured.figures,
        "warnings": measured.warnings,
    }
    return plain_data(data)  # type: ignore[no-any-return]


def figures_as_csv(found: Sequence[Measured]) -> str:
    """Return a table of figures, a line for each node and section; no value is an empty cell."""
    rows: list[dict[str, Any]] = []
    for measured in found:
        for figures in measured.figures:
            row: dict[str, Any] = {
                "file": str(measured.path),
                "kind": figures.kind,
                "name": figures.name,
                "section": figures.section or "",
            }
            row |= _flat(dataclasses.asdict(figures.sound))
            row["slope_db_per_octave"] = figures.spectrum.slope_db_per_octave
            names = [band.name for band in octaves(measured.rate_hz)]
            levels = zip(names, figures.spectrum.octave_db, strict=True)
            row |= {f"octave_{name}_hz_db": level for name, level in levels}
            rows.append(row)
    return as_csv(rows)


def as_csv(rows: Sequence[dict[str, Any]]) -> str:
    """Return rows as CSV under the union of their keys; None and NaN are empty.

    Text is such that all of it can be seen, and a spreadsheet takes none for a formula: one that
    begins like a formula has an apostrophe before it.

    >>> print(as_csv([{"section": "=1+1", "peak_dbfs": -3.0}]), end="")
    section,peak_dbfs
    '=1+1,-3
    """
    columns = list(dict.fromkeys(key for row in rows for key in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({key: _cell(value) for key, value in row.items()})
    return out.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.6g}"
    if isinstance(value, str):
        return f"'{visible(value)}" if value.startswith(FORMULA_STARTS) else visible(value)
    return "" if value is None else value


def _flat(data: dict[str, Any]) -> dict[str, Any]:
    """Figures with one value for each channel become a column for each."""
    row: dict[str, Any] = {}
    for key, value in data.items():
        if isinstance(value, tuple):
            sides = ("left", "right") if len(value) == 2 else ("mono",)
            row |= {f"{key}_{side}": part for side, part in zip(sides, value, strict=True)}
        else:
            row[key] = value
    return row
