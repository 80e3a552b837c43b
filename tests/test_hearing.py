"""What a check hears, against renders and figures made another way."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

import mixwright
from conftest import SongMaker, noise
from mixwright.measuring.evidence import Evidence
from mixwright.measuring.hearing import gather
from mixwright.measuring.intake import faults_of_stems, stems_of_sheet
from mixwright.measuring.kept_findings import as_data, from_data
from mixwright.meters.spectrum import SpectrumMeter
from mixwright.sheet import Sheet

SONG = ", tempo: [{bar: 1, bpm: 120}], sections: [{name: soft, bar: 1}, {name: loud, bar: 3}]"
REST = """
groups:
  alone:
    gain_db: -3
    width_percent: 150
    eq:
      - {type: bell, freq_hz: 1000, gain_db: 4}
      - {type: high_shelf, freq_hz: 1500, gain_db: 9, on: side}
  shared: {gain_db: -2, eq: [{type: high_shelf, freq_hz: 2000, gain_db: -6}]}
returns: {hall: {type: reverb, decay_s: 0.6}, slap: {type: delay, time_ms: 90}}
mix_bus: {gain_db: -6, compressor: {threshold_db: -30, ratio: 2}}
"""


def swelling(seed: int, channels: int = 1) -> NDArray[np.float64]:
    signal = noise(seed, 8, channels, 0.05)
    signal[4 * 48000 :] *= 2.0
    return signal


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Sheet:
    ahead = "compressor: {threshold_db: -30, ratio: 3, look_ahead_ms: 5}"
    tracks = {
        "direct": (swelling(1), "role: lead_vocal, pan: L30, gain_db: -6"),
        "own": (swelling(2, 2), f"role: lead_vocal, group: alone, width_percent: 60, {ahead}"),
        "doubled": (swelling(3), "role: lead_vocal, group: shared, sends_db: {hall: -6}"),
        "backing": (swelling(4), "group: shared, gain_db: -9, sends_db: {hall: -12, slap: -9}"),
        "band": (
            swelling(5, 2) * 0.3,
            "pan: R40, eq: [{type: high_pass, freq_hz: 300}, {type: bell, freq_hz: 4000,"
            " gain_db: 5}], automation: {gain_db: [{section: loud, value: -3, over_beats: 2}]}",
        ),
    }
    folder = tmp_path_factory.mktemp("heard")
    lines = ["format: 1", f"song: {{title: Test, sample_rate_hz: 48000{SONG}}}", "tracks:"]
    for name, (samples, settings) in tracks.items():
        soundfile.write(folder / f"{name}.wav", samples, 48000, subtype="DOUBLE")
        lines.append(f"  {name}: {{file: {name}.wav, {settings}}}")
    (folder / "mix.yaml").write_text("\n".join(lines) + REST, "utf-8")
    return mixwright.load(folder / "mix.yaml")


def heard_of(sheet: Sheet) -> Evidence:
    return gather(sheet, mixwright.plan(sheet, through="bus"), mixwright.plan(sheet))


@pytest.fixture(scope="module")
def heard(sheet: Sheet) -> Evidence:
    return heard_of(sheet)


def band_levels_db(powers: NDArray[np.float64]) -> NDArray[np.float64]:
    """From 160 Hz to 8 kHz, where speech is."""
    return np.asarray(10.0 * np.log10(powers[:, 8:26].mean(axis=0)))


def rendered_bands(sheet: Sheet, keep: set[str], wet: bool) -> NDArray[np.float64]:
    """The bands of the same mix with some tracks alone and no mix bus."""
    tracks = tuple(
        dataclasses.replace(
            track,
            gain_db=track.gain_db if track.name in keep else -120.0,
            sends_db=track.sends_db if wet else {},
        )
        for track in sheet.tracks
    )
    alone = dataclasses.replace(
        sheet, tracks=tracks, mix_bus=dataclasses.replace(sheet.mix_bus, compressor=None, gain_db=0)
    )
    done = mixwright.render(alone, sheet.folder / "alone.wav", format="wav32f", force=True)
    samples, rate_hz = soundfile.read(done.path)
    meter = SpectrumMeter(rate_hz, 2, 1 / 24)
    meter.feed(samples)
    return band_levels_db(meter.band_powers(0.0, 8.0))


def test_the_voice_and_the_rest_are_told_apart(sheet: Sheet, heard: Evidence) -> None:
    voices = {"direct", "own", "doubled"}
    assert heard.voice is not None
    assert heard.voice.tracks == ("direct", "own", "doubled")
    # Alone: straight to the bus, in a group of its own, in one that it shares; dry.
    alone = rendered_bands(sheet, voices, wet=False)
    assert band_levels_db(heard.voice.voice) == pytest.approx(alone, abs=0.5)
    # Everything else, dry, and then all that is wet: incoherent sums, hence the tolerance.
    rest = rendered_bands(sheet, {"backing", "band"}, wet=False)
    wet = rendered_bands(sheet, voices | {"backing", "band"}, wet=True)
    dry = rendered_bands(sheet, voices | {"backing", "band"}, wet=False)
    assert (band_levels_db(heard.voice.rest) > rest - 0.5).all()
    assert (band_levels_db(heard.voice.rest) < wet).all()
    assert (dry > rest).all()


def test_a_voice_that_goes_straight_to_the_bus_is_apart_to_the_sample(sheet: Sheet) -> None:
    others = {"own", "doubled"}
    roles = [dataclasses.replace(t, role="other") if t.name in others else t for t in sheet.tracks]
    bare = dataclasses.replace(sheet, tracks=tuple(roles), returns=())
    bare = dataclasses.replace(
        bare, tracks=tuple(dataclasses.replace(t, sends_db={}) for t in bare.tracks)
    )
    voice = heard_of(bare).voice
    assert voice is not None
    exact = rendered_bands(bare, {"direct"}, wet=False)
    assert band_levels_db(voice.voice) == pytest.approx(exact, abs=0.05)
    rest = rendered_bands(bare, {"own", "doubled", "backing", "band"}, wet=False)
    assert band_levels_db(voice.rest) == pytest.approx(rest, abs=0.05)


def test_levels_are_those_that_measuring_gives(sheet: Sheet, heard: Evidence) -> None:
    balance = {f.name: f.sound for f in mixwright.measure(sheet, through="balance").figures}
    finished = {f.name: f.sound for f in mixwright.measure(sheet).figures}
    for name, track in heard.tracks.items():
        for levels, figures in ((track.balance, balance), (track.placed, finished)):
            assert levels.integrated_lufs() == pytest.approx(
                figures[name].integrated_lufs, abs=0.01
            )
    assert heard.balance.readings().true_peak_dbtp == balance["mix"].true_peak_dbtp
    assert heard.mix_readings().integrated_lufs == pytest.approx(
        finished["mix"].integrated_lufs, abs=0.001
    )
    for name in ("hall", "slap"):
        wet = heard.returns[name].wet.integrated_lufs()
        assert wet == pytest.approx(finished[name].integrated_lufs, abs=0.02)
    for name in ("alone", "shared"):
        after = heard.groups[name].after.integrated_lufs()
        assert after == pytest.approx(finished[name].integrated_lufs, abs=0.02)


def test_points_along_a_track_are_what_they_say(heard: Evidence) -> None:
    # A level-matched EQ leaves the loudness as it was (that is its promise, to 0.01 LU here).
    band = heard.tracks["band"]
    assert band.equalised.integrated_lufs() == pytest.approx(
        band.source.integrated_lufs(), abs=0.01
    )
    # A mono track in the middle of two sides: cos and sin of 0.35 of a right angle, and -6 dB.
    direct = heard.tracks["direct"]
    at_fader = direct.source.integrated_lufs() - 6.0
    assert direct.balance.integrated_lufs() == pytest.approx(at_fader, abs=0.01)
    # A matched compressor: as loud as before.
    own = heard.tracks["own"]
    assert own.treated.integrated_lufs() == pytest.approx(own.equalised.integrated_lufs(), abs=0.02)


@pytest.mark.parametrize("name", ["band", "own", "direct"])
def test_bands_at_rest_are_those_of_the_steps(sheet: Sheet, heard: Evidence, name: str) -> None:
    """Panned or wide, through a group's EQ on the sides and its width."""

    def bands_of(through: str) -> NDArray[np.float64]:
        done = mixwright.render(
            dataclasses.replace(
                sheet,
                tracks=tuple(t for t in sheet.tracks if t.name == name),
                mix_bus=type(sheet.mix_bus)(),
            ),
            sheet.folder / "rendered.wav",
            format="wav32f",
            through=through,  # type: ignore[arg-type]
            force=True,
        )
        samples, rate_hz = soundfile.read(done.path)
        meter = SpectrumMeter(rate_hz, 2, 1 / 24)
        meter.feed(samples)
        return band_levels_db(meter.band_powers(*heard.focus_s))

    band = heard.tracks[name]
    assert heard.focus.name == heard.loudest == "loud"
    assert band_levels_db(band.balance_bands) == pytest.approx(bands_of("balance"), abs=0.1)
    # Between 160 Hz and 8 kHz: a band's response is its mean, whatever lies in it.
    assert band_levels_db(band.eq_bands) == pytest.approx(bands_of("eq"), abs=0.5)


