"""What a review page is made of: data, curves, words, sound files."""

from __future__ import annotations

import base64
import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import soundfile

from mixwright.by_ear.takes import matched_gains_db
from mixwright.problem import ProblemError
from mixwright.reviewing import plots
from mixwright.reviewing.data import (
    MOST_AUTOMATION_POINTS,
    MOST_POINTS,
    Automation,
    ReviewData,
    SectionLine,
    SongTimeline,
    Source,
    Spectra,
    SpectrumCurve,
    lightened,
    thinned,
    to_json,
)
from mixwright.reviewing.page import page_text, section_figures, write_page
from mixwright.reviewing.sounds import PageSound, clear_away, file_names, write_sounds
from review_sample import RATE_HZ, large_review, review, sources, timeline

STYLE = Path(plots.__file__).parent / "assets" / "page.css"


def text_of(sample: ReviewData) -> str:
    return page_text(sample, {source.id: PageSound(source.id, 0.0) for source in sample.sources})


# ---- data ----


def test_sources_are_only_turned_down_and_have_ids_of_their_own() -> None:
    louder = replace(sources()[0], gain_db=0.1)
    with pytest.raises(ValueError, match="only ever turned down"):
        replace(review(), sources=(louder,))
    with pytest.raises(ValueError, match="ids of their own"):
        replace(review(), sources=(sources()[0],) * 2)
    with pytest.raises(ValueError, match="ids of their own"):
        replace(review(), sources=())


def test_matching_leaves_all_as_loud_as_the_quietest() -> None:
    lufs = [-14.2, -23.0, -9.9, None, None]
    gains_db = matched_gains_db(lufs)
    matched = [lufs[i] + gains_db[i] for i in range(3)]  # type: ignore[operator]
    assert matched == pytest.approx([-23.0] * 3)
    assert gains_db[3:] == [0.0, 0.0]
    assert matched_gains_db([None, None]) == [0.0, 0.0]


def test_a_long_song_keeps_its_peaks_in_few_points() -> None:
    whole, light = large_review().timeline, lightened(large_review()).timeline
    assert len(light.short_term_lufs) <= MOST_POINTS
    assert len(light.short_term_lufs) == len(light.true_peak_dbtp)
    assert len(light.short_term_lufs) * light.hop_s == pytest.approx(600.0, abs=light.hop_s)
    assert max(light.true_peak_dbtp) == max(whole.true_peak_dbtp)  # type: ignore[type-var]
    assert light.short_term_lufs[0] is None
    where = whole.true_peak_dbtp.index(max(whole.true_peak_dbtp)) * whole.hop_s  # type: ignore[type-var]
    at = light.true_peak_dbtp.index(max(light.true_peak_dbtp)) * light.hop_s  # type: ignore[type-var]
    assert abs(where - at) < light.hop_s


def test_a_ride_of_many_points_keeps_its_ends_and_its_extremes() -> None:
    rng = np.random.default_rng(3)
    points = tuple((float(t), float(v)) for t, v in enumerate(rng.standard_normal(5000)))
    fewer = thinned(Automation("voice", "fader", "dB", points)).points
    assert len(fewer) <= MOST_AUTOMATION_POINTS + 2
    assert (fewer[0], fewer[-1]) == (points[0], points[-1])
    assert list(fewer) == sorted(fewer)
    assert max(v for _, v in fewer) == max(v for _, v in points)  # type: ignore[type-var]
    assert min(v for _, v in fewer) == min(v for _, v in points)  # type: ignore[type-var]


def test_json_holds_everything_and_nothing_that_ends_its_element() -> None:
    nasty = "</script><!-- \u2028\u2029 &amp; é"
    text = to_json(replace(review(), title=nasty), {"sounds": {}})
    assert text.isascii()
    assert not re.search("[<>&\u2028]", text)
    read = json.loads(text)
    assert read["title"] == nasty
    assert read["sounds"] == {}
    assert read["tracks"][3]["level_lufs"] is None
    assert read["timeline"]["short_term_lufs"][0] is None
    assert read["sources"][1]["gain_db"] == round(sources()[1].gain_db, 3)


# ---- curves ----


