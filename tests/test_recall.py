"""The recall sheet: it holds every track, move, reason and ride, and its figures are measured."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
import soundfile
from markdown_it import MarkdownIt

import mixwright
from conftest import RATE_HZ, SongMaker, noise
from mixwright.cli import run
from mixwright.dsp.filters import design_band
from mixwright.escaping import markdown_text, one_line
from mixwright.measuring.evidence import Evidence, GroupHeard, Levels, TrackHeard
from mixwright.measuring.hearing import gather
from mixwright.measuring.intake import Inspected
from mixwright.meters import SoundMeter
from mixwright.meters.bands import third_octaves
from mixwright.meters.silence import SilenceReadings
from mixwright.rendering.parts import Stretch
from mixwright.rendering.plan import make_plan
from mixwright.rendering.session import Session
from mixwright.report.recall import recall_of
from mixwright.report.recall_sheet import Recall
from mixwright.sheet import Sheet, load_text
from mixwright.sheet.tree import read_tree

EXAMPLE = Path(__file__).resolve().parents[1] / "projects/lanterns_at_low_tide/mix.yaml"
THIRDS = len(third_octaves(RATE_HZ))
MORE: dict[str, Any] = {
    "delivery": {"standard": "ebu_r_128", "true_peak_dbtp": -2, "why": "for radio"},
    "limits": {"mono_loss_lu": 3.5},
    "accept": [{"rule": "balance/headroom-short", "section": "bridge", "why": "meant so"}],
}
# What stands between the letters of what hosts would make a link of.
UNLINKED = "<!-- -->"
HOSTILE = (
    "<script>alert(1)</script> **loud** | cell | [link](https://bad.example) `code` ![i](x)"
    " www.bad.example # head &amp; \\ ~~gone~~ _em_ a@b.example"
)


def unheard(sheet: Sheet) -> Evidence:
    """Evidence of a sheet of which next to nothing was heard: what it says is there anyway."""
    plan = make_plan(sheet)
    meter = SoundMeter(RATE_HZ, 2)
    meter.feed(noise(1, 1.0, 2))
    levels = Levels(np.full(10, 0.01))
    bands = np.ones((4, THIRDS))
    tracks = {
        track.name: TrackHeard(track, one, *(levels for _ in range(5)), bands, bands)
        for track, one in zip(sheet.tracks, plan.tracks, strict=True)
    }
    return Evidence(
        sheet=sheet,
        plan=plan,
        inspected=Inspected(sheet.path, (), ()),
        focus=Stretch("", 0, plan.end),
        loudest=None,
        balance=meter,
        mix=meter,
        mix_gain=1.0,
        silence=SilenceReadings(1.0, 0.0, 0.0, 0.0, None),
        tracks=tracks,
        groups={group.name: GroupHeard(group, levels, levels) for group in sheet.groups},
        returns={},
        dry=levels,
        wet=levels,
        reductions={},
        matches_db={},
    )


def loaded(folder: Path, sheet: dict[str, Any]) -> Sheet:
    """Load a sheet as plain data, each file it names a moment of noise."""
    names = [track["file"] for track in sheet["tracks"].values()]
    for name in [*names, *(part["file"] for part in sheet.get("references", []))]:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, noise(2, 0.1), RATE_HZ)
    (folder / "mix.yaml").write_text(json.dumps(sheet), "utf-8")  # JSON is YAML
    return mixwright.load(folder / "mix.yaml")


@pytest.fixture(scope="module")
def example() -> dict[str, Any]:
    """The example song's sheet as plain data, with what it has no need of."""
    data: dict[str, Any] = read_tree(load_text(EXAMPLE)).value
    return data | MORE