def test_a_lead_voice_that_is_never_heard_is_none(make_song: SongMaker) -> None:
    mute = "automation: {mute: [{bar: 1, value: true}]}"
    tracks = {"v": (noise(1, 3), f"role: lead_vocal, group: g, {mute}"), "b": (noise(2, 3), "")}
    silent = mixwright.load(make_song(tracks, "\ngroups: {g: {gain_db: 0}}"))
    assert heard_of(silent).voice is None


def test_a_voice_is_as_loud_as_its_group_lets_it_be(make_song: SongMaker) -> None:
    # In a group that holds others too, and is muted from two seconds on.
    tracks = {
        "v": (noise(1, 4), "role: lead_vocal, group: g"),
        "o": (noise(2, 4) * 0.1, "group: g"),
        "b": (noise(3, 4), ""),
    }
    rest = "\ngroups: {g: {gain_db: -6, automation: {mute: [{s: 2, value: true}]}}}"
    heard = heard_of(mixwright.load(make_song(tracks, rest)))
    assert heard.voice is not None
    before, after = (heard.voice.levels.mean_lufs(*span) for span in ((0.5, 1.9), (2.2, 4.0)))
    assert before == pytest.approx(heard.tracks["v"].placed.mean_lufs(0.5, 1.9) - 6.0, abs=0.3)
    assert after < before - 60.0
    assert heard.at_bus("v").mean_lufs(0.5, 1.9) == pytest.approx(before, abs=0.1)
    assert heard.at_bus("v").mean_lufs(2.2, 4.0) < -80.0
    assert heard.balance_at_bus("v").mean_lufs() == pytest.approx(
        heard.tracks["v"].balance.mean_lufs() - 6.0
    )


