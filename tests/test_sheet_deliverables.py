"""What is made of a mix, as the sheet says it: variants, the release, how files are called.

What is said about sheets that are wrong is in ``sheets/bad``, see ``test_sheet_files.py``.
"""

from __future__ import annotations

import math
import shutil
from pathlib import Path
from typing import Any

import pytest

from mixwright.audio.formats import FORMATS
from mixwright.problem import ProblemError
from mixwright.sheet import (
    Cover,
    Labels,
    Loudness,
    Release,
    Sheet,
    Song,
    Variant,
    check_length,
    load_sheet,
)
from mixwright.sheet.file_names import file_name
from mixwright.timeline import Position

EVERY_KEY = Path(__file__).parent / "sheets" / "good" / "every_key.yaml"
EMPTY = Sheet(Path("mix.yaml"), Song("Salt Road", 48000), ())


@pytest.fixture
def every_key(tmp_path: Path) -> Sheet:
    """The sheet with every key, its files empty."""
    names = ("kick", "bass", "lead_vocal", "one", "two", "stairwell")
    for name in names:
        for folder in ("stems", "references", "rooms"):
            (tmp_path / folder).mkdir(exist_ok=True)
            (tmp_path / folder / f"{name}.wav").touch()
    return load_sheet(shutil.copy(EVERY_KEY, tmp_path))


def test_deliverables_are_read_as_they_are_written(every_key: Sheet) -> None:
    release = every_key.release
    assert release.file_name == "{artist}/{album}/{track_number} {title} - {variant}"
    assert release.labels == Labels(
        album="Salt Road",
        track_number=3,
        date="2026-11-20",
        genre="folk rock",
        isrc="ZZABC2600001",
        copyright="2026 The Ferry Hours",
        comment="first pressing",
        description="mixed on a harbour wall",
        originator="The Ferry Hours",
        originator_reference="FH-0003",
        time_reference_s=36000.0,
    )
    variants = {variant.name: variant for variant in every_key.variants}
    assert variants["main"] == Variant("main", ("wav24", "flac16"), why="the release")
    assert variants["everything"].dither == "shaped"
    assert variants["high_rates"].sample_rates_hz == (96000, 192000)
    instrumental, a_cappella = variants["instrumental"], variants["a_cappella"]
    assert (instrumental.bus_gain, a_cappella.bus_gain) == ("from_main", "own")
    assert instrumental.labels == Labels(isrc="ZZABC2600002", date="2027")
    assert (a_cappella.without, a_cappella.mute) == (("bass",), ("room", "hall"))
    assert variants["clean"].clean == (
        Cover("lead_vocal", Position(bar=14, beat=2.5), 0.5, instead="bass", why="a brand"),
        Cover("vocals", Position(section="chorus 1"), for_ms=400.0, level_db=-20.0),
        Cover("kick", Position(seconds=3.5), for_ms=80.0, level_db=-math.inf),
    )
    broadcast = variants["broadcast"]
    assert broadcast.loudness == Loudness("ebu_r_128", -23.5, -3.0)
    assert (broadcast.head_s, broadcast.tail_s) == (0.5, 1.0)
    assert (broadcast.fade_in_s, broadcast.fade_out_s) == (0.01, 3.0)
    assert broadcast.file_name == "{title} ({rate_hz} {format})"
    assert broadcast.labels.date == "2026-11"
    assert broadcast.labels.time_reference_s == 0.0
    parts = variants["parts"]
    assert parts.stems == {"rhythm": ("drums", "bass"), "voices": ("vocals",)}
    assert [v.name for v in every_key.variants if v.is_split] == ["stems", "tracks_alone", "parts"]


def test_a_variant_says_what_the_release_does_not(every_key: Sheet) -> None:
    variants = {variant.name: variant for variant in every_key.variants}
    labels = variants["instrumental"].labels.over(every_key.release.labels)
    assert (labels.isrc, labels.date, labels.album) == ("ZZABC2600002", "2027", "Salt Road")
    # A time of nought is one.
    assert variants["broadcast"].labels.over(every_key.release.labels).time_reference_s == 0.0