@pytest.fixture(scope="module")
def recall(example: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Recall:
    return recall_of(unheard(loaded(tmp_path_factory.mktemp("example"), example)))


@pytest.fixture(scope="module")
def forms(recall: Recall) -> dict[str, str]:
    """The three forms as one line of words each, without what folds or escapes them."""
    shown = MarkdownIt("commonmark").enable("table").parse(recall.as_markdown())
    texts = [_text_of(token) for token in shown if token.type == "inline"]
    return {
        "text": " ".join(recall.as_text().split()),
        "markdown": " ".join(" ".join(texts).split()),
        "json": json.dumps(recall.as_data(), ensure_ascii=False),
    }


def _text_of(inline: Any) -> str:
    return "".join(child.content for child in inline.children if child.content != UNLINKED)


def values_under(data: Any, key: str) -> list[Any]:
    """Every value that stands under a key, anywhere in plain data."""
    if isinstance(data, list):
        return [found for item in data for found in values_under(item, key)]
    if not isinstance(data, dict):
        return []
    own = [data[key]] if key in data else []
    return own + [found for item in data.values() for found in values_under(item, key)]


# ---- all of the sheet is there ----


@pytest.mark.parametrize("form", ["text", "markdown", "json"])
def test_every_track_file_part_and_reason_of_the_example_is_there(
    form: str, forms: dict[str, str], example: dict[str, Any]
) -> None:
    wanted = [*example["tracks"], *example["groups"], *example["returns"], *example["variants"]]
    wanted += [track["file"] for track in example["tracks"].values()]
    wanted += values_under(example, "why")
    wanted += [section["name"] for section in example["song"]["sections"]]
    assert len(wanted) > 150
    assert [one for one in wanted if str(one) not in forms[form]] == []


def test_every_ride_is_there_with_its_place_in_the_song(
    recall: Recall, example: dict[str, Any]
) -> None:
    points = sum(
        len(ride)
        for automation in values_under(example, "automation")
        for ride in automation.values()
    )
    rides = recall.as_data()["automation"]["rides"]
    assert len(rides) == points > 50
    # By hand: at 92 bpm a bar of four beats lasts 2.609 s, and bar 13 beat 2.8 is 12.45 bars in.
    shout = next(r for r in rides if r["bar"] == "13 beat 2.8")
    assert shout["section"] == "verse 2"
    assert shout["at_s"] == pytest.approx((12 * 4 + 1.8) * 60 / 92)
    assert shout["to"] == "+9.5 dB over 50 ms"
    said = {(r["ride"], r["bar"]): r["to"] for r in rides}
    assert said["pad EQ band 3 frequency", "17"] == "6500 Hz smoothly over 8 beats"
    assert said["lead_vocal echo send", "11"] == "off"
    assert said["ad_lib pan", "25"] == "R35 over 2 beats"
    assert said["echo (return) mute", "10"] == "off"
    assert said["mix bus gain", "30"] == "off over 1.8 beats"


def test_moves_are_said_in_trade_words(forms: dict[str, str]) -> None:
    text = forms["text"]
    for said in (
        "high-pass 110 Hz 24 dB/oct - footfalls and traffic",
        "low-shelf 150 Hz -2.0 dB Q 0.7 on the sides - the low end stays in the middle",
        "high-shelf 3000 Hz +2.0 dB slope 0.9 - the tine has to speak",
        "notch 150 Hz Q 20 - third harmonic",
        "keyed by kick_in, make-up matched - steps back",
        "detector rms, RMS 12 ms, make-up +6.0 dB - flat",
        "look-ahead 2 ms - hat and kick step back",
        "delay: time 1/8 dotted, feedback -9 dB, high-pass 300 Hz, low-pass 4500 Hz, ping-pong",
        "decay x0.5 at 8000 Hz",
        "delay: time 95 ms, spread 12 ms, one repeat,",
        "pitch-shift: -0.06 semitones - a hair low",
    ):
        assert said in text, said


def test_what_is_asked_of_the_mix_is_said_after_the_steps(recall: Recall) -> None:
    data = recall.as_data()
    assert data["delivery"] == {"standard": "ebu_r_128", "true_peak_dbtp": -2.0, "why": "for radio"}
    limit = {"limit": "mono_loss_lu", "value": 3.5, "default": 2.0, "unit": "LU"}
    assert data["limits"]["list"] == [limit]
    assert data["accepted"]["list"][0] == MORE["accept"][0] | {"name": None}
    assert data["references"]["list"][0]["section"] == "chorus 2"
    after = ["accepted", "limits", "delivery", "references", "release", "variants"]
    assert list(data)[-6:] == after
    assert data["release"]["album"] == "Harbour Notices"
    broadcast = next(v for v in data["variants"]["list"] if v["name"] == "broadcast")
    assert broadcast["finish"] == {"standard": "ebu_r_128", "head_s": 0.5, "tail_s": 1.0}
    cover = data["variants"]["covers"][0]
    assert (cover["at"], cover["for"], cover["level_db"]) == ("bar 5 beat 2.9", "0.6 beats", "off")


def test_a_move_without_a_reason_says_so(tmp_path: Path) -> None:
    track = {"file": "a.wav", "eq": [{"type": "high_pass", "freq_hz": 80}]}
    song = {"title": "One", "sample_rate_hz": RATE_HZ}
    sheet = loaded(tmp_path, {"format": 1, "song": song, "tracks": {"alone": track}})
    recall = recall_of(unheard(sheet))
    text = recall.as_text()
    assert "high-pass 80 Hz 12 dB/oct - no reason given" in text
    assert recall.as_data()["eq"]["strips"][0]["moves"][0]["why"] is None
    # A sheet of one track has nothing in its other steps, and says that.
    assert text.count("nothing in this step") == recall.as_markdown().count("nothing in this") == 4


# ---- figures are measured ----


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Sheet, Evidence, dict[str, Any]]:
    """Six seconds of noise through everything that a recall sheet says figures of."""
    folder = tmp_path_factory.mktemp("small")
    for name, seed in (("drum", 3), ("voice", 4)):
        soundfile.write(folder / f"{name}.wav", noise(seed, 6.0), RATE_HZ, subtype="DOUBLE")
    bell = {"type": "bell", "freq_hz": 1000, "gain_db": 9, "q": 0.5, "why": "forward"}
    squeezed = {"threshold_db": -30, "ratio": 2, "why": "even"}
    sheet = {
        "format": 1,
        "song": {
            "title": "Small",
            "sample_rate_hz": RATE_HZ,
            "sections": [{"name": "a", "bar": 1}, {"name": "b", "bar": 3}],
        },
        "tracks": {
            "drum": {"file": "drum.wav", "eq": [bell], "level_match": False, "gain_db": -6},
            "voice": {
                "file": "voice.wav",
                "eq": [bell],
                "compressor": squeezed,
                "sends_db": {"hall": -10},
            },
        },
        "returns": {"hall": {"type": "reverb", "decay_s": 0.3, "why": "depth"}},
        "mix_bus": {"compressor": {"threshold_db": -30, "ratio": 2}},
    }
    (folder / "mix.yaml").write_text(json.dumps(sheet), "utf-8")  # JSON is YAML
    made = mixwright.load(folder / "mix.yaml")
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("MIXWRIGHT_CACHE", str(folder / "cache"))
        heard = gather(made, make_plan(made, "bus"), make_plan(made), Session(threads=2))
    return made, heard, recall_of(heard).as_data()


