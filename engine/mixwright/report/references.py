"""A mix against its references: tables, JSON, CSV. All differences are mix less reference."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from mixwright.escaping import plain_data
from mixwright.measuring import Comparison
from mixwright.meters.bands import octaves
from mixwright.report.figures import as_csv
from mixwright.report.tables import plain_table, print_plainly, say
from mixwright.words import clock, figure

LevelPairs = Sequence[tuple[str, Sequence[Comparison]]]


def print_comparisons(pairs: LevelPairs) -> None:
    """Print a table for each reference."""
    from rich.console import Console

    console = Console()
    for sheet, found in pairs:
        for one in found:
            say(console, _head(sheet, one))
            print_plainly(console, _figure_table(one))
            print_plainly(console, _band_table(one))
    console.print("Differences: mix less reference, at equal loudness. A starting point for ears.")


def _head(sheet: str, one: Comparison) -> str:
    where = one.section or f"loudest part, from {clock(one.mix.sound.start_s)}"
    theirs = clock(one.reference.sound.start_s)
    gain = figure(one.gain_db, "dB", sign=True)
    return f"{sheet} ({where}) against {one.file} (from {theirs}, brought to it by {gain})"


def _figure_table(one: Comparison) -> Any:
    table = plain_table("", "mix", "reference", "difference")
    ours, theirs = one.mix, one.reference
    table.add_row(
        "integrated loudness LUFS",
        figure(ours.sound.integrated_lufs),
        figure(theirs.sound.integrated_lufs),
        "matched",
    )
    slopes = (ours.spectrum.slope_db_per_octave, theirs.spectrum.slope_db_per_octave)
    ranges = (ours.sound.loudness_range_lu, theirs.sound.loudness_range_lu)
    widths = (ours.spectrum.side_to_mid_db, theirs.spectrum.side_to_mid_db)
    crests = (ours.sound.crest_db, theirs.sound.crest_db)
    ratios = (ours.sound.plr_lu, theirs.sound.plr_lu)
    for name, pair, less in (
        ("spectral slope dB per octave", slopes, one.spectrum.slope_db_per_octave),
        ("crest factor dB", crests, one.crest_db),
        ("peak to loudness LU", ratios, one.plr_lu),
        ("loudness range LU", ranges, one.loudness_range_lu),
        ("side to mid dB", widths, one.spectrum.side_to_mid_db),
    ):
        table.add_row(name, *(figure(value) for value in pair), figure(less, sign=True))
    return table


def _band_table(one: Comparison) -> Any:
    table = plain_table("octave Hz", "level dB", "side to mid dB")
    levels, widths = one.spectrum.octave_db, one.spectrum.octave_side_to_mid_db
    for band, level, width in zip(octaves(), levels, widths, strict=False):
        cells = (figure(value, decimals=1, sign=True) for value in (level, width))
        table.add_row(band.name, *cells)
    return table


def comparisons_as_data(sheet: str, found: Sequence[Comparison]) -> dict[str, Any]:
    """Return comparisons as plain JSON data."""
    names = [band.name for band in octaves()]
    data = {"sheet": sheet, "octaves_hz": names, "references": found}
    return plain_data(data)  # type: ignore[no-any-return]


def comparisons_as_csv(pairs: LevelPairs) -> str:
    """Return a line for each reference."""
    rows = []
    for sheet, found in pairs:
        for one in found:
            row: dict[str, Any] = {"sheet": sheet, "reference": one.file, "section": one.section}
            row |= {"gain_db": one.gain_db, "slope_db_per_octave": one.spectrum.slope_db_per_octave}
            row |= {"crest_db": one.crest_db, "plr_lu": one.plr_lu}
            row |= {"loudness_range_lu": one.loudness_range_lu}
            row["side_to_mid_db"] = one.spectrum.side_to_mid_db
            names = [band.name for band in octaves()]
            for name, level in zip(names, one.spectrum.octave_db, strict=False):
                row[f"octave_{name}_hz_db"] = level
            rows.append(row)
    return as_csv(rows)
