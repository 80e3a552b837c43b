"""The recall sheet on what is made of a mix: the release, its variants, the words covered."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from mixwright.report import recall_sheet as form
from mixwright.report.recall_sheet import WHY, Chapter, Column, Listing, table_of, words_column
from mixwright.sheet import Cover, Sheet, Variant
from mixwright.words import counted, named, number, signed, value_words


def release_chapter(sheet: Sheet) -> Chapter:
    """Return how files are called and what they say of themselves; empty if nothing is said."""
    pattern = sheet.release.file_name
    named = {} if pattern is None else {"file_name": pattern}
    return Chapter("release", "release", named | _said(sheet.release.labels))


def variants_chapter(sheet: Sheet) -> Chapter:
    """Return every variant with its reason, and every word that is covered."""
    columns = (
        words_column("name", "variant"),
        *(words_column(key, text=", ".join) for key in ("formats", "only", "without", "mute")),
        words_column("offset_db", "offset dB", text=_offsets),
        words_column("split_by", "split by"),
        words_column("stems", text=_stems),
        words_column("sum", text=form.unless("own", str)),
        words_column("bus_gain", "bus gain", text=form.unless("own", named)),
        words_column("finish", text=_finish, of=_finish_of),
        words_column("file_name", "file name"),
        words_column("labels", text=_labels, of=lambda variant: _said(variant.labels)),
        WHY,
    )
    tables = (table_of("list", columns, sheet.variants), _covers(sheet))
    return Chapter("variants", "variants", tables=tables)


def _said(part: Any) -> dict[str, Any]:
    """The fields of a part of the sheet that say something."""
    return {k: v for k, v in dataclasses.asdict(part).items() if v is not None}


def _offsets(offset_db: Mapping[str, float]) -> str:
    return ", ".join(f"{name} {signed(value)}" for name, value in offset_db.items())


def _stems(stems: Mapping[str, tuple[str, ...]]) -> str:
    return "; ".join(f"{name}: {', '.join(members)}" for name, members in stems.items())


def _finish_of(variant: Variant) -> dict[str, Any]:
    """What is done between the mix and its files, as far as it is not what goes without saying."""
    found: dict[str, Any] = {} if variant.loudness is None else _said(variant.loudness)
    found |= {key: getattr(variant, key) for key in ("head_s", "tail_s")}
    found |= {key: getattr(variant, key) or None for key in ("fade_in_s", "fade_out_s")}
    found["dither"] = None if variant.dither == "tpdf" else variant.dither
    found["sample_rates_hz"] = ", ".join(map(str, variant.sample_rates_hz)) or None
    return {key: value for key, value in found.items() if value is not None}


def _finish(found: Mapping[str, Any]) -> str:
    return ", ".join(f"{named(k)} {value_words(k, v)}" for k, v in found.items())


def _labels(said: Mapping[str, Any]) -> str:
    return ", ".join(f"{named(key)} {value}" for key, value in said.items())


def _covers(sheet: Sheet) -> Listing:
    """Every word that is covered, with the variant it is covered in."""
    pairs = [(variant, cover) for variant in sheet.variants for cover in variant.clean]

    def of_cover(key: str, heading: str = "", **options: Any) -> Column:
        return words_column(key, heading, of=lambda pair: getattr(pair[1], key), **options)

    columns = (
        words_column("variant", of=lambda pair: pair[0].name),
        of_cover("name", "covered"),
        words_column("at", of=lambda pair: str(pair[1].at)),
        words_column("for", of=lambda pair: _length(pair[1])),
        words_column("level_db", "level dB", of=lambda pair: number(pair[1].level_db)),
        of_cover("instead"),
        of_cover("why", text=lambda why: why or form.NO_REASON),
    )
    return table_of("covers", columns, pairs)


def _length(cover: Cover) -> str:
    if cover.for_beats:
        return counted(cover.for_beats, "beat")
    return value_words("for_ms", cover.for_ms)
