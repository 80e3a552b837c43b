"""What there is to say of two mixes compared in the sound: sentences and tables."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from mixwright.comparing.reach import AUDIBLE_LU, Reach
from mixwright.comparing.residual import Moment, Residual
from mixwright.comparing.sound import ReductionCompared, SoundCompared, StretchCompared
from mixwright.dsp.reduction import GainReduction
from mixwright.escaping import plain_data
from mixwright.meters.bands import octaves
from mixwright.rendering.ears import Figures
from mixwright.report.figures import unless_rounding
from mixwright.report.page import PagePart
from mixwright.report.tables import Table
from mixwright.words import bar_and_beat, change, clock, figure, level, moment, part_named

NOTHING = "nothing changed in the sound: both come to the same mix, and nothing was rendered"
# Figures of a mix: what they are called, their unit, how many decimals they are said with.
Reading = Callable[[Figures], float | None]
READINGS: tuple[tuple[str, str, int, Reading], ...] = (
    ("integrated loudness", "LUFS", 2, lambda f: f.sound.integrated_lufs),
    ("sample peak", "dBFS", 2, lambda f: f.sound.sample_peak_dbfs),
    ("true peak", "dBTP", 2, lambda f: f.sound.true_peak_dbtp),
    ("loudness range", "LU", 2, lambda f: f.sound.loudness_range_lu),
    ("side to mid", "dB", 2, lambda f: unless_rounding(f.sound.side_to_mid_db)),
    ("correlation", "", 3, lambda f: f.sound.correlation),
    ("length", "s", 2, lambda f: f.sound.seconds),
)


def sound_parts(sound: SoundCompared) -> list[PagePart]:
    """Return what is said of the sound, the most important first."""
    whole = sound.whole
    if whole is None or whole.old is None or whole.new is None:
        return [PagePart("The sound", (NOTHING, *_other_files(sound)))]
    found = [
        PagePart("The sound", tuple(_sentences(sound, whole))),
        PagePart("The mix", tables=(_mix_table(whole.old, whole.new),)),
        _sections_part(sound),
        PagePart(
            "Tracks and groups at the bus", _quiet(sound), tables=(_reach_table(sound.reaches),)
        ),
        *_reduction_parts(sound.reductions),
        PagePart("Spectrum by octave", tables=(_octave_table(whole),), folded=True),
        *_more_of_sections(sound),
    ]
    # A table without rows says nothing, not even under its sentences.
    full = [
        dataclasses.replace(part, tables=tuple(one for one in part.tables if one.rows))
        for part in found
    ]
    return [part for part in full if part.lines or part.tables]


# ---- sentences ----


def _sentences(sound: SoundCompared, whole: StretchCompared) -> Iterator[str]:
    residual = whole.residual
    if residual is None:
        yield "the sample rates differ: one mix can't be subtracted from the other"
    elif residual.same_bits:
        yield "the new mix is the old one to the last bit"
    elif residual.is_null:
        yield f"the mixes null: what is left peaks at {level(residual.peak_dbfs, 'dBFS')}"
    else:
        where = f"; most at {_where(residual.loudest)}" if residual.loudest else ""
        yield f"the residual, new minus old, is at {residual_words(residual)}{where}"
    kept = [s for s in sound.stretches if s.is_section and s.residual and s.residual.is_null]
    if not sound.is_same:
        for words in dict.fromkeys(_null_words(s.residual) for s in kept if s.residual):
            names = (s.name for s in kept if s.residual and _null_words(s.residual) == words)
            yield f"{words}: {', '.join(name or '' for name in names)}"
    if sound.elsewhere:
        yield f"with other settings, heard in the mix only: {', '.join(sound.elsewhere)}"
    yield from _other_files(sound)


def _other_files(sound: SoundCompared) -> list[str]:
    return [
        f"the file of {one.name} holds other sound: {one.old.name} -> {one.new.name}"
        for one in sound.files
    ]


def _where(at: Moment) -> str:
    return moment(at.seconds, at.section, bar_and_beat(at.bar, at.beat))


def residual_words(residual: Residual) -> str:
    """Return how much is left: same bits, a null, or its loudness to the mix and its peak."""
    if residual.is_null:
        return _null_words(residual)
    loudness = figure(residual.relative_lu, "LU", 1)
    said = "" if loudness == "-" else f"{loudness} to the mix, "
    return f"{said}peak {level(residual.peak_dbfs, 'dBFS', 1)}"


def _null_words(residual: Residual) -> str:
    if residual.same_bits:
        return "same bits"
    return f"null at {level(residual.peak_dbfs, 'dBFS', 1)}"


# ---- tables ----


def both(old: float | None, new: float | None, decimals: int = 1) -> str:
    """Return two readings with an arrow, one where they read the same.

    >>> both(-20.0, -19.25), both(1.0, 1.01)
    ('-20.0 -> -19.2', '1.0')
    """
    was, now = figure(old, "", decimals), figure(new, "", decimals)
    return was if was == now else f"{was} -> {now}"


def _mix_table(old: Figures, new: Figures) -> Table:
    rows = []
    for name, unit, decimals, reading in READINGS:
        was, now = reading(old), reading(new)
        tell = level if name.endswith("peak") else figure
        cells = [tell(x, unit, decimals) for x in (was, now)]
        rows.append((name, *cells, change(was, now, decimals)))
    return Table(("mix", "old", "new", "change"), tuple(rows))


def _sections_part(sound: SoundCompared) -> PagePart:
    columns = (
        *("section", "old LUFS", "new LUFS", "change"),
        *("residual to the mix", "its peak dBFS", "most at"),
    )
    lines = [
        f"section {s.name} moved; the residual is taken where it is now"
        for s in sound.stretches
        if s.is_moved
    ]
    table = Table(columns, tuple(_section_row(stretch) for stretch in sound.stretches))
    return PagePart("Section by section", tuple(lines), tables=(table,))


def _section_row(stretch: StretchCompared) -> tuple[str, ...]:
    levels = _pair(stretch, READINGS[0][3])
    residual = stretch.residual
    if residual is None:
        left = ("removed" if stretch.new is None else "-", "", "")
    else:
        left = _left_of_section(residual)
    shown = [figure(loudness) for loudness in levels]
    return (stretch.name or "", *shown, change(levels[0], levels[1]), *left)


def _left_of_section(residual: Residual) -> tuple[str, str, str]:
    if residual.same_bits:
        return "same bits", "", ""
    peak = level(residual.peak_dbfs, "", 1)
    if residual.is_null:
        return "null", peak, ""
    at = residual.loudest
    where = "" if at is None else f"{clock(at.seconds)}, {bar_and_beat(at.bar, at.beat)}"
    return figure(residual.relative_lu, "LU", 1), peak, where


def _changed(sound: SoundCompared) -> list[StretchCompared]:
    return [s for s in sound.stretches if s.residual is None or not s.residual.is_null]


def _more_of_sections(sound: SoundCompared) -> Iterator[PagePart]:
    """Every other figure of what changed; only its spectrum takes tables of its own."""
    rows = [
        (stretch.name or "", *(both(*_pair(stretch, r[3]), min(r[2], 2)) for r in READINGS[1:-1]))
        for stretch in _changed(sound)
    ]
    columns = ("section", *(" ".join([r[0], r[1]]).strip() for r in READINGS[1:-1]))
    yield PagePart(
        "Section by section: peaks and width", tables=(Table(columns, tuple(rows)),), folded=True
    )
    names = tuple(band.name for band in octaves())
    octave_rows, left_rows = [], []
    for stretch in _changed(sound):
        name = stretch.name or ""
        if stretch.old is not None and stretch.new is not None:
            levels = zip(
                stretch.old.spectrum.octave_db, stretch.new.spectrum.octave_db, strict=False
            )
            octave_rows.append((name, *(change(was, now, 1) for was, now in levels)))
        if stretch.residual is not None:
            left = stretch.residual.octave_relative_db
            left_rows.append((name, *(figure(ratio, "", 0) for ratio in left)))
    for title, some in (("change, dB", octave_rows), ("residual to the mix, dB", left_rows)):
        width = max((len(row) for row in some), default=1)
        table = Table(("section", *names[: width - 1]), tuple(some))
        yield PagePart(f"Octaves section by section: {title}", tables=(table,), folded=True)


def _pair(stretch: StretchCompared, reading: Reading) -> tuple[float | None, float | None]:
    """A reading before and after."""
    old, new = stretch.old, stretch.new
    return None if old is None else reading(old), None if new is None else reading(new)


def _octave_table(whole: StretchCompared) -> Table:
    assert whole.old is not None
    assert whole.new is not None
    residual = whole.residual
    rows = []
    levels = zip(
        octaves(),
        whole.old.spectrum.octave_db,
        whole.new.spectrum.octave_db,
        strict=False,  # as many as both rates have room for
    )
    for index, (band, old, new) in enumerate(levels):
        left: Sequence[float | None] = (None, None)
        if residual is not None:
            left = (residual.octave_db[index], residual.octave_relative_db[index])
        cells = [level(x, "", 1) for x in (old, new)]
        rows.append((band.name, *cells, change(old, new, 1), *(figure(x, "", 1) for x in left)))
    columns = ("octave Hz", "old dB", "new dB", "change", "residual dB", "to the mix dB")
    return Table(columns, tuple(rows))


def _reach_table(found: Sequence[Reach]) -> Table:
    columns = ("name", "old LUFS", "new LUFS", "change", "peak dB", "most in", "residual LU")
    return Table(columns, tuple(_reach_row(one) for one in found if one.is_audible))


def _reach_row(reach: Reach) -> tuple[str, ...]:
    section, most_lu = max(
        reach.section_changes_lu.items(), key=lambda pair: abs(pair[1]), default=("", 0.0)
    )
    stands_out = abs(most_lu) >= abs(reach.change_lu or 0.0) + AUDIBLE_LU
    most = f"{section} {figure(most_lu, sign=True)}" if stands_out else ""
    what = "group, " * (reach.kind == "group") + reach.state * (reach.state != "changed")
    name = f"{reach.name} ({what.removesuffix(', ')})" if what else reach.name
    return (
        name,
        *(level(loudness) for loudness in (reach.old_lufs, reach.new_lufs)),
        figure(reach.change_lu, sign=True),
        figure(reach.peak_change_db, sign=True),
        most,
        figure(reach.residual_lu, "", 1),
    )


def _quiet(sound: SoundCompared) -> tuple[str, ...]:
    """What changed by less than can be heard."""
    names = [reach.name for reach in sound.reaches if not reach.is_audible]
    return (f"changed, not audibly: {', '.join(names)}",) if names else ()


def _reduction_parts(found: Sequence[ReductionCompared]) -> Iterator[PagePart]:
    for one in found:
        if one.old == one.new and one.old_makeup_db == one.new_makeup_db:
            continue
        old, new = (side.by_section if side else {} for side in (one.old, one.new))
        rows = [_reduction_row("whole", one.old, one.new)]
        rows += [_reduction_row(name, old.get(name), new.get(name)) for name in {**new, **old}]
        lines: tuple[str, ...] = ()
        if (one.old_makeup_db, one.new_makeup_db) != (None, None):
            lines = (f"make-up {both(one.old_makeup_db, one.new_makeup_db, 2)} dB",)
        columns = ("section", "mean dB", "most dB", "at work %")
        title = f"Gain reduction of the {part_named(one.name)}"
        yield PagePart(title, lines, tables=(Table(columns, tuple(rows)),))


def _reduction_row(
    name: str, old: GainReduction | None, new: GainReduction | None
) -> tuple[str, ...]:
    was, now = (
        (None, None, None) if one is None else (one.mean_db, one.max_db, 100.0 * one.active_share)
        for one in (old, new)
    )
    return (
        name,
        both(was[0], now[0], 2),
        both(was[1], now[1], 2),
        both(was[2], now[2], 0),
    )


# ---- data ----


def sound_as_data(sound: SoundCompared) -> dict[str, Any]:
    """Return it as plain JSON data; silence is null, paths are text."""
    return {
        **plain_data(sound),
        "octaves_hz": [band.name for band in octaves()],
        "is_same": sound.is_same,
        "reaches": [plain_data(one) | {"is_audible": one.is_audible} for one in sound.reaches],
        "whole": _stretch_as_data(sound.whole),
        "stretches": [_stretch_as_data(stretch) for stretch in sound.stretches],
    }


def _stretch_as_data(stretch: StretchCompared | None) -> dict[str, Any] | None:
    data: dict[str, Any] | None = plain_data(stretch)
    if data is not None and stretch is not None and stretch.residual is not None:
        data["residual"]["is_null"] = stretch.residual.is_null
    return data
