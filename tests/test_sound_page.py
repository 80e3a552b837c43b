"""The page of measured sound: its pictures are there, its limits are kept, its numbers are real."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from types import ModuleType

import pytest

DOCS = Path(__file__).resolve().parents[1] / "docs"
PAGE = (DOCS / "sound.md").read_text("utf-8")
# What one machine rounds differently: shares of the number, and of what the limit allows.
NEARLY, OF_LIMIT = 0.02, 0.02


@pytest.fixture(scope="module")
def script() -> ModuleType:
    """The script itself, loaded but not run; it puts docs/ where its chapters are found."""
    spec = importlib.util.spec_from_file_location("make_sound_page", DOCS / "make_sound_page.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def rows(script: ModuleType) -> list[dict[str, str]]:
    """All lines of the page's tables with limits."""
    from sound_figures.page import read_rows

    assert str(DOCS) in sys.path
    return read_rows(PAGE)


def test_every_picture_is_shown_and_every_shown_picture_is_there() -> None:
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", PAGE)
    assert len(shown) == len(set(shown)) >= 20
    assert sorted(shown) == sorted(f"sound/{path.name}" for path in (DOCS / "sound").iterdir())


def test_pictures_are_small_and_without_dates() -> None:
    for path in (DOCS / "sound").iterdir():
        text = path.read_text("utf-8")
        assert text.startswith("<?xml")
        assert len(text) < 150_000, path.name
        assert "<dc:date>" not in text, path.name


def test_every_limit_on_the_page_is_kept(rows: list[dict[str, str]]) -> None:
    from sound_figures.page import keeps_its_limit

    judged = {row["what"]: (keeps_its_limit(row), row["met"]) for row in rows}
    limits = {what: verdict for what, verdict in judged.items() if verdict[0] is not None}
    assert len(limits) > 100
    assert {what: verdict for what, verdict in limits.items() if verdict != (True, "yes")} == {}
    assert {met for _, (kept, met) in judged.items() if kept is None} <= {"–"}  # noqa: RUF001


def test_the_limits_are_those_the_engine_is_held_to(rows: list[dict[str, str]]) -> None:
    # Filters, ISO 3382-1's 5 %, the echo density and correlation of a tail, loudness wet over dry.
    found = {row["what"]: row["limit"] for row in rows}
    for part, limit in (
        ("bells at 44.1 kHz: worst error to 16 kHz", "≤ 0.1 dB"),
        ("passes at 48 kHz: worst error to 20 kHz", "≤ 0.25 dB"),
        ("decay 0.3 s, steep: T30 off by", "≤ 5 %"),
        ("decay 2.2 s: density is 0.9 after", "≤ 100 ms"),
        ("decay 2.2 s: correlation of the sides", "≤ 0.2"),
        ("decays of 0.1 to 20 s, with early reflections: wet over dry", "≤ 0.5 LU"),
        ("highest true peak out, ceiling -1 dBTP, scipy", "≤ -0.95 dBTP"),
        ("compressor: furthest from its curve", "≤ 0.05 dB"),
    ):
        assert [given for what, given in found.items() if what.startswith(part)] == [limit], part


def test_reading_rows_back_finds_a_limit_that_is_not_kept(script: ModuleType) -> None:
    from sound_figures.page import Measure, keeps_its_limit, read_rows

    cases = [
        (Measure("a", 0.2, "dB", 0.1), False),
        (Measure("b", 0.1, "dB", 0.1), True),
        (Measure("c", 119.0, "dB", 120.0, "least"), False),
        (Measure("d", -3.02, "dB", 0.005, "about", -3.0103), False),
        (Measure("e", -3.012, "dB", 0.005, "about", -3.0103), True),
        (Measure("f", float("inf"), "ms", 100.0), False),
        (Measure("g", 2.5e-7, "dB", 1e-6), True),
        (Measure("h", 0.2, "dB"), None),
    ]
    for measure, kept in cases:
        (row,) = read_rows(measure.row())
        assert measure.met is kept
        assert keeps_its_limit(row) is kept
        assert row["met"] == {True: "yes", False: "**no**", None: "–"}[kept]  # noqa: RUF001


@pytest.mark.parametrize("name", ["automation", "delays"])
def test_a_chapter_measured_anew_is_the_one_on_the_page(
    name: str, script: ModuleType, rows: list[dict[str, str]], tmp_path: Path
) -> None:
    from sound_figures.page import number_of, read_rows

    chapter = script.measured(name, tmp_path / "sound")
    on_page = {row["what"]: row for row in rows}
    fresh = read_rows(chapter.markdown())
    assert len(fresh) == len(chapter.measures) > 10
    for row in fresh:
        printed = on_page[row["what"]]
        assert {key: row[key] for key in ("ideal", "limit", "source")} == {
            key: printed[key] for key in ("ideal", "limit", "source")
        }
        limit = abs(number_of(row["limit"]) or 0.0)
        expected = pytest.approx(number_of(printed["measured"]), rel=NEARLY, abs=OF_LIMIT * limit)
        assert number_of(row["measured"]) == expected, row["what"]
    assert chapter.title in PAGE
    assert {path.name for path in (tmp_path / "sound").iterdir()} == {
        Path(picture.path).name for picture in chapter.pictures
    }


def test_the_page_says_what_made_it_and_who_decides(script: ModuleType) -> None:
    from sound_figures import CHAPTERS

    assert PAGE.count("\n## ") == len(CHAPTERS) + 1
    assert "ears decide" in PAGE[:1500]
    made_with = PAGE.split("## Made with")[1]
    for library in script.LIBRARIES:
        assert re.search(rf"{library} \d+\.\d+", made_with)
