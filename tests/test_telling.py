"""How values are told: one form each, for whoever tells it, and one for a level of nothing."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mixwright.checks.limits import default_limits
from mixwright.dsp.band import BandSettings
from mixwright.dsp.compressor import CompressorSettings
from mixwright.escaping import json_text, plain_data
from mixwright.meters import MixReadings, SoundMeter
from mixwright.problem import Problem, Span
from mixwright.rendering.ears import Ear
from mixwright.report.tables import Table, table_as_html, table_as_markdown, table_lines
from mixwright.sheet import Band, Compressor
from mixwright.sheet.part_words import moving_band_words, processor_words
from mixwright.words import band_words, figure, level, named, value_words


def numbers_in(value: Any) -> Iterator[float]:
    """Every number of frozen parts, however deep."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = list(vars(value).values())
    if isinstance(value, list | tuple):
        for one in value:
            yield from numbers_in(one)
    elif isinstance(value, float):
        yield value


@pytest.mark.parametrize("frames", [0, 1000, 5 * 48000])
def test_no_reading_of_silence_is_infinite(frames: int) -> None:
    ear, mix = Ear("mix", "mix", 48000), SoundMeter(48000, 2)
    for meter in (ear, mix):
        meter.feed(np.zeros((frames, 2)))
    found = list(numbers_in((ear.figures(), MixReadings.of(mix.readings()))))
    assert len(found) > 5
    assert all(map(math.isfinite, found))


def test_a_level_of_nothing_and_no_figure_are_told_apart() -> None:
    assert (level(None, "dBTP"), figure(None, "LUFS")) == ("silent", "-")
    assert (level(-0.004, "dBTP"), figure(math.inf, "dB"), figure(-math.inf)) == (
        *("0.00 dBTP", "+inf"),
        "-inf",
    )


def test_a_shelf_and_a_ratio_are_told_alike_in_a_part_and_alone() -> None:
    shelf = BandSettings("high_shelf", 9000.0, 2.0, q=0.7)
    assert moving_band_words(Band(shelf)) == band_words(shelf) == "high-shelf 9000 Hz +2.0 dB Q 0.7"
    said = processor_words(Compressor(CompressorSettings(-18.0, 2.5), key="kick", makeup_db=3.0))
    assert said.startswith(f"threshold -18 dB, ratio {value_words('ratio', 2.5)}, ")
    assert said.endswith(", keyed by kick, make-up +3.0 dB")
    assert value_words("bus_ratio", 2.0) == "2:1"


def test_every_limit_is_told_with_a_name_and_a_unit() -> None:
    for key, value in default_limits().items():
        assert not named(key).endswith(tuple("_ "))
        said = value_words(key, value)
        assert " " in said or said.endswith(":1"), key


def test_plain_data_holds_what_json_can(tmp_path: Path) -> None:
    problem = Problem("x/y", "no", Span("m.yaml", 2, 7))
    data = {
        "file": tmp_path,
        "count": np.int64(3),
        "level_db": np.float32(-0.5),
        "peak_dbfs": -math.inf,
        "problems": (problem,),
        8000.0: [True, None],
    }
    read = json.loads(json_text(plain_data(data)))
    assert read == {
        "file": str(tmp_path),
        "count": 3,
        "level_db": -0.5,
        "peak_dbfs": None,
        "problems": [problem.as_data()],
        "8000.0": [True, None],
    }
    assert plain_data({"level_db": -1.23456}, decimals=3) == {"level_db": -1.235}


def test_a_table_says_the_same_in_all_its_forms() -> None:
    table = Table(("track", "peak"), (("lead | <b>", "-3.0"), ("pad\x1b", "silent")))
    assert table_as_markdown(table) == (
        "| track | peak |\n| --- | --: |\n| lead \\| &lt;b&gt; | -3.0 |\n| pad\\\\x1b | silent |"
    )
    assert '<th scope="row">lead | &lt;b&gt;</th><td>-3.0</td>' in table_as_html(table, "peaks")
    head, _, *rows = table_lines(table)
    assert [row.split() for row in rows] == [["lead", "|", "<b>", "-3.0"], ["pad\\x1b", "silent"]]
    assert head.split() == ["track", "peak"]