def test_a_band_alone_does_what_pyloudnorm_measures(
    small: tuple[Sheet, Evidence, dict[str, Any]],
) -> None:
    # Reference: pyloudnorm (BS.1770-4) before and after the same filter, run by scipy. The figure
    # here is made of third octaves: to 0.2 LU.
    from scipy.signal import sosfilt

    sheet, _, data = small
    rows = design_band(sheet.tracks[0].eq[0].settings, RATE_HZ)
    sections = np.insert(rows, 3, 1.0, axis=1)
    source = noise(3, 6.0)
    meter = pyloudnorm.Meter(RATE_HZ)
    louder = meter.integrated_loudness(sosfilt(sections, source, axis=0))
    expected_lu = louder - meter.integrated_loudness(source)
    assert expected_lu > 1.0
    for strip in data["eq"]["strips"]:
        alone, together = strip["moves"][0]["measured"], strip["measured"]
        assert alone["loudness_change_lu"] == pytest.approx(expected_lu, abs=0.2)
        assert together["loudness_change_lu"] == pytest.approx(expected_lu, abs=0.1)
    drum, voice = data["eq"]["strips"]
    assert "level_match_db" not in drum["measured"]
    assert voice["measured"]["level_match_db"] == -voice["measured"]["loudness_change_lu"]