def test_shares_of_a_return_add_up(heard: Evidence) -> None:
    hall = heard.returns["hall"]
    assert sum(hall.share_of(name) for name in heard.tracks) == pytest.approx(1.0)
    # Sent -6 and -12 dB from equal noise through faders at 0 and -9: 15 dB between them.
    ratio_db = 10.0 * np.log10(hall.share_of("doubled") / hall.share_of("backing"))
    assert ratio_db == pytest.approx(15.0, abs=0.2)
    assert hall.share_of("band") == 0.0


def test_any_number_of_threads_hears_the_same(sheet: Sheet) -> None:
    said = []
    for threads in (1, 2):
        checked = mixwright.check(sheet, threads=threads)
        said.append([(s.rule, s.remark) for s in checked.spoken()])
    assert said[0] == said[1]


def test_findings_are_kept_for_the_stems_they_are_of(make_song: SongMaker) -> None:
    same = noise(9, 6, 1)
    tracks = {"top": (same, ""), "bottom": (-0.7 * same + noise(10, 6, 1, 0.01), "")}
    path = make_song(tracks)

    def kinds() -> list[str]:
        sheet = mixwright.load(path)
        stems = stems_of_sheet(sheet)
        return [f.kind for f in faults_of_stems(path, stems, 48000).findings]

    first = kinds()
    assert "polarity" in first
    assert kinds() == first  # recalled
    flipped = path.read_text("utf-8").replace("bottom.wav", "bottom.wav, polarity: invert")
    path.write_text(flipped, "utf-8")
    assert "polarity" not in kinds()
    soundfile.write(path.parent / "stems" / "top.wav", noise(11, 6, 1), 48000, subtype="DOUBLE")
    assert kinds() == []


def test_damaged_findings_are_none() -> None:
    assert from_data(None) is None
    assert from_data([{"class": "Nothing"}]) is None
    assert from_data([{"class": "Hum"}]) is None
    assert from_data([{"class": "dataclass"}]) is None
    assert as_data([]) == []
