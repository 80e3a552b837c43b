"""A review from sheet to page: what there is to listen to, and what is told of it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

import mixwright
from conftest import RATE_HZ, SongMaker, noise
from mixwright import cli
from mixwright.reviewing.data import ReviewData
from mixwright.sheet import STEPS

TRACKS = {
    "lead": "role: lead_vocal, gain_db: -14, sends_db: {room: -16}, "
    "eq: [{type: bell, freq_hz: 900, gain_db: 3, q: 1, why: nearer}], "
    "automation: {gain_db: [{s: 2, value: 2}]}",
    "band": "gain_db: -16, pan: L30",
}
REST = """
returns: {room: {type: reverb, decay_s: 0.3}}
mix_bus: {compressor: {threshold_db: -30, ratio: 2, attack_ms: 10, release_ms: 100}}
references: [{file: other.wav}]
variants:
  main: {}
  tv: {without: [lead], bus_gain: from_main, why: <b>on stage</b>}
  quiet: {loudness: {integrated_lufs: -30}}
  stems: {split_by: track, sum: exact}
"""


@pytest.fixture
def song(make_song: SongMaker, tmp_path: Path) -> Path:
    """Four seconds of a voice and a band, with a reference."""
    voice = noise(1, 4.0, 1, 0.2) * (np.arange(4 * RATE_HZ) % RATE_HZ < 0.7 * RATE_HZ)[:, None]
    soundfile.write(tmp_path / "other.wav", noise(3, 3.0, 2, 0.1), RATE_HZ)
    sounds = {"lead": voice, "band": noise(2, 4.0, 2, 0.2)}
    tracks = {name: (sound, TRACKS[name]) for name, sound in sounds.items()}
    return make_song(tracks, REST)


@pytest.fixture
def earlier(song: Path) -> Path:
    """The same song before a note: the voice softer and the band further out."""
    text = song.read_text("utf-8").replace("value: 2", "value: 0").replace("L30", "L60")
    path = song.with_name("earlier.yaml")
    path.write_text(text, "utf-8")
    return path


def test_a_review_from_end_to_end(song: Path, earlier: Path) -> None:
    done = mixwright.review(song, against=earlier)
    assert done.page == song.parent / "review" / "index.html"
    data = done.data
    _can_be_listened_to(done.page.parent, data)
    _is_of_the_song(data)
    assert [(change.step, change.name) for change in data.changes or ()] == [
        ("balance", "band"),
        ("automation", "lead"),
    ]
    figures = {row.label: row for row in data.sound_changes or ()}
    louder = figures["integrated loudness"]
    old, new = (mixwright.render(path, path.with_suffix(".wav")) for path in (earlier, song))
    assert louder.before == pytest.approx(old.readings.mix.integrated_lufs, abs=0.01)
    assert louder.after == pytest.approx(new.readings.mix.integrated_lufs, abs=0.01)


def _can_be_listened_to(folder: Path, data: ReviewData) -> None:
    """The six steps, what is another mix, the version before, the reference, at one loudness."""
    ids = [source.id for source in data.sources]
    steps = [f"step-{step}" for step in STEPS[:-1]]
    assert ids == ["mix", "previous", "reference-1", *steps, "variant-tv"]
    levels = [(source.integrated_lufs or 0.0) + source.gain_db for source in data.sources]
    assert levels == pytest.approx([min(s.integrated_lufs or 0.0 for s in data.sources)] * 9)
    for source in data.sources:
        (flac,) = (folder / "audio").glob(f"{source.id}-????????.flac")
        sound, rate_hz = soundfile.read(flac)
        assert len(sound) / rate_hz == pytest.approx(source.seconds, abs=0.01)
        assert flac.with_suffix(".js").read_bytes()[:14] == b"registerAudio("


def _is_of_the_song(data: ReviewData) -> None:
    timeline = data.timeline
    count = len(timeline.short_term_lufs)
    assert count == pytest.approx(data.seconds / timeline.hop_s, abs=1.0)
    assert len(timeline.true_peak_dbtp) == len(timeline.bus_reduction_db or ()) == count
    assert max(level for level in timeline.bus_reduction_db or () if level is not None) > 1.0
    # The voice pauses each second for a third of it: nothing is told of it there.
    voice = timeline.voice_over_band_db or ()
    assert 0.15 < sum(level is None for level in voice) / count < 0.6
    assert [(one.name, one.what) for one in timeline.automation] == [("lead", "fader")]
    lead = next(track for track in data.tracks if track.name == "lead")
    assert [(move.what, move.why) for move in lead.moves] == [
        ("EQ: bell 900 Hz +3.0 dB Q 1", "nearer"),
        ("rides: fader", None),
    ]
    assert [track.name for track in data.tracks] == ["lead", "band", "room", "mix_bus"]
    assert [(send.to, send.db) for send in lead.sends] == [("room", -16.0)]
    assert [stage.stage for stage in data.stages][1:7] == list(STEPS)
    assert data.spectrum is not None
    assert data.spectrum.curves[0].label == "the mix"


def test_long_references_and_faint_variants(song: Path, tmp_path: Path) -> None:
    """Of a long reference the loudest stretch is played; what is faint turns nothing down."""
    soft, loud = noise(4, 6.0, 2, 0.003), noise(5, 5.0, 1, 0.2)
    both = np.concatenate([soft[:, :1], loud])
    soundfile.write(tmp_path / "other.wav", both, RATE_HZ, subtype="FLOAT")
    text = song.read_text("utf-8").replace(
        "  tv:", "  faint: {offset_db: {lead: -24, band: -24}}\n  tv:"
    )
    song.write_text(text, "utf-8")
    data = mixwright.review(song).data
    sources = {source.id: source for source in data.sources}
    reference = sources["reference-1"]
    assert re.fullmatch(r"its loudest 4 s, from [67] s on", reference.note)
    assert reference.seconds == pytest.approx(data.seconds, abs=0.02)
    (flac,) = (song.parent / "review" / "audio").glob("reference-1-*.flac")
    heard = mixwright.measure(flac).whole.sound.integrated_lufs
    assert heard == pytest.approx(reference.integrated_lufs, abs=0.05)
    assert sources["variant-faint"].gain_db == 0.0
    assert "too soft to be matched" in sources["variant-faint"].note
    assert sources["mix"].gain_db > -12.0


def test_text_of_the_sheet_stays_text(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = song.read_text("utf-8").replace("title: Test", 'title: "<script>alert(1)</script>"')
    song.write_text(text, "utf-8")
    assert cli.run(["review", str(song), "--out", str(song.parent / "page")]) == 0
    assert "9 sources" not in capsys.readouterr().out
    page = (song.parent / "page" / "index.html").read_text("utf-8")
    assert "<script>alert(1)" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert "<b>on stage" not in page


def test_json_and_problems(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    strangers = song.parent / "review"
    strangers.mkdir()
    (strangers / "index.html").write_text("mine")
    assert cli.run(["review", str(song)]) == 2
    assert "was not written by mixwright" in capsys.readouterr().err
    assert (strangers / "index.html").read_text() == "mine"
    assert cli.run(["review", str(song), "--against", "nowhere.yaml", "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["problems"]
