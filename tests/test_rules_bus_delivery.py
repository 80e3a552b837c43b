"""Rules of intake, mix bus and delivery: their limits, their arithmetic, and what they advise."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import yaml

from mixwright import load
from mixwright.api import plan
from mixwright.checks import Result
from mixwright.checks.bus.bus_compressor import blended_db
from mixwright.checks.delivery.demanded import demanded_loudness, demanded_peak
from mixwright.checks.limits import limits_of
from mixwright.checks.rules import rule_by_id
from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.reduction import GainReduction
from mixwright.faults.findings import Clipped, Finding, Opposed
from mixwright.measuring.evidence import Evidence
from mixwright.measuring.hearing import gather
from mixwright.measuring.references import Comparison
from mixwright.meters.bands import octaves
from mixwright.meters.differences import differences
from mixwright.meters.silence import SilenceReadings
from mixwright.meters.targets import TARGETS
from mixwright.rendering.ears import Ear
from mixwright.rendering.reductions import Reduction
from mixwright.rendering.session import Session
from mixwright.sheet import Sheet
from mixwright.sheet.schema import load_schema

RATE_HZ = 48000
END_S = 4.0
TONE_DBFS = -40.0  # RMS, on either side

SONG: dict[str, Any] = {
    "format": 1,
    "song": {
        "title": "Two Bars of Drizzle",
        "sample_rate_hz": RATE_HZ,
        "tempo": [{"bar": 1, "bpm": 120, "beats_per_bar": 4}],
        "sections": [{"name": "hush", "bar": 1}, {"name": "rush", "bar": 2}],
        "end": {"s": END_S},
    },
    "tracks": {
        "tone": {"file": "tone.wav", "group": "tones"},
        "beat": {"file": "beat.wav"},
    },
    "groups": {"tones": {"gain_db": 0}},
    "mix_bus": {
        "compressor": {"threshold_db": -20, "ratio": 2, "attack_ms": 20, "makeup_db": 0},
    },
    "variants": {"main": {"formats": ["wav24"]}},
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A steady tone that goes on after the end of the song, and a beat that is over before."""
    made = tmp_path_factory.mktemp("song")
    rng = np.random.default_rng(3)
    amplitude = math.sqrt(2.0) * 10.0 ** (TONE_DBFS / 20.0)
    tone = amplitude * np.sin(2.0 * np.pi * 1000.0 / RATE_HZ * np.arange(5 * RATE_HZ))
    beat = np.zeros(round(3.5 * RATE_HZ))
    for at in range(7):
        size = RATE_HZ // 4
        hit = rng.standard_normal(size) * np.exp(-np.arange(size) / 3000.0)
        beat[at * RATE_HZ // 2 :][:size] += (0.03 if at < 4 else 0.12) * hit
    soundfile.write(made / "tone.wav", np.column_stack([tone, tone]), RATE_HZ, "PCM_24")
    soundfile.write(made / "beat.wav", beat, RATE_HZ, "PCM_24")
    return made


@pytest.fixture(scope="module")
def heard(folder: Path) -> Evidence:
    """What is heard of the song as it is."""
    sheet = sheet_of(folder, {})
    return gather(sheet, plan(sheet, through="bus"), plan(sheet), Session(threads=1))


def sheet_of(folder: Path, changes: Mapping[str, Any]) -> Sheet:
    """Return the sheet of the song with whole parts of it changed; None takes one out."""
    tree = {key: value for key, value in (SONG | dict(changes)).items() if value is not None}
    path = folder / "mix.yaml"
    path.write_text(yaml.safe_dump(tree), "utf-8")
    return load(path)


def changed(heard: Evidence, changes: Mapping[str, Any]) -> Evidence:
    """Return the evidence with another sheet, but what was heard of the first."""
    sheet = sheet_of(heard.sheet.folder, changes)
    planned = plan(sheet)
    tracks = {
        track.name: dataclasses.replace(heard.tracks[track.name], track=track, plan=part)
        for track, part in zip(sheet.tracks, planned.tracks, strict=True)
    }
    return dataclasses.replace(heard, sheet=sheet, plan=planned, tracks=tracks)


def bus(changes: Mapping[str, Any], eq: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    """Return changes to the compressor of the mix bus, and its EQ."""
    compressor = {**SONG["mix_bus"]["compressor"], **changes}
    return {"mix_bus": {"compressor": compressor, "eq": eq or []}}


def judged(id: str, heard: Evidence) -> Result:
    """Return what one rule says by the limits of the sheet."""
    rule = rule_by_id(id)
    limits = limits_of(heard.sheet)
    return rule.check(heard, {key: limits[key] for key in rule.limits})


def verdicts(id: str, heard: Evidence) -> list[str]:
    """Return the verdicts of one rule."""
    return [remark.verdict for remark in judged(id, heard).remarks]


# ---- targets ----

# Loudness, tolerance and true peak, from EBU R 128 (2023) as in EBU Tech 3343, ATSC A/85:2013
# section 6, AES TD1008.1.21-9 for music tracks, ITU-R BS.1864; the last tolerance is our choice.
PUBLISHED = {
    "ebu_r_128": (-23.0, 0.2, -1.0),
    "atsc_a_85": (-24.0, 2.0, -2.0),
    "aes77_music": (-16.0, 0.2, -1.0),
    "itu_r_bs_1864": (-24.0, 1.0, None),
}


def test_targets_are_the_published_ones() -> None:
    found = {
        key: (target.integrated_lufs, target.tolerance_lu, target.true_peak_dbtp)
        for key, target in TARGETS.items()
    }
    assert found == PUBLISHED
    delivery = load_schema()["properties"]["delivery"]["properties"]
    assert list(TARGETS) == delivery["standard"]["enum"]


@pytest.mark.parametrize(
    ("delivery", "loudness", "peak_dbtp"),
    [
        (None, None, -1.5),
        ({"true_peak_dbtp": -3}, None, -3.0),
        ({"integrated_lufs": -14}, (-14.0, 0.5), -1.5),
        ({"integrated_lufs": -14, "tolerance_lu": 1}, (-14.0, 1.0), -1.5),
        ({"standard": "atsc_a_85"}, (-24.0, 2.0), -2.0),
        ({"standard": "itu_r_bs_1864"}, (-24.0, 1.0), -1.5),
        ({"standard": "atsc_a_85", "integrated_lufs": -27}, (-27.0, 2.0), -2.0),
        ({"standard": "ebu_r_128", "tolerance_lu": 1, "true_peak_dbtp": -2}, (-23.0, 1.0), -2.0),
    ],
)
def test_what_is_given_goes_before_the_standard_and_that_before_the_limit(
    folder: Path, delivery: Any, loudness: Any, peak_dbtp: float
) -> None:
    sheet = sheet_of(folder, {"delivery": delivery})
    found = demanded_loudness(sheet)
    assert (None if found is None else (found.value, found.tolerance)) == loudness
    assert demanded_peak(sheet, -1.5).value == peak_dbtp


# ---- mix bus ----


def test_the_song_holds_but_for_its_tail(heard: Evidence) -> None:
    """What other tests change one thing of is clean but for the tone that is cut off."""
    ids = ["bus/eq-too-strong", "bus/attack-too-fast", "bus/ratio-too-high"]
    ids += ["bus/tone-off", "delivery/over-full-scale", "delivery/true-peak-high"]
    ids += ["delivery/loudness-off-target", "delivery/silence-long", "delivery/format-poor"]
    assert {id: verdicts(id, heard) for id in ids} == {id: [] for id in ids}
    assert not judged("bus/eq-too-strong", heard).judged
    assert not judged("bus/tone-off", heard).judged
    assert not judged("delivery/loudness-off-target", heard).judged


def _bell(gain_db: float, ride: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    band = {"type": "bell", "freq_hz": 900, "gain_db": gain_db, "q": 1, "why": "a try"}
    return band | ({} if ride is None else {"automation": {"gain_db": ride}})


@pytest.mark.parametrize(
    ("band", "place"),
    [
        (_bell(2.0), None),
        (_bell(-2.0), None),
        (_bell(-2.1), ("gain_db",)),
        ({"type": "high_pass", "freq_hz": 30, "why": "a try"}, None),
        (_bell(0.0, [{"bar": 2, "value": 3.0}]), ("automation", "gain_db", 0, "value")),
        (_bell(5.0, [{"bar": 2, "value": 1.0}]), ("gain_db",)),
        (_bell(5.0, [{"bar": 1, "value": 1.0}, {"bar": 2, "value": 0.0}]), None),
    ],
)
def test_bus_eq_is_held_to_what_is_heard_of_it(
    heard: Evidence, band: dict[str, Any], place: tuple[Any, ...] | None
) -> None:
    found = judged("bus/eq-too-strong", changed(heard, bus({}, [_bell(1.0), band]))).remarks
    assert [remark.path for remark in found] == (
        [] if place is None else [("mix_bus", "eq", 1, *place)]
    )


@pytest.mark.parametrize(
    ("id", "changes", "limits", "expected"),
    [
        ("attack-too-fast", {"attack_ms": 10}, {}, []),
        ("attack-too-fast", {"attack_ms": 9.9}, {}, ["fails"]),
        ("attack-too-fast", {"attack_ms": 9.9, "mix_percent": 40}, {}, ["note"]),
        ("attack-too-fast", {"attack_ms": 9.9}, {"bus_attack_ms": 5}, []),
        ("ratio-too-high", {"ratio": 2.0}, {}, []),
        ("ratio-too-high", {"ratio": 2.1}, {}, ["fails"]),
        ("ratio-too-high", {"ratio": 8, "mix_percent": 40}, {}, ["note"]),
        ("ratio-too-high", {"ratio": 4}, {"bus_ratio": 4}, []),
    ],
)
def test_attack_and_ratio_at_their_limits(
    heard: Evidence, id: str, changes: Any, limits: Any, expected: list[str]
) -> None:
    assert verdicts(f"bus/{id}", changed(heard, bus(changes) | {"limits": limits})) == expected


def test_without_a_compressor_there_is_nothing_to_judge(heard: Evidence) -> None:
    bare = changed(heard, {"mix_bus": None})
    for id in ("attack-too-fast", "ratio-too-high", "reduction-out-of-range"):
        assert not judged(f"bus/{id}", bare).judged


def _reduction(mean_db: float, most_db: float) -> Reduction:
    """A compressor that does this in the loud section, and much more elsewhere."""
    inside = GainReduction(0.0, mean_db, most_db, 0.9)
    return Reduction(0.0, 9.0, 12.0, 0.9, by_section={"rush": inside})


@pytest.mark.parametrize(
    ("alone", "finished", "verdict", "figure"),
    [
        ((1.0, 2.5), (1.2, 2.6), None, None),
        ((3.0, 6.0), (2.8, 5.9), None, None),  # single hits, 3 dB over the highest mean
        ((3.1, 5.0), (2.0, 3.0), "fails", 3.1),
        ((2.0, 3.0), (3.5, 5.0), "fails", 3.5),
        ((0.4, 0.9), (1.5, 3.0), "fails", 0.9),
        ((0.0, 0.0), (0.0, 0.0), "fails", 0.0),
        ((0.9, 2.0), (1.1, 2.0), "look", 0.9),
        ((2.0, 6.1), (2.0, 5.0), "look", 6.1),
        ((0.9, 2.0), (3.2, 5.0), "fails", 3.2),  # the worse of the two is named
    ],
)
def test_bus_reduction_by_both_mixes(
    heard: Evidence, alone: Any, finished: Any, verdict: str | None, figure: float | None
) -> None:
    both = dataclasses.replace(
        heard, bus_reduction_alone=_reduction(*alone), bus_reduction=_reduction(*finished)
    )
    assert both.focus.name == "rush"
    result = judged("bus/reduction-out-of-range", both)
    found = [(remark.verdict, remark.measured) for remark in result.remarks]
    assert found == ([] if verdict is None else [(verdict, figure)])
    for mean_db, most_db in (alone, finished):
        assert f"mean {mean_db:.1f} dB (most {most_db:.1f})" in result.measured


def test_advice_for_the_threshold_goes_the_right_way(heard: Evidence) -> None:
    """By the slope of the curve: 2:1 takes half a decibel more for each that it begins lower."""
    for figures, threshold_db in (((4.0, 5.0), -16), ((0.5, 0.9), -22)):
        one = _reduction(*figures)
        both = dataclasses.replace(heard, bus_reduction_alone=one, bus_reduction=one)
        (remark,) = judged("bus/reduction-out-of-range", both).remarks
        assert remark.help == f"try a threshold_db of about {threshold_db}"
    untouched = dataclasses.replace(
        heard, bus_reduction_alone=_reduction(0, 0), bus_reduction=_reduction(0, 0)
    )
    (remark,) = judged("bus/reduction-out-of-range", untouched).remarks
    assert "about" not in (remark.help or "about")  # how far away the threshold is, nobody knows


def test_silence_asks_nothing_of_the_bus(heard: Evidence) -> None:
    silent = Ear("mix", "mix", RATE_HZ).sound
    silent.feed(np.zeros((round(END_S * RATE_HZ), 2)))
    quiet = dataclasses.replace(heard, balance=silent, mix=silent)
    assert not judged("bus/reduction-out-of-range", quiet).judged
    assert verdicts("delivery/over-full-scale", quiet) == []
    assert verdicts("delivery/true-peak-high", quiet) == []
    asked = changed(quiet, {"delivery": {"standard": "ebu_r_128"}})
    assert verdicts("delivery/loudness-off-target", asked) == ["fails"]


@pytest.mark.parametrize("mix_percent", [20.0, 50.0, 100.0])
def test_a_blend_turns_down_as_much_as_its_sum_does(mix_percent: float) -> None:
    """Against the compressor itself: what it does to the level of a steady tone."""
    settings = CompressorSettings(-40.0, 4.0, attack_ms=1.0, mix_percent=mix_percent)
    running = settings.start(RATE_HZ, 1)
    steady = np.full((RATE_HZ, 1), 0.5)
    after = running.process(steady.copy())[-1, 0]
    expected_db = 20.0 * math.log10(0.5 / after)
    assert blended_db(running.reduction.max_db, mix_percent) == pytest.approx(expected_db, abs=1e-3)


def _comparison(octave_db: Mapping[str, float | None], file: str = "shore.wav") -> Comparison:
    """A comparison that differs by so much in some octaves, and not at all in the others."""
    ear = Ear("file", file, RATE_HZ)
    ear.feed(np.random.default_rng(1).standard_normal((RATE_HZ, 2)) * 0.1)
    figures = ear.figures()
    spectrum = differences(figures.spectrum, figures.spectrum)
    off = tuple(octave_db.get(band.name, 0.0) for band in octaves(RATE_HZ))
    spectrum = dataclasses.replace(spectrum, octave_db=off)
    return Comparison(file, None, figures, figures, 0.0, spectrum, None, None, None)


@pytest.mark.parametrize(
    ("references", "measured_db"),
    [
        ([{"1k": 4.0}], None),
        ([{"1k": -4.1}], -4.1),
        ([{"31.5": 20.0, "16k": -20.0}], None),  # outside 63 Hz to 8 kHz
        ([{"63": 6.0}, {"63": 1.9}], None),  # the mean counts
        ([{"63": 6.0, "8k": -5.0}, {"63": 4.0, "8k": -5.0}], 5.0),
        ([{"2k": None}, {"2k": 5.0}], 5.0),  # silence there says nothing
    ],
)
def test_tone_against_the_mean_of_references(
    heard: Evidence, references: list[dict[str, float | None]], measured_db: float | None
) -> None:
    compared = dataclasses.replace(heard, references=tuple(map(_comparison, references)))
    found = judged("bus/tone-off", compared).remarks
    assert [remark.verdict for remark in found] == ([] if measured_db is None else ["look"])
    assert [remark.measured for remark in found] == pytest.approx(
        [] if measured_db is None else [measured_db]
    )


# ---- delivery ----


def _louder(heard: Evidence, change_db: float) -> Evidence:
    return dataclasses.replace(heard, mix_gain=heard.mix_gain * 10.0 ** (change_db / 20.0))


def _number_in(text: str | None) -> float:
    """The first number in a piece of advice."""
    assert text is not None
    return float(next(word for word in text.split() if word.lstrip("+-")[0].isdigit()))


def test_taking_off_what_is_advised_mends_the_peaks(heard: Evidence) -> None:
    peak_db = heard.mix_readings().sample_peak_dbfs
    for id, over_db in (("over-full-scale", 2.3), ("true-peak-high", 1.0)):
        loud = _louder(heard, over_db - peak_db)
        (remark,) = judged(f"delivery/{id}", loud).remarks
        assert remark.verdict == "fails"
        mended = _louder(loud, -_number_in(remark.help))
        assert verdicts(f"delivery/{id}", mended) == []
        assert verdicts(f"delivery/{id}", _louder(mended, 0.3)) == ["fails"]


def test_flat_tops_at_full_scale_are_seen_where_nothing_is_over_it(heard: Evidence) -> None:
    mix = Ear("mix", "mix", RATE_HZ).sound
    wave = 1.4 * np.sin(np.arange(RATE_HZ) * 0.02)
    mix.feed(np.clip(np.column_stack([wave, wave]), -1.0, 1.0))
    flat = dataclasses.replace(heard, mix=mix, mix_gain=1.0)
    (remark,) = judged("delivery/over-full-scale", flat).remarks
    assert remark.verdict == "look"
    # A sine passes 1.4 sin x > 1 twice a turn, and both sides are clipped.
    turns = RATE_HZ * 0.02 / (2.0 * math.pi)
    assert remark.measured == pytest.approx(4.0 * turns, abs=4)
    # Counted before the make-up, such runs say nothing of a mix that has one.
    assert verdicts("delivery/over-full-scale", dataclasses.replace(flat, mix_gain=0.5)) == []


def test_a_limiter_is_told_its_ceiling(heard: Evidence) -> None:
    limited = {"mix_bus": {**SONG["mix_bus"], "limiter": {"ceiling_dbtp": 0, "why": "a try"}}}
    loud = _louder(changed(heard, limited), 6.0 - heard.mix_readings().true_peak_dbtp)
    (remark,) = judged("delivery/true-peak-high", loud).remarks
    assert remark.path == ("mix_bus", "limiter", "ceiling_dbtp")


@pytest.mark.parametrize("off_lu", [-6.0, -0.52, -0.49, 0.49, 0.52, 6.0])
def test_moving_the_gain_as_advised_meets_the_loudness(heard: Evidence, off_lu: float) -> None:
    loudness = heard.mix_readings().integrated_lufs
    assert loudness is not None
    asked = changed(heard, {"delivery": {"integrated_lufs": round(loudness - off_lu, 3)}})
    found = judged("delivery/loudness-off-target", asked).remarks
    assert len(found) == (abs(off_lu) > 0.5)
    for remark in found:
        mended = _louder(asked, _number_in(remark.help.split(" by ")[1].rstrip(":")))  # type: ignore[union-attr]
        assert verdicts("delivery/loudness-off-target", mended) == []


def test_a_tone_cut_off_reads_its_rms_level(heard: Evidence) -> None:
    """BS.1770-5: 997 Hz at full scale in one channel reads -3.01, so two RMS levels add up.

    A cut is faded over its last 10 ms: of the energy of 100 ms it leaves 0.9 + 0.1 / 3.
    """
    faded_db = 10.0 * math.log10(0.9 + 0.1 / 3.0)
    (remark,) = judged("delivery/tail-cut", heard).remarks
    assert (remark.verdict, remark.name, remark.at_s) == ("fails", "tone", END_S)
    assert remark.measured == pytest.approx(TONE_DBFS + faded_db, abs=0.03)
    louder = judged("delivery/tail-cut", _louder(heard, 6.0)).remarks[0]
    assert louder.measured == pytest.approx(TONE_DBFS + faded_db + 6.0, abs=0.03)


_FADE = {"automation": {"gain_db": [{"s": 2.5, "value": "off", "over_beats": 2}]}}


@pytest.mark.parametrize(
    "changes",
    [
        {"mix_bus": {**SONG["mix_bus"], **_FADE}},
        {"groups": {"tones": _FADE}},
        {"groups": {"tones": {"mute": True}}},
        {"limits": {"tail_cut_dbfs": -39}},
        {"song": {**SONG["song"], "end": {"s": 5.0}}},
    ],
)
def test_what_is_faded_muted_or_whole_is_not_cut_off(heard: Evidence, changes: Any) -> None:
    # The mix that was heard still ends in the tone: only tracks are looked at here.
    names = [remark.name for remark in judged("delivery/tail-cut", changed(heard, changes)).remarks]
    assert "tone" not in names


def test_a_mix_that_ends_in_full_sound(heard: Evidence) -> None:
    whole = changed(heard, {"song": {**SONG["song"], "end": {"s": 5.0}}})
    silence = dataclasses.replace(heard.silence, seconds=END_S - 0.1)
    shorter = dataclasses.replace(whole, silence=silence)
    (remark,) = judged("delivery/tail-cut", shorter).remarks
    assert (remark.name, remark.verdict) == ("mix_bus", "fails")
    assert remark.measured == pytest.approx(TONE_DBFS, abs=0.3)


@pytest.mark.parametrize(
    ("head_s", "tail_s", "expected"),
    [
        (1.0, 5.0, []),
        (1.01, 0.0, ["look"]),
        (0.0, 5.01, ["look"]),
        (2.0, 7.0, ["look", "look"]),
        (60.0, 60.0, ["fails"]),
    ],
)
def test_silence_at_head_and_tail(
    heard: Evidence, head_s: float, tail_s: float, expected: list[str]
) -> None:
    silence = SilenceReadings(60.0, head_s, tail_s, 0.1, None)
    assert verdicts("delivery/silence-long", dataclasses.replace(heard, silence=silence)) == (
        expected
    )


@pytest.mark.parametrize(
    ("formats", "expected"),
    [
        ([["wav16"]], ["look"]),
        ([["flac16", "wav16"], ["flac16"]], ["look"]),
        ([["wav16"], ["flac24"]], []),
        ([["wav32f"]], []),
        ([["wav16", "wav24"]], []),
    ],
)
def test_one_format_holds_what_was_recorded(
    heard: Evidence, formats: list[list[str]], expected: list[str]
) -> None:
    variants = {f"v{index}": {"formats": one} for index, one in enumerate(formats)}
    assert verdicts("delivery/format-poor", changed(heard, {"variants": variants})) == expected


def test_a_lower_rate_than_the_tracks_is_a_note(heard: Evidence) -> None:
    lower = changed(heard, {"song": {**SONG["song"], "sample_rate_hz": 44100}, "variants": None})
    (remark,) = judged("delivery/format-poor", lower).remarks
    assert (remark.verdict, remark.measured, remark.limit) == ("note", 48000, 44100)
    assert not judged("delivery/format-poor", changed(heard, {"variants": None})).judged


# ---- intake ----


def _with_findings(heard: Evidence, *findings: Finding) -> Evidence:
    inspected = dataclasses.replace(heard.inspected, findings=findings)
    return dataclasses.replace(heard, inspected=inspected)


FLAT = Clipped(
    track="beat", severity="fault", message="clipped", runs=40, longest_samples=9, first_s=2.5,
    level_dbfs=0.0,
)  # fmt: skip
INVERTED = Opposed(
    track="tone", severity="look", message="is upside down against beat", fix="polarity: invert",
    partner="beat", correlation=-0.9, lag_ms=0.0,
)  # fmt: skip
HUM = Finding(
    kind="hum", track="tone", severity="look", message="hums",
    fix="{type: notch, freq_hz: 50, q: 8, why: mains hum}",
)  # fmt: skip


def test_findings_become_remarks_of_their_weight(heard: Evidence) -> None:
    late = Finding(kind="rate", track="beat", severity="note", message="is converted", fix="x: 1")
    result = judged("intake/faulty-track", _with_findings(heard, FLAT, INVERTED, HUM, late))
    assert [remark.verdict for remark in result.remarks] == ["fails", "look", "look", "note"]
    assert result.measured == "2 tracks, 1 fault, 2 worth a look, 1 note"
    clipped, inverted, hum, note = result.remarks
    assert (clipped.path, clipped.at_s, clipped.section) == (("tracks", "beat"), 2.5, "rush")
    assert inverted.help == "add to the track tone: polarity: invert"
    assert hum.help is not None
    assert hum.help.startswith("add to the eq of tone: {type: notch, ")
    assert note.help is None


@pytest.mark.parametrize(
    ("track", "group", "expected"),
    [
        ({"mute": True}, {}, ["look", "note", "note"]),
        ({"mute": True, "automation": {"mute": [{"bar": 2, "value": False}]}}, {}, None),
        ({"group": "tones"}, {"mute": True}, ["note", "note", "note"]),
    ],
)
def test_faults_of_what_is_never_heard_are_notes(
    heard: Evidence, track: Any, group: Any, expected: list[str] | None
) -> None:
    beat = {**SONG["tracks"]["beat"], **track}
    changes = {"tracks": {**SONG["tracks"], "beat": beat}, "groups": {"tones": group}}
    muted = changed(_with_findings(heard, FLAT, INVERTED, HUM), changes)
    assert verdicts("intake/faulty-track", muted) == (expected or ["fails", "look", "look"])