NAMES = [
    (None, Variant("main"), {}, "AC_DC - Don't - main.wav"),
    (None, Variant("main", ("flac16",)), {"form": "flac16"}, "AC_DC - Don't - main.flac"),
    (None, Variant("main", ("mp3",)), {"form": "mp3"}, "AC_DC - Don't - main.mp3"),
    (None, Variant("main", ("aiff24", "wav24")), {"form": "aiff24"}, "AC_DC - Don't - main.aiff"),
    (None, Variant("cd", ("wav16", "wav24")), {}, "AC_DC - Don't - cd - wav24.wav"),
    (None, Variant("cd", ("wav16", "wav24", "mp3")), {"form": "mp3"}, "AC_DC - Don't - cd.mp3"),
    (
        None,
        Variant("cd", sample_rates_hz=(44100, 48000)),
        {"rate_hz": 44100},
        "AC_DC - Don't - cd - 44100 Hz.wav",
    ),
    (None, Variant("s", split_by="track"), {"stem": "kick"}, "AC_DC - Don't - s - kick.wav"),
    ("{variant}/{stem}", Variant("s", split_by="track"), {"stem": "kick"}, "s/kick.wav"),
    (
        "{track_number} {format}@{rate_hz}",
        Variant("a", ("wav16", "wav24"), (44100, 48000), labels=Labels(track_number=7)),
        {},
        "07 wav24@48000.wav",
    ),
    ("{title}", Variant("a", file_name="x/{variant}. "), {}, "x/a.wav"),
    ("{artist}/{title}", Variant("a"), {}, "_/AC_DC - Don't.wav"),
]


@pytest.mark.parametrize(("pattern", "variant", "asked", "expected"), NAMES)
def test_file_names(
    pattern: str | None, variant: Variant, asked: dict[str, Any], expected: str
) -> None:
    song = Song("AC/DC - Don't", 48000, artist="..")
    sheet = Sheet(Path("mix.yaml"), song, (), release=Release(pattern), variants=(variant,))
    assert file_name(sheet, variant, **{"form": "wav24", "rate_hz": 48000, **asked}) == expected


def test_endings_are_those_of_the_formats() -> None:
    for form in FORMATS.values():
        assert file_name(EMPTY, Variant("a"), form.name, 48000) == f"Salt Road - a{form.suffix}"


RATES_HZ = (44100, 48000, 88200, 96000, 176400, 192000)


@pytest.mark.parametrize("form", FORMATS.values(), ids=lambda form: form.name)
def test_a_variant_takes_the_rates_that_its_format_has(form: Any, tmp_path: Path) -> None:
    (tmp_path / "a.wav").touch()
    sheet = tmp_path / "mix.yaml"
    for rate_hz in RATES_HZ:
        sheet.write_text(
            f"format: 1\nsong: {{title: T, sample_rate_hz: {rate_hz}}}\n"
            f"tracks: {{a: {{file: a.wav}}}}\nvariants: {{main: {{formats: [{form.name}]}}}}\n",
            encoding="utf-8",
        )
        if not form.rates_hz or rate_hz in form.rates_hz:
            assert load_sheet(sheet).variants[0].formats == (form.name,)
        else:
            with pytest.raises(ProblemError) as caught:
                load_sheet(sheet)
            assert [p.rule for p in caught.value.problems] == ["sheet/format-and-rate"]


def test_a_cover_at_the_very_end_is_beyond_it(every_key: Sheet) -> None:
    at = every_key.timeline.sample_at(Position(bar=14, beat=2.5))
    beyond = "bar 14 beat 2.5 is beyond the end of the song"
    assert any(p.message.startswith(beyond) for p in check_length(every_key, at))
    assert not any(p.message.startswith(beyond) for p in check_length(every_key, at + 1))