def test_figures_are_those_of_a_render(
    small: tuple[Sheet, Evidence, dict[str, Any]], tmp_path: Path
) -> None:
    sheet, _, data = small
    readings = mixwright.render(sheet, tmp_path / "mix.wav", format="wav32f").readings
    assert data["song"]["integrated_lufs"] == pytest.approx(readings.mix.integrated_lufs, abs=0.02)
    measured = data["dynamics"]["strips"][0]["moves"][0]["measured"]
    held = readings.reductions["voice.compressor"]
    assert measured["mean_reduction_db"] == round(held.mean_db, 2) > 3.0
    assert measured["most_reduction_db"] == round(held.max_db, 2)
    assert measured["makeup_db"] == round(readings.matches_db["voice.compressor"], 2)
    reduced = data["bus"]["strips"][0]["moves"][0]["measured"]
    assert reduced["mean_reduction_db"] == round(
        readings.reductions["mix_bus.compressor"].mean_db, 2
    )
    assert [row["section"] for row in data["bus"]["reduction"]] == ["a", "b"]
    # Balance: white noise 6 dB down reads 6 dB less, but for the centre's pan law, alike on both.
    drum, voice = data["balance"]["tracks"]
    assert voice["balance_lufs"] - drum["balance_lufs"] == pytest.approx(6.0, abs=0.1)


def test_the_wet_share_is_that_of_the_one_that_sends(
    small: tuple[Sheet, Evidence, dict[str, Any]],
) -> None:
    # A send of 0 dB gives pink noise the loudness of the dry sound; here it is white, at -10 dB.
    _, heard, data = small
    (row,) = data["effects"]["sends"]
    assert (row["name"], row["hall_db"]) == ("voice", -10.0)
    assert row["wet_to_dry_lu"] == pytest.approx(-10.0, abs=2.5)
    voice, hall = heard.tracks["voice"].placed, heard.returns["hall"].wet
    expected_lu = 10 * np.log10(hall.hops.sum() / voice.hops.sum())
    assert row["wet_to_dry_lu"] == pytest.approx(expected_lu, abs=0.01)
    # Of the whole mix, the return is less: there is another track.
    whole = data["effects"]["strips"][0]["moves"][0]["measured"]["wet_to_dry_lu"]
    assert whole < row["wet_to_dry_lu"]


def test_the_same_evidence_gives_the_same_sheet_without_a_date(
    small: tuple[Sheet, Evidence, dict[str, Any]],
) -> None:
    _, heard, data = small
    again = recall_of(heard)
    assert again.as_data() == data
    for text in (again.as_text(), again.as_markdown(), json.dumps(data, allow_nan=False)):
        assert not re.search(r"\b20[2-9]\d\b|/tmp|mix\.yaml", text)


# ---- text stays text ----


