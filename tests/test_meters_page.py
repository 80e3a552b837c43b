"""docs/meters.md says what every figure is, and what it says was measured is met and still so."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from types import ModuleType

import pytest

from mixwright.measuring import Comparison, Loudest
from mixwright.meters import SoundReadings
from mixwright.meters.differences import SpectrumDifferences
from mixwright.meters.silence import SilenceReadings
from mixwright.meters.spectrum import SpectrumReadings
from mixwright.rendering.ears import Figures

DOCS = Path(__file__).resolve().parents[1] / "docs"
PAGE = (DOCS / "meters.md").read_text("utf-8")
DOCUMENTED = (
    SoundReadings,
    SpectrumReadings,
    SilenceReadings,
    Figures,
    Comparison,
    SpectrumDifferences,
    Loudest,
)


@pytest.fixture
def script(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The script that writes the page, and its chapters."""
    monkeypatch.syspath_prepend(str(DOCS))
    import make_meters_page

    return make_meters_page


def results() -> list[dict[str, str]]:
    """Return every row of a table that has a column "met", by the names of its columns."""
    found: list[dict[str, str]] = []
    head: list[str] = []
    for line in PAGE.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split(" | ")]
        if not line.startswith("|"):
            head = []
        elif not head:
            head = cells
        elif "met" in head and "---" not in cells:
            found.append(dict(zip(head, cells, strict=True)))
    return found


@pytest.mark.parametrize("readings", DOCUMENTED)
def test_every_figure_is_defined(readings: type) -> None:
    # The part above the first results: a name that is only mentioned below is not defined.
    defined = PAGE.split("## Loudness: EBU Tech 3341")[0]
    assert len(defined) < len(PAGE)
    # What decoders had to say is no figure.
    names = [field.name for field in dataclasses.fields(readings) if field.name != "warnings"]
    assert [name for name in names if f"`{name}`" not in defined] == []


def test_everything_that_has_a_limit_meets_it() -> None:
    assert len(results()) > 60
    assert [row for row in results() if row["met"] != "yes"] == []


def test_the_cases_of_the_ebu_are_all_there() -> None:
    # Tech 3341 (v4) has 23 cases, Tech 3342 six; of each, two are recordings.
    cases = [int(row["check"].split(":")[0]) for row in results() if row["check"][0].isdigit()]
    assert sorted(cases) == sorted([*range(1, 7), *range(9, 24), *range(1, 5)])


def test_pictures_are_those_linked() -> None:
    linked = {DOCS / target for target in re.findall(r"!\[[^]]*\]\(([^)]+)\)", PAGE)}
    assert linked == set((DOCS / "meters").iterdir())
    for path in linked:
        assert path.read_text("utf-8").startswith("<?xml")
        assert path.stat().st_size < 150_000


def test_definitions_on_the_page_are_those_of_the_script(script: ModuleType) -> None:
    assert PAGE.startswith(script.tables.filled(script.definitions.chapter()))


@pytest.mark.parametrize("chapter", ["stereo", "silent"])
def test_what_is_measured_again_is_what_the_page_says(script: ModuleType, chapter: str) -> None:
    written = {row["check"]: row for row in results()}
    rows = getattr(script.levels, chapter)()
    assert len(rows) >= 5
    for row in rows:
        assert row.met
        cells = list(written[row.what].values())
        said = [float(cell) for cell in cells[4:-1]]
        assert said == pytest.approx(row.measured, abs=1.01 * 10.0**-row.decimals)


def test_a_miss_would_be_said(script: ModuleType) -> None:
    within, row = script.tables.within, script.tables.Row
    assert within("level", "dB", (0.1, -0.1), 0.0, 0.1).met
    assert not within("level", "dB", (0.0, 0.11), 0.0, 0.1).met
    assert not within("level", "dB", float("nan"), 0.0, 0.1).met
    assert not row("leak", "dB", (-59.0,), -60.0, float("-inf"), 0.0).met
    assert within("level", "dB", 0.2, 0.0, 0.1).cells()[-1] == "**no**"
    figures = script.levels.in_blocks(65536)
    other = dataclasses.replace(figures.sound, plr_lu=0.0, dc=(0.0, figures.sound.dc[1]))
    assert script.levels.unequal(figures, dataclasses.replace(figures, sound=other)) == 2