def test_a_curve_breaks_where_there_is_no_figure_and_ends_below_in_silence() -> None:
    sections = (SectionLine("all", 0.0, 6.0),)
    levels = (-20.0, -10.0, None, -30.0, -math.inf, -20.0)
    charts = plots.timeline_charts(SongTimeline(1.0, levels, levels), 6.0, sections)
    line = re.search(r'class="line" d="([^"]+)"', charts[0].svg)
    assert line is not None
    # From -30 at the bottom to -10 at the top; a sixth of the width a second.
    assert line[1] == "M0 50L166.7 0M500 100L666.7 100L833.3 50"
    assert charts[0].summary == "least -30.0 LUFS at 0:03.0 (all), most -10.0 LUFS at 0:01.0 (all)"


def test_reduction_hangs_from_the_top_and_full_scale_is_marked() -> None:
    along = replace(timeline(), voice_over_band_db=None)
    charts = {chart.id: chart for chart in plots.timeline_charts(along, 24.0, ())}
    assert set(charts) == {"short_term_lufs", "true_peak_dbtp", "bus_reduction_db"}
    assert [mark.text for mark in charts["bus_reduction_db"].marks] == ["0", "2", "4"]
    assert charts["bus_reduction_db"].marks[0].at == 0.0
    assert 'class="edge"' in charts["true_peak_dbtp"].svg
    assert 'class="edge"' not in charts["short_term_lufs"].svg


@pytest.mark.parametrize("levels", [(), (None, None), (-math.inf,), (-23.0,), (math.nan,)])
def test_curves_of_next_to_nothing_can_be_drawn(levels: tuple[float | None, ...]) -> None:
    along = SongTimeline(0.1, levels, levels, levels, levels)
    for chart in plots.timeline_charts(along, 1.0, ()):
        assert "nan" not in chart.svg
        assert "inf" not in chart.svg
    sample = replace(review(), timeline=along, sections=(), spectrum=None, tracks=(), stages=())
    bare = replace(sample, changes=None, sound_changes=None, against=None, artist="")
    assert 'id="spectrum"' not in text_of(bare)
    assert 'id="changes"' not in text_of(bare)


def test_moves_are_told_in_words() -> None:
    words = [plots.automation_words(one) for one in timeline().automation]
    assert words == [
        "0:00.0 0.0 dB, 0:09.5 0.0 dB, 0:10.0 1.5 dB, 0:16.0 1.5 dB, 0:17.0 0.0 dB",
        "0:00.0 off, 0:09.9 -18.0 dB, 0:16.0 -12.0 dB",
        "0:00.0 L45, 0:24.0 R45",
        "0:00.0 muted, 0:10.0 heard, 0:16.0 muted",
    ]
    long = Automation("voice", "fader", "dB", tuple((float(t), 0.0) for t in range(20)))
    assert plots.automation_words(long).endswith(", and 8 more")


def test_mutes_are_blocks_from_one_point_to_the_next() -> None:
    chart = plots.automation_chart(0, timeline().automation[3], 24.0)
    assert 'd="M0 20H416.7V80H0ZM666.7 20H1000V80H666.7Z"' in chart.svg


def test_an_octave_is_equally_wide_everywhere_in_the_spectrum() -> None:
    bands = (125.0, 250.0, 500.0, 1000.0)
    curves = (SpectrumCurve("mix", (-20.0,) * 4), SpectrumCurve("other", (-20, -26, -20, None)))
    chart = plots.spectrum_chart(Spectra(bands, curves))
    places = [mark.at for mark in chart.frequency_marks]
    assert np.diff(places) == pytest.approx([places[1] - places[0]] * 3)
    assert [mark.text for mark in chart.frequency_marks] == ["125", "250", "500", "1k"]
    assert chart.summary == "furthest from other at 250 Hz, with 6.0 dB more"
    assert [label for _, label in chart.legend] == ["mix", "other"]
    assert len({line for line, _ in chart.legend}) == 2


def test_figures_of_a_section_are_those_of_its_values() -> None:
    levels = tuple(float(-40 + i) for i in range(20))
    along = SongTimeline(0.5, levels, levels, None, (None,) * 10 + levels[10:])
    parts = (SectionLine("one", 0.0, 5.0), SectionLine("two", 5.0, 10.0))
    one, two = section_figures(replace(review(), sections=parts, timeline=along))
    assert (one.loudness_lufs, one.loudest_lufs, one.true_peak_dbtp) == (-35.0, -31.0, -31.0)
    assert (one.most_bus_reduction_db, one.least_voice_db) == (None, None)
    assert two.least_voice_db == -30.0