@pytest.fixture(scope="module")
def hostile(example: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Recall:
    def poisoned(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            return {k: poisoned(item, k) for k, item in value.items()}
        if isinstance(value, list):
            return [poisoned(item, key) for item in value]
        return HOSTILE if key in ("why", "title") else value

    return recall_of(unheard(loaded(tmp_path_factory.mktemp("hostile"), poisoned(example))))


def test_hostile_text_is_shown_as_it_is_by_a_markdown_parser(hostile: Recall) -> None:
    # Reference: markdown-it-py, an independent CommonMark parser, with tables and strikethrough.
    tokens = (
        MarkdownIt("commonmark").enable(["table", "strikethrough"]).parse(hostile.as_markdown())
    )
    inline = [token for token in tokens if token.type == "inline"]
    kinds = {child.type for token in inline for child in token.children or []}
    # The bold of a move is ours; text_special is a character that was escaped.
    assert kinds <= {"text", "text_special", "strong_open", "strong_close", "html_inline"}
    html = {c.content for token in inline for c in token.children or [] if c.type == "html_inline"}
    assert html == {UNLINKED}
    assert not {t.type for t in tokens} & {"html_block", "fence", "code_block", "blockquote_open"}
    shown = [_text_of(token) for token in inline]
    assert sum(HOSTILE in text for text in shown) > 80
    columns = [t.map for t in tokens if t.type == "table_open"]
    assert len(columns) >= 8


def test_a_bare_address_is_no_link(hostile: Recall) -> None:
    assert "www.bad" not in hostile.as_markdown()
    assert "https://" not in hostile.as_markdown()
    assert " a@b" not in hostile.as_markdown()


@pytest.mark.parametrize(
    "text", ["", "plain words", HOSTILE, "*", "a|b", "1. 2) - +", "\\", "&lt;"]
)
def test_escaping_is_undone_by_the_parser(text: str) -> None:
    (inline,) = MarkdownIt("commonmark").parse(f"x {markdown_text(text)} x")[1:2]
    assert _text_of(inline) == f"x {one_line(text)} x"


def test_nothing_steers_the_terminal(tmp_path: Path) -> None:
    steering = 'format: 1\nsong: {title: "\\e[2Jgone\\a \\u202Eback", sample_rate_hz: 48000}\n'
    soundfile.write(tmp_path / "a.wav", noise(5, 0.1), RATE_HZ)
    (tmp_path / "mix.yaml").write_text(steering + "tracks: {one: {file: a.wav}}\n", "utf-8")
    recall = recall_of(unheard(mixwright.load(tmp_path / "mix.yaml")))
    for text in (recall.as_text(), recall.as_markdown()):
        assert all(c.isprintable() or c == "\n" for c in text)
        assert "x1b" in text


@pytest.mark.parametrize("width", [60, 100])
def test_lines_fit_the_terminal_and_lose_nothing(width: int, recall: Recall) -> None:
    from rich.cells import cell_len

    text = recall.as_text(width)
    assert max(cell_len(line) for line in text.split("\n")) <= width
    assert "…" not in text
    folded = "".join(text.split())
    assert all(track["file"] in folded for track in recall.as_data()["balance"]["tracks"])


# ---- the command ----


@pytest.fixture
def song(make_song: SongMaker) -> Path:
    return make_song({"drum": (noise(6, 0.5), "gain_db: -3, why: middle")})


def test_the_command_writes_all_three_forms(
    song: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert run(["log", str(song)]) == 0
    text = capsys.readouterr().out
    assert text.startswith("Recall sheet: Test\n")
    assert "middle" in text
    assert run(["log", str(song), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["balance"]["tracks"][0]["gain_db"] == -3.0
    out = tmp_path / "out" / "recall.md"
    assert run(["log", str(song), "--md", "--out", str(out)]) == 0
    assert capsys.readouterr().out == ""
    first = out.read_bytes()
    assert first.startswith(b"# Recall sheet: Test\n")
    # A recall sheet is written over, to the same bytes.
    assert run(["log", str(song), "--md", "--out", str(out)]) == 0
    assert out.read_bytes() == first
    assert [path.name for path in out.parent.iterdir()] == ["recall.md"]


def _a_source(song: Path) -> tuple[Path, str]:
    return song.parent / "stems" / "drum.wav", "is a stem of this mix"


def _the_sheet(song: Path) -> tuple[Path, str]:
    return song, "is the mix sheet"


def _a_letter(song: Path) -> tuple[Path, str]:
    (song.parent / "letter.md").write_text("# Dear Recall sheet\n")
    return song.parent / "letter.md", "exists and is no recall sheet"


@pytest.mark.parametrize("of", [_a_source, _the_sheet, _a_letter])
def test_nothing_else_is_written_over(
    of: Callable[[Path], tuple[Path, str]], song: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, said = of(song)
    before = out.read_bytes()
    assert run(["log", str(song), "--out", str(out)]) == 2
    assert said in capsys.readouterr().err
    assert out.read_bytes() == before


def test_two_forms_at_once_are_refused(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["log", str(song), "--md", "--json"]) == 2
    assert "--md and --json exclude one another" in capsys.readouterr().err
