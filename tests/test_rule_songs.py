"""The invented songs that rules are tried on: are they what they say?

Whether rules hold on them is for the tests of the rules; here it is that the songs are sound.
"""

from __future__ import annotations

import copy
from pathlib import Path

import jsonschema
import numpy as np
import pytest

import mixwright
from mixwright.sheet.schema import load_schema
from rule_song_sounds import RATE_HZ, band
from rule_songs import (
    FAULTS,
    SEATS,
    WET_LU,
    balance,
    base_sheet,
    base_stems,
    forget_songs,
    make_base_song,
    random_song,
    section_s,
    with_changes,
)

SEEDS = (5, 9)
SHAPE = jsonschema.Draft202012Validator(load_schema())


@pytest.fixture(scope="module")
def base_song(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_base_song(tmp_path_factory.mktemp("base"))


def test_changes_merge_key_by_key() -> None:
    sheet = {"a": {"b": [1, 2], "c": 3}, "d": 4}
    kept = copy.deepcopy(sheet)
    assert with_changes(sheet, {"a": {"b": [5], "e": {"f": 6}}, "d": None}) == {
        "a": {"b": [5], "c": 3, "e": {"f": 6}}
    }
    assert with_changes(sheet, {"d": {"g": None, "h": 7}})["d"] == {"h": 7}
    assert sheet == kept


@pytest.mark.parametrize("seed", SEEDS)
def test_stems_are_like_recordings(seed: int) -> None:
    stems, _ = random_song(seed)
    for name, stem in stems.items():
        assert stem.shape[1] in (1, 2), name
        assert 0.2 < np.abs(stem).max() < 0.6, name  # -14 to -4.4 dBFS
        assert np.abs(stem.mean(axis=0)).max() < 1e-3, name  # -60 dBFS
        # The end has rung out to a floor of noise: -75 dBFS and less, never digital silence.
        ending = stem[-RATE_HZ // 10 :]
        assert 1e-5 < ending.std() < 10 ** (-75 / 20), name
        assert (stem[: RATE_HZ // 100] != 0.0).all(), name
        if name not in ("kick", "bass"):
            power = np.abs(np.fft.rfft(stem[: 2**19, 0])) ** 2
            low = power[: round(40.0 * 2**19 / RATE_HZ)].sum()
            assert low < 1e-3 * power.sum(), name


@pytest.mark.parametrize("seed", SEEDS)
def test_different_sources_share_nothing(seed: int) -> None:
    stems, _ = random_song(seed)
    names = [name for name in stems if name != "snare_bottom"]
    table = np.array([stems[name][:, 0] for name in names])
    alike = np.abs(np.corrcoef(table) - np.eye(len(names)))
    assert alike.max() < 0.25, np.unravel_index(alike.argmax(), alike.shape)


def test_songs_are_as_wide_apart_as_promised() -> None:
    for seed in SEEDS:
        stems, sheet = random_song(seed)
        tempo, tracks = sheet["song"]["tempo"][0], sheet["tracks"]
        assert 70 <= tempo["bpm"] <= 150
        assert list(stems) == list(tracks)
        assert 6 <= len(tracks) <= 14
        assert 2 <= len(sheet["song"]["sections"]) <= 4
        assert {"L100", "R100"} <= {track["pan"] for track in tracks.values()}
        assert 16.0 < sheet["song"]["end"]["s"] < 20.0
        assert all(track["role"] == SEATS[name].role for name, track in tracks.items())


@pytest.mark.parametrize("seed", SEEDS)
def test_the_voice_sings_phrases(seed: int) -> None:
    stems, sheet = random_song(seed)
    power = stems["lead_vocal"][:, 0].astype(float) ** 2
    level = power[: len(power) // 480 * 480].reshape(-1, 480).mean(axis=1)
    sounding = np.flatnonzero(level > level.max() * 1e-4)
    pauses = np.diff(sounding) / 100.0
    breaths = pauses[pauses > 0.4]
    points = sheet["tracks"]["lead_vocal"]["automation"]["gain_db"]
    assert len(breaths) == len(points) - 1
    assert breaths.max() < 1.3
    # Every ride has ended before its phrase begins, in the breath.
    begins = [sounding[0], *sounding[1:][pauses > 0.4]]
    for point, begin in zip(points, begins, strict=True):
        over_s = point["over_beats"] * 60.0 / sheet["song"]["tempo"][0]["bpm"]
        assert point["s"] + over_s < begin / 100.0 + 0.1


def test_the_base_song_is_clean_by_its_figures(base_song: Path) -> None:
    """Balance -7 to -5 dBTP, bus 1 to 3 dB, returns 12 to 20 LU under: all common practice."""
    sheet = mixwright.load(base_song)
    still = mixwright.render(sheet, base_song.parent / "still.wav", through="balance").readings
    assert -7.0 < still.mix.true_peak_dbtp < -5.0
    # Worked out here and by the program alike, from 24-bit files there.
    ours = np.abs(balance(base_stems(), base_sheet())).max()
    assert still.mix.sample_peak_dbfs == pytest.approx(20 * np.log10(ours), abs=0.01)
    assert still.loudest_section == sheet.song.loudest_section
    done = mixwright.render(sheet, base_song.parent / "mix.wav")
    reductions = done.readings.reductions
    squeeze = reductions["mix_bus.compressor"].by_section["chorus"]
    assert 1.0 < squeeze.mean_db < 2.0
    assert squeeze.max_db < 3.0
    for name in ("lead_vocal", "bass"):
        assert 2.0 < reductions[f"{name}.compressor"].mean_db < 5.0
        assert reductions[f"{name}.compressor"].max_db < 10.0
    assert done.readings.mix.true_peak_dbtp < -1.0
    figures = mixwright.measure(sheet).figures
    wet = [f.sound.integrated_lufs or -120.0 for f in figures if f.kind == "return"]
    assert len(wet) == 4
    mix_lufs = done.readings.mix.integrated_lufs
    assert 10 * np.log10(sum(10 ** (lufs / 10) for lufs in wet)) - mix_lufs == pytest.approx(
        WET_LU, abs=2.0
    )


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_leaves_a_sheet_of_the_right_shape_and_the_clean_song_alone(name: str) -> None:
    clean, sheet = base_stems(), base_sheet()
    stems, faulty = FAULTS[name](clean, sheet, np.random.default_rng(1))
    assert sheet == base_sheet()
    assert all(clean[key] is stem for key, stem in base_stems().items())
    changed = {key: stem for key, stem in stems.items() if stem is not clean.get(key)}
    assert changed or faulty != sheet
    assert all(np.abs(stem).max() <= 1.0 for stem in changed.values())
    assert set(stems) == set(faulty["tracks"])
    assert FAULTS[name].plants.endswith(".")
    assert list(SHAPE.iter_errors(faulty)) == []


def test_a_fault_names_rules_that_exist() -> None:
    ids = load_schema()["properties"]["accept"]["items"]["properties"]["rule"]["enum"]
    for name, fault in FAULTS.items():
        assert {fault.rule, *fault.also} <= set(ids), name
        assert fault.rule not in fault.also, name


def test_a_planted_low_end_is_where_it_is_meant_to_be() -> None:
    clean, sheet = base_stems(), base_sheet()
    stems, _ = FAULTS["low_end_in_guitar"](clean, sheet, np.random.default_rng(1))
    added = (stems["guitar_left"] - clean["guitar_left"])[:, 0]
    power = np.abs(np.fft.rfft(added)) ** 2
    hz = np.fft.rfftfreq(len(added), 1.0 / RATE_HZ)
    assert power[(hz > 50.0) & (hz < 95.0)].sum() > 0.9 * power.sum()


def test_a_claim_is_that_of_another_section() -> None:
    stems, sheet = random_song(SEEDS[0])
    _, faulty = FAULTS["wrong_loudest_claim"](stems, sheet, np.random.default_rng(1))
    claimed = faulty["song"]["loudest_section"]
    mix = balance(stems, faulty)
    power = {}
    for name in (claimed, sheet["song"]["loudest_section"]):
        first, last = section_s(faulty, name)
        power[name] = (mix[round(first * RATE_HZ) : round(last * RATE_HZ)] ** 2).mean()
    assert power[claimed] < 0.5 * power[sheet["song"]["loudest_section"]]


def test_songs_differ_by_seed_and_by_nothing_else() -> None:
    # The last to ask for songs: it forgets them.
    stems, sheet = random_song(SEEDS[0])
    assert sheet["song"] != random_song(SEEDS[1])[1]["song"]
    forget_songs()
    again, same_sheet = random_song(SEEDS[0])
    assert all(np.array_equal(stems[name], again[name]) for name in stems)
    assert sheet == same_sheet


def test_a_band_of_noise_keeps_to_its_band() -> None:
    noise = np.random.default_rng(1).standard_normal(RATE_HZ).astype(np.float32)
    found = band(noise, 1000.0, 2000.0)
    power = np.abs(np.fft.rfft(found)) ** 2
    assert found.std() == pytest.approx(1.0, abs=1e-3)
    assert power[800:2500].sum() > 0.9 * power.sum()