# ---- the page ----


class _Elements(HTMLParser):
    """All opening tags and what they have."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def test_the_page_needs_nothing_but_itself() -> None:
    text = text_of(review())
    assert not re.search(r"https?:|//[a-z]+\.|url\(|@import", text)
    elements = _Elements(text).found
    assert {tag for tag, _ in elements} >= {"main", "h1", "table", "svg", "dialog"}
    assert not any("src" in has or tag in ("link", "img", "iframe") for tag, has in elements)
    assert not any(name.startswith("on") for _, has in elements for name in has)
    policy = next(has["content"] for tag, has in elements if has.get("http-equiv"))
    assert policy is not None
    assert policy.startswith("default-src 'none'; script-src 'sha256-")


def test_a_hundred_tracks_and_ten_minutes_stay_light() -> None:
    assert len(text_of(large_review()).encode()) < 1_000_000


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    shares = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    darker, lighter = sorted((_luminance(one), _luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def test_the_contrast_is_that_of_a_published_pair() -> None:
    # White on #767676 is the greyest that passes the 4.5:1 of WCAG 2.1, 1.4.3, at 4.54:1, as many
    # guides say; by the formula of WCAG 2.1, "relative luminance" and "contrast ratio".
    assert _contrast("#ffffff", "#767676") == pytest.approx(4.54, abs=0.005)
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("theme", [0, 1])
def test_all_text_can_be_read_by_day_and_by_night(theme: int) -> None:
    blocks = re.findall(r":root \{([^}]+)\}", STYLE.read_text("utf-8"))
    colours = dict(re.findall(r"--(\w[\w-]*): (#[0-9a-f]{6});", blocks[theme]))
    for ground in ("paper", "sheet"):
        for text in ("ink", "soft", "tone", "holds", "look", "fails"):
            assert _contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
        # WCAG 2.2, 1.4.11: what has to be seen but not read.
        for line in ("edge", "second", "third", "fourth"):
            assert _contrast(colours[line], colours[ground]) >= 3.0, (line, ground)
    assert _contrast(colours["on-tone"], colours["tone"]) >= 4.5


# ---- sounds ----


def write(path: Path, sound: np.ndarray, subtype: str = "FLOAT") -> Path:
    soundfile.write(path, sound, RATE_HZ, subtype)
    return path


def bytes_in(script: Path) -> tuple[str, bytes]:
    """The id and the bytes that a script hands over."""
    called = re.fullmatch(r'registerAudio\((".*?"), "([^"]*)"\);\n', script.read_text("ascii"))
    assert called is not None
    return json.loads(called[1]), base64.b64decode(called[2], validate=True)


def test_the_page_gets_the_very_bytes_of_the_file(tmp_path: Path) -> None:
    tone = 0.25 * np.sin(np.arange(150_000) * 0.05)[:, None] * [1.0, -0.5]
    sounds = write_sounds(tmp_path, {"Step </script> 1": write(tmp_path / "tone.wav", tone)})
    found = sounds["Step </script> 1"]
    assert re.fullmatch(r"audio/step-script-1-[0-9a-f]{8}\.flac", found.flac)
    assert found.lowered_db == 0.0
    assert bytes_in(tmp_path / found.script) == (
        "Step </script> 1",
        (tmp_path / found.flac).read_bytes(),
    )
    read, rate_hz = soundfile.read(tmp_path / found.flac)
    assert rate_hz == RATE_HZ
    assert soundfile.info(tmp_path / found.flac).subtype == "PCM_16"
    # Half a step of rounding, one of dither.
    assert np.abs(read - tone).max() <= 1.5 / 2**15


def test_a_flac_of_16_bits_is_taken_as_it_is(tmp_path: Path) -> None:
    given = write(tmp_path / "mix.flac", np.full((1000, 2), 0.5), "PCM_16")
    (sound,) = write_sounds(tmp_path / "page", {"mix": given}).values()
    assert (tmp_path / "page" / sound.flac).read_bytes() == given.read_bytes()


def test_what_is_over_full_scale_is_lowered_and_said(tmp_path: Path) -> None:
    loud = np.array([[0.0, 0.0], [1.8, -2.0], [0.4, 0.0]])
    (sound,) = write_sounds(tmp_path, {"loud": write(tmp_path / "loud.wav", loud)}).values()
    read, _ = soundfile.read(tmp_path / sound.flac)
    assert np.abs(read).max() < 1.0
    assert sound.lowered_db == pytest.approx(6.02, abs=0.01)
    assert read * 10 ** (sound.lowered_db / 20) == pytest.approx(loud, abs=4 / 2**15)


def test_one_channel_is_heard_from_both_sides_as_loud_as_it_was(tmp_path: Path) -> None:
    noise = 0.1 * np.random.default_rng(1).standard_normal(20_000)
    (sound,) = write_sounds(tmp_path, {"mono": write(tmp_path / "mono.wav", noise)}).values()
    read, _ = soundfile.read(tmp_path / sound.flac)
    # BS.1770 adds the powers of left and right.
    assert (read**2).sum() == pytest.approx((noise**2).sum(), rel=1e-3)


def test_names_are_plain_and_no_two_alike() -> None:
    names = file_names(["mix", "MIX", "../etc", "", "ß" * 90, "con/mix", "a" * 90])
    assert len(set(names.values())) == 7
    assert all(re.fullmatch(r"[a-z0-9-]{1,63}", name) for name in names.values())


def test_an_earlier_page_leaves_no_sounds_but_a_strangers_files_stay(tmp_path: Path) -> None:
    given = write(tmp_path / "a.wav", np.zeros((100, 2)))
    write_sounds(tmp_path, {"old": given, "mix": given})
    stranger = tmp_path / "audio" / "mine.js"
    stranger.write_text("let mine = 1;")
    stranger.with_suffix(".flac").write_bytes(b"mine")
    written = write_sounds(tmp_path, {"mix": write(tmp_path / "b.wav", np.ones((100, 2)) / 9)})
    # Until its page has been replaced, the sounds of the earlier one are what they were.
    assert len(list((tmp_path / "audio").iterdir())) == 8
    clear_away(tmp_path, written.values())
    name = written["mix"].name
    assert sorted(path.name for path in (tmp_path / "audio").iterdir()) == [
        "mine.flac",
        "mine.js",
        f"{name}.flac",
        f"{name}.js",
    ]


def only_source(path: Path) -> tuple[ReviewData, dict[str, Path]]:
    one = Source("mix", "the mix", "mix", -23.0, 0.0, 0.1)
    return replace(review(), sources=(one,)), {"mix": path}


def test_the_same_review_makes_the_same_files_and_replaces_its_own(tmp_path: Path) -> None:
    sample, sounds = only_source(write(tmp_path / "a.wav", np.full((4800, 2), 0.1)))
    first = write_page(tmp_path / "page", sample, sounds)
    before = {path: path.read_bytes() for path in first.parent.rglob("*") if path.is_file()}
    assert write_page(tmp_path / "page", sample, sounds) == first
    after = {path: path.read_bytes() for path in first.parent.rglob("*") if path.is_file()}
    assert before == after
    assert len(before) == 3


def test_a_strangers_page_is_left_alone(tmp_path: Path) -> None:
    sample, sounds = only_source(write(tmp_path / "a.wav", np.zeros((100, 2))))
    (tmp_path / "index.html").write_text("<h1>mine</h1>")
    with pytest.raises(ProblemError, match="exists and was not written by mixwright"):
        write_page(tmp_path, sample, sounds)
    assert (tmp_path / "index.html").read_text() == "<h1>mine</h1>"
    assert not (tmp_path / "audio").exists()


def test_what_cannot_be_written_or_read_is_a_problem(tmp_path: Path) -> None:
    sample, sounds = only_source(write(tmp_path / "a.wav", np.zeros((100, 2))))
    (tmp_path / "file").write_text("")
    with pytest.raises(ProblemError, match="can't be written"):
        write_page(tmp_path / "file", sample, sounds)
    with pytest.raises(ProblemError, match=r"nothing\.wav"):
        write_page(tmp_path / "page", sample, {"mix": tmp_path / "nothing.wav"})
    with pytest.raises(ValueError, match="no sound for mix"):
        write_page(tmp_path / "page", sample, {})
