"""The engine against plain numpy: sums, steps, matches, alignment, spans, faults."""

from __future__ import annotations

import hashlib
import math
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

import mixwright
from conftest import SongMaker, noise
from mixwright.meters import LoudnessMeter
from mixwright.problem import ProblemError
from mixwright.rendering.engine import FRAMES

HARD_WORK = """
groups:
  band: {gain_db: -1, compressor: {threshold_db: -30, ratio: 2, why: glue}}
returns:
  hall: {type: reverb, decay_s: 0.4}
  echo: {type: delay, note: 1/8, feedback_db: -9}
mix_bus:
  eq: [{type: high_shelf, freq_hz: 8000, gain_db: 1}]
  compressor: {threshold_db: -30, ratio: 2, attack_ms: 15, release_ms: 100}
"""


def rendered(path: Path, **options: Any) -> NDArray[np.float64]:
    """Render to float and return the samples."""
    out = path.parent / "out" / "test.wav"
    mixwright.render(path, out, **{"format": "wav32f", "force": True, **options})
    return np.asarray(soundfile.read(out, always_2d=True)[0])


def db(error: NDArray[np.float64]) -> float:
    return 20 * math.log10(np.abs(error).max() + 1e-300)


def is_close(
    found: NDArray[np.float64],
    expected: NDArray[np.float64] | float,
    *,
    rel: float = 1e-6,
    abs: float = 1e-12,
) -> bool:
    """As ``pytest.approx``, which takes long over so many samples."""
    return bool((np.abs(found - expected) <= np.maximum(rel * np.abs(expected), abs)).all())


def loudness(signal: NDArray[np.float64]) -> float:
    meter = LoudnessMeter(48000, signal.shape[1])
    meter.feed(np.ascontiguousarray(signal))
    return meter.integrated_lufs


def test_gains_and_pans_null_against_a_plain_sum(make_song: SongMaker) -> None:
    a, b, c = noise(1), noise(2, 1.5), noise(3, channels=2)
    path = make_song(
        {
            "a": (a, "gain_db: -6, pan: L50"),
            "b": (b, "gain_db: 2, polarity: invert, offset_ms: 250, trim_db: -3, pan: R100"),
            "c": (c, "gain_db: -9, width_percent: 150"),
            "d": (noise(4), "mute: true"),
        }
    )
    expected = np.zeros((96000, 2))
    expected += 10 ** (-6 / 20) * a * [0.9238795325112867, 0.3826834323650898]
    expected[12000:84000, 1] -= 10 ** (-1 / 20) * b[:, 0]
    side = 1.5 * (c[:, 0] - c[:, 1]) / 2
    middle = c.mean(axis=1)
    expected += 10 ** (-9 / 20) * np.column_stack([middle + side, middle - side])
    # Float files hold 24 bits of mantissa: the sum itself nulls far lower than they can show.
    assert db(rendered(path) - expected.astype(np.float32)) < -140


def test_a_single_neutral_track_passes_to_the_bit(make_song: SongMaker) -> None:
    stereo = noise(1, channels=2).astype(np.float32).astype(np.float64)
    rest = "mix_bus: {eq: [{type: bell, freq_hz: 500, gain_db: 0, q: 1}], gain_db: 0}\n"
    path = make_song({"a": (stereo, "eq: [{type: high_shelf, freq_hz: 900, gain_db: 0}]")}, rest)
    assert np.array_equal(rendered(path), stereo)


def busy_song(make_song: SongMaker) -> Path:
    worked = (
        "gain_db: -6, group: band, eq: [{type: high_pass, freq_hz: 200}], "
        "compressor: {threshold_db: -30, ratio: 4}, sends_db: {hall: -6, echo: -10}"
    )
    ridden = (
        "gain_db: -9, pan: L30, sends_db: {hall: -3}, compressor: {threshold_db: -40, ratio: 2, "
        "key: a}, automation: {gain_db: [{s: 1, value: -6, over_ms: 500}], "
        "pan: [{s: 0.5, value: R30}], "
        "sends_db.hall: [{s: 2, value: 'off'}], mute: [{s: 2.5, value: true}]}"
    )
    return make_song(
        {
            "a": (noise(1, 4), worked),
            "b": (noise(2, 4, channels=2), ridden),
            "c": (noise(3, 4), "gain_db: -12"),
        },
        HARD_WORK,
    )


def test_any_number_of_threads_gives_the_same_file(make_song: SongMaker, tmp_path: Path) -> None:
    path = busy_song(make_song)
    sums = set()
    for threads, name in ((1, "one"), (4, "four"), (4, "again")):
        done = mixwright.render(path, tmp_path / f"{name}.wav", threads=threads, keep_cache=False)
        sums.add(hashlib.sha256(done.path.read_bytes()).hexdigest())
    assert len(sums) == 1


def test_a_step_ignores_everything_after_it(make_song: SongMaker, tmp_path: Path) -> None:
    path = busy_song(make_song)
    text = path.read_text("utf-8")
    outs = {step: rendered(path, through=step) for step in ("balance", "bus", "eq")}
    other = text.replace("threshold_db: -30, ratio: 4", "threshold_db: -50, ratio: 9")
    other = other.replace("decay_s: 0.4", "decay_s: 0.9").replace(
        "{s: 1, value: -6", "{s: 1, value: 5"
    )
    other = other.replace(
        "{threshold_db: -30, ratio: 2, why: glue}", "{threshold_db: -9, ratio: 7}"
    )
    path.write_text(other, "utf-8")
    for step, before in outs.items():
        assert np.array_equal(rendered(path, through=step), before)
    path.write_text(other.replace("freq_hz: 200", "freq_hz: 900"), "utf-8")
    assert np.array_equal(rendered(path, through="bus"), outs["bus"])
    assert not np.array_equal(rendered(path, through="eq"), outs["eq"])
    assert not np.array_equal(outs["balance"], outs["bus"])


def test_an_eq_leaves_the_loudness_where_it_was(make_song: SongMaker) -> None:
    signal = noise(5, 6)
    eq = "eq: [{type: high_pass, freq_hz: 400}, {type: bell, freq_hz: 2500, gain_db: 9, q: 0.7}]"
    matched = rendered(make_song({"a": (signal, eq)}))
    dry = np.column_stack([signal, signal]) * 0.5**0.5
    assert loudness(matched) == pytest.approx(loudness(dry), abs=0.01)
    free = rendered(make_song({"a": (signal, f"{eq}, level_match: false")}))
    assert abs(loudness(free) - loudness(dry)) > 1.0


def test_a_compressor_is_made_up_unless_told_how(make_song: SongMaker) -> None:
    signal = noise(5, 6) * np.repeat([1.0, 0.2, 1.0], 96000)[:, None]
    settings = "compressor: {threshold_db: -40, ratio: 3%s}"
    dry = loudness(np.column_stack([signal, signal]) * 0.5**0.5)
    matched = rendered(make_song({"a": (signal, settings % "")}))
    assert loudness(matched) == pytest.approx(dry, abs=0.01)
    plain = rendered(make_song({"a": (signal, settings % ", makeup_db: 0")}))
    raised = rendered(make_song({"a": (signal, settings % ", makeup_db: 6")}))
    assert loudness(plain) < dry - 3.0
    assert raised.shape == plain.shape
    assert is_close(raised, plain * 10 ** (6 / 20), rel=1e-5, abs=1e-7)


@pytest.mark.parametrize(
    "rest",
    [
        "mix_bus: {compressor: {threshold_db: -40, ratio: 3}}\n",
        "mix_bus: {level_match: true, eq: [{type: bell, freq_hz: 900, gain_db: 6, q: 0.5}]}\n",
        "groups: {g: {level_match: true, eq: [{type: high_pass, freq_hz: 900}], "
        "compressor: {threshold_db: -40, ratio: 3}}}\n",
    ],
)
def test_groups_and_the_mix_bus_are_matched_too(make_song: SongMaker, rest: str) -> None:
    signal = noise(5, 6)
    group = "group: g" if "groups" in rest else ""
    dry = loudness(np.column_stack([signal, signal]) * 0.5**0.5)
    found = rendered(make_song({"a": (signal, group)}, rest))
    assert loudness(found) == pytest.approx(dry, abs=0.01)


def test_the_cache_changes_nothing_but_the_work(make_song: SongMaker) -> None:
    path = busy_song(make_song)
    fresh = rendered(path, keep_cache=False)
    first, second = rendered(path), rendered(path)
    assert np.array_equal(fresh, first)
    assert np.array_equal(first, second)


def test_a_keyed_compressor_hears_the_other_track(make_song: SongMaker) -> None:
    tone = 0.1 * np.sin(2 * np.pi * 200 / 48000 * np.arange(96000))[:, None]
    burst = np.zeros((96000, 1))
    burst[24000:48000] = 0.5
    keyed = (
        "compressor: {threshold_db: -20, ratio: 10, attack_ms: 1, release_ms: 20, "
        "makeup_db: 0, key: k}"
    )
    out = rendered(make_song({"a": (tone, keyed), "k": (burst, "mute: true")}))[:, 0]
    level = [np.abs(out[at : at + 4800]).max() for at in (12000, 40000, 90000)]
    assert level[0] == pytest.approx(level[2], rel=1e-3)
    assert 20 * math.log10(level[0] / level[1]) == pytest.approx(0.9 * 14 - 0.0, abs=0.7)


def test_all_paths_stay_aligned(make_song: SongMaker) -> None:
    # Without a pre-delay a room's first reflection falls on the sample of the dry sound, and a
    # slap so many samples later.
    click = np.zeros((96000, 1))
    click[50000] = 1.0
    rest = "returns: {room: {type: reverb, decay_s: 0.1}, slap: {type: delay, time_ms: 100}}\n"
    dry = rendered(make_song({"a": (click, "")}))
    wet = rendered(make_song({"a": (click, "sends_db: {room: -40, slap: 0}")}, rest))
    assert np.flatnonzero(np.abs(wet[:, 0]) > 0.1).tolist() == [50000, 54800]
    assert 1e-4 < wet[50000, 0] - dry[50000, 0] < 0.01
    assert np.abs(wet[:49999]).max() < 1e-6
    assert wet[50001:50200].any()


def test_tails_ring_out_and_the_file_ends_after_them(make_song: SongMaker) -> None:
    rest = "returns: {hall: {type: reverb, decay_s: 1.5}}\n"
    out = rendered(make_song({"a": (noise(1, 1), "sends_db: {hall: 0}")}, rest))
    assert len(out) > 48000 * 2.4
    assert np.abs(out[48000:60000]).max() > 0.01
    assert np.abs(out[-480:]).max() < 10 ** (-90 / 20)
    assert np.abs(out[-1]).max() > 10 ** (-101 / 20)  # and no silence after it


@pytest.mark.parametrize("bounds", [(1.5, 3.0), (2.7, None), (0.0, 0.4)])
def test_a_span_sounds_as_it_does_in_the_whole(
    make_song: SongMaker, bounds: tuple[float, float | None]
) -> None:
    from mixwright.timeline import Position

    path = busy_song(make_song)
    whole = rendered(path)
    start = None if bounds[0] == 0.0 else Position(seconds=bounds[0])
    stop = None if bounds[1] is None else Position(seconds=bounds[1])
    part = rendered(path, span=(start, stop))
    first = round(bounds[0] * 48000)
    expected = whole[first : None if bounds[1] is None else round(bounds[1] * 48000)]
    assert part.shape == expected.shape
    assert db(part - expected) < -80
    assert np.array_equal(rendered(path, span=(start, stop), keep_cache=False), part)


def test_a_tempo_timed_echo_is_the_same_in_a_span(make_song: SongMaker) -> None:
    from mixwright.timeline import Position

    song = ", tempo: [{bar: 1, bpm: 120, beats_per_bar: 4}, {bar: 2, bpm: 60}]"
    rest = "returns: {echo: {type: delay, note: 1/8, feedback_db: -12}}\n"
    path = make_song({"a": (noise(1, 12), "gain_db: -9, sends_db: {echo: -3}")}, rest, song)
    whole = rendered(path)
    part = rendered(path, span=(Position(seconds=8.0), Position(seconds=10.0)))
    assert db(part - whole[384000:480000]) < -70


def test_a_section_is_a_span(make_song: SongMaker) -> None:
    song = (
        ", tempo: [{bar: 1, bpm: 120, beats_per_bar: 4}], "
        "sections: [{name: verse, bar: 1}, {name: chorus, bar: 2}]"
    )
    path = make_song({"a": (noise(1, 5), "gain_db: -6")}, song=song)
    whole = rendered(path)
    assert np.array_equal(rendered(path, section="verse"), whole[:96000])
    assert np.array_equal(rendered(path, section="chorus"), whole[96000:])
    with pytest.raises(ProblemError, match=r"unknown section 'chrous'.*chorus"):
        rendered(path, section="chrous")


def test_the_song_ends_where_the_sheet_says(make_song: SongMaker) -> None:
    path = make_song({"a": (noise(1, 3), "")}, song=", end: {s: 1.5}")
    out = rendered(path)
    assert len(out) == 72000
    assert np.abs(out[-480:]).max() < np.abs(out[:-480]).max()
    assert abs(out[-1, 0]) < 1e-3


def test_automation_moves_where_and_how_it_says(make_song: SongMaker) -> None:
    flat = np.full((144000, 1), 0.1)
    rides = (
        "pan: L100, automation: {gain_db: [{bar: 1, beat: 3, value: 6, over_beats: 1}, "
        "{s: 2.5, value: 'off'}]}"
    )
    song = ", tempo: [{bar: 1, bpm: 120, beats_per_bar: 4}]"
    levels = rendered(make_song({"a": (flat, rides)}, song=song))[:, 0] / 0.1
    assert is_close(levels[:48000], 1.0)
    assert 20 * math.log10(levels[48000 + 12000]) == pytest.approx(3.0, abs=0.001)
    assert 20 * math.log10(levels[100000]) == pytest.approx(6.0, abs=0.001)
    assert not levels[121000:].any()
    # Straight in dB over half a second, then off within 10 ms: no step is a click.
    assert np.abs(np.diff(levels)).max() < 0.006


def test_a_pan_ride_keeps_its_power(make_song: SongMaker) -> None:
    flat = np.full((96000, 1), 0.1)
    rides = "pan: L100, automation: {pan: [{s: 0.5, value: R100, over_ms: 1000}]}"
    out = rendered(make_song({"a": (flat, rides)}))
    assert is_close((out**2).sum(axis=1), 0.01, rel=1e-5)
    assert out[-1].tolist() == pytest.approx([0.0, 0.1])


def test_readings_are_those_of_the_file(make_song: SongMaker, tmp_path: Path) -> None:
    path = busy_song(make_song)
    done = mixwright.render(path, tmp_path / "m.wav", format="wav32f")
    samples = soundfile.read(done.path)[0]
    mix = done.readings.mix
    assert 10 ** (mix.sample_peak_dbfs / 20) == pytest.approx(np.abs(samples).max(), rel=1e-6)
    assert mix.integrated_lufs == pytest.approx(loudness(samples), abs=1e-4)
    assert [track.name for track in done.readings.tracks] == ["a", "b", "c"]
    assert set(done.readings.reductions) == {
        "a.compressor",
        "b.compressor",
        "band.compressor",
        "mix_bus.compressor",
    }
    assert all(r.max_db > 0.5 for r in done.readings.reductions.values())


def test_a_mix_that_would_clip_is_refused_with_the_remedy(
    make_song: SongMaker, tmp_path: Path
) -> None:
    loud = np.full((9600, 1), 0.9)
    path = make_song({"a": (loud, "gain_db: 6, pan: L100")})
    out = tmp_path / "out" / "mix.wav"
    with pytest.raises(ProblemError, match=r"\+5\.08 dBFS.*wav24.*take 5\.09 dB or more off"):
        mixwright.render(path, out)
    assert list(out.parent.iterdir()) == []
    done = mixwright.render(path, out, format="wav32f")
    assert "+5.08 dBFS" in done.readings.warnings[0].message


def test_a_nan_stops_the_render_and_names_the_stem(make_song: SongMaker, tmp_path: Path) -> None:
    bad = noise(1)
    bad[70001] = np.nan
    path = make_song({"good": (noise(2), ""), "bad": (bad, "")}, subtype="FLOAT")
    with pytest.raises(ProblemError, match=r"mix.yaml:5:\d+: error: bad.wav holds a NaN.*70001"):
        mixwright.render(path, tmp_path / "mix.wav")
    assert not (tmp_path / "mix.wav").exists()


def test_unreadable_stems_are_all_named_at_once(make_song: SongMaker, tmp_path: Path) -> None:
    path = make_song({"a": (noise(1), ""), "b": (noise(1), ""), "c": (noise(1), "")})
    (tmp_path / "stems" / "a.wav").write_bytes(b"")
    (tmp_path / "stems" / "c.wav").write_text("words")
    with pytest.raises(ProblemError) as caught:
        mixwright.plan(mixwright.load(path))
    assert [p.rule for p in caught.value.problems] == ["audio/empty-file", "audio/unreadable"]
    assert [p.span.line for p in caught.value.problems if p.span] == [4, 6]


def test_an_interrupted_render_leaves_no_debris(make_song: SongMaker, tmp_path: Path) -> None:
    path = make_song({"a": (noise(1, 4), "")})
    out = tmp_path / "out" / "mix.wav"

    def interrupt(stage: str, share: float) -> None:
        if stage == "rendering":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        mixwright.render(path, out, progress=interrupt)
    assert list(out.parent.iterdir()) == []
    before = mixwright.render(path, out).path.read_bytes()
    with pytest.raises(KeyboardInterrupt):
        mixwright.render(path, out, progress=interrupt)
    assert out.read_bytes() == before


def test_stems_longer_than_a_block_and_of_odd_rates_line_up(
    make_song: SongMaker, tmp_path: Path
) -> None:
    n = np.arange(3 * FRAMES)
    tone = 0.2 * np.sin(2 * np.pi * 300 / 48000 * n)[:, None]
    path = make_song({"a": (tone, ""), "b": (tone, "polarity: invert")})
    m = np.arange(round(3 * FRAMES * 44100 / 48000))
    slow = 0.2 * np.sin(2 * np.pi * 300 / 44100 * m)[:, None]
    soundfile.write(tmp_path / "stems" / "b.wav", slow, 44100, subtype="DOUBLE")
    out = rendered(path)
    assert db(out[2000:-2000]) < -100
    assert "converted from 44100 Hz to 48000 Hz" in mixwright.plan(mixwright.load(path)).notes[0]


def test_a_keyed_compressor_is_made_up_by_what_the_key_made_it_do(make_song: SongMaker) -> None:
    tone = 0.1 * np.sin(2 * np.pi * 200 / 48000 * np.arange(4 * 48000))[:, None]
    burst = np.zeros((4 * 48000, 1))
    burst[48000:96000] = 0.5
    keyed = "compressor: {threshold_db: -20, ratio: 10, attack_ms: 1, release_ms: 20, key: k}"
    path = make_song({"a": (tone, keyed), "k": (burst, "mute: true")})
    found = rendered(path)
    dry = np.column_stack([tone, tone]) * 0.5**0.5
    assert loudness(found) == pytest.approx(loudness(dry), abs=0.01)


def test_what_is_cached_depends_on_all_it_should(make_song: SongMaker, tmp_path: Path) -> None:
    worked = (
        "eq: [{type: high_shelf, freq_hz: 9000, gain_db: 8}, {type: low_pass, freq_hz: 15000}], "
        "compressor: {threshold_db: -30, ratio: 4}"
    )
    path = make_song({"a": (noise(1, 2), worked)})
    rendered(path)
    text = path.read_text("utf-8")
    path.write_text(text.replace("48000", "96000"), "utf-8")
    assert np.array_equal(rendered(path), rendered(path, keep_cache=False))
    path = make_song({"a": (noise(1, 2), worked), "b": (noise(2, 3.33), "")})
    assert np.array_equal(rendered(path), rendered(path, keep_cache=False))
    stem = tmp_path / "stems" / "a.wav"
    times = stem.stat()
    before = rendered(path)
    soundfile.write(stem, noise(1, 2)[::-1] * np.linspace(0.1, 2, 96000)[:, None], 48000, "DOUBLE")
    os.utime(stem, ns=(times.st_atime_ns, times.st_mtime_ns))
    after = rendered(path)
    assert np.array_equal(after, rendered(path, keep_cache=False))
    assert not np.array_equal(after, before)


@pytest.mark.parametrize(
    "settings",
    [
        "compressor: {threshold_db: -40, ratio: 8, attack_ms: 500, release_ms: 20, makeup_db: 0}",
        "level_match: false, eq: [{type: notch, freq_hz: 50, q: 20}]",
        "level_match: false, eq: [{type: bell, freq_hz: 40, gain_db: 12, q: 20}]",
    ],
)
def test_slow_strips_have_settled_when_a_span_begins(make_song: SongMaker, settings: str) -> None:
    from mixwright.timeline import Position

    hum = 0.3 * np.sign(np.sin(2 * np.pi * 50 / 48000 * np.arange(12 * 48000)))[:, None]
    path = make_song({"a": (hum, f"gain_db: -12, {settings}")})
    whole = rendered(path)
    part = rendered(path, span=(Position(seconds=10.0), Position(seconds=11.0)))
    assert db(part - whole[480000:528000]) < -80


def test_compressor_readings_cover_what_is_kept(make_song: SongMaker) -> None:
    from mixwright.timeline import Position

    loud = np.concatenate([noise(1, 2, level=0.3), np.zeros((96000, 1))])
    path = make_song({"a": (loud, "compressor: {threshold_db: -40, ratio: 4, release_ms: 20}")})
    out = path.parent / "r.wav"
    whole = mixwright.render(path, out, format="wav32f").readings.reductions["a.compressor"]
    assert whole.active_share == pytest.approx(0.5, abs=0.05)
    span = (Position(seconds=3), None)
    quiet = mixwright.render(path, out, format="wav32f", span=span).readings.reductions[
        "a.compressor"
    ]
    assert (quiet.max_db, quiet.active_share) == (0.0, 0.0)


def test_mutes_leave_nothing_through_and_take_nothing_away(make_song: SongMaker) -> None:
    flat = np.full((96000, 1), 0.1)
    rides = "pan: L100, automation: {mute: [{s: 0, value: true}, {s: 1, value: false}]}"
    out = rendered(make_song({"a": (flat, rides)}))[:, 0]
    assert not out[:47000].any()
    assert is_close(out[48000:], 0.1)


def test_a_groups_fader_takes_its_tracks_sends_along(make_song: SongMaker) -> None:
    rest = "groups: {g: {mute: true}}\nreturns: {hall: {type: reverb, decay_s: 0.3}}\n"
    out = rendered(make_song({"a": (noise(1), "group: g, sends_db: {hall: 0}")}, rest))
    assert not out.any()


def test_returns_that_nothing_reaches_do_not_lengthen_the_file(make_song: SongMaker) -> None:
    rest = "returns: {hall: {type: reverb, decay_s: 3}}\n"
    assert len(rendered(make_song({"a": (noise(1, 1), "")}, rest))) == 48000


def test_matches_that_make_no_sense_are_warned_of(make_song: SongMaker) -> None:
    low = "eq: [{type: low_pass, freq_hz: 20, slope_db_per_oct: 48}]"
    some = "gain_db: -40, eq: [{type: low_pass, freq_hz: 100, slope_db_per_oct: 48}]"
    path = make_song({"a": (noise(1, level=0.01), low), "b": (noise(2, level=0.01), some)})
    warnings = mixwright.render(path, path.parent / "w.wav").readings.warnings
    assert "a: its EQ leaves too little to measure" in warnings[0].message
    assert "b: its EQ is level-matched by +" in warnings[1].message


def test_the_remedy_for_clipping_works_in_its_step(make_song: SongMaker) -> None:
    path = make_song({"a": (np.full((9600, 1), 0.9), "gain_db: 6, pan: L100")})
    with pytest.raises(ProblemError, match="off every fader"):
        mixwright.render(path, path.parent / "m.wav", through="balance")


def test_a_song_without_length_is_refused_at_its_line(make_song: SongMaker) -> None:
    path = make_song({"a": (noise(1), "")}, song=", end: {s: 0}")
    with pytest.raises(ProblemError, match=r"mix.yaml:2:\d+: error: .*end"):
        rendered(path)


def test_an_interrupt_closes_no_file_under_a_thread(tmp_path: Path) -> None:
    # FLAC, because there the sound library itself is inside the file when the interrupt comes.
    import subprocess
    import sys

    (tmp_path / "stems").mkdir()
    lines = ["format: 1", "song: {title: T, sample_rate_hz: 48000}", "tracks:"]
    for k in range(10):
        soundfile.write(tmp_path / "stems" / f"{k}.flac", noise(k, 20, 2), 48000)
        key = ", compressor: {threshold_db: -30, ratio: 2, key: t0}" if k == 1 else ""
        lines.append(f"  t{k}: {{file: stems/{k}.flac, gain_db: -20{key}}}")
    (tmp_path / "mix.yaml").write_text("\n".join(lines), "utf-8")
    # One process for all: whatever an interrupt breaks is there for those that follow, too.
    code = (
        "import _thread, sys, threading; from mixwright import cli\n"
        "path = sys.argv[1]\n"
        "assert cli.run(['render', path, '--to', '1 s']) == 0\n"
        "for wait in (0.05, 0.12, 0.2, 0.3):\n"
        "    timer = threading.Timer(wait, _thread.interrupt_main)\n"
        "    timer.start()\n"
        "    status = cli.run(['render', path, '--no-cache'])\n"
        "    timer.cancel()\n"
        "    assert status in (130, 0), status\n"
    )
    arguments = [sys.executable, "-c", code, str(tmp_path / "mix.yaml")]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_a_silent_song_renders_and_says_so(make_song: SongMaker) -> None:
    worked = "eq: [{type: high_pass, freq_hz: 90}], compressor: {threshold_db: -30, ratio: 2}"
    path = make_song({"a": (np.zeros((48000, 1)), worked)}, HARD_WORK.replace("band:", "g:"))
    done = mixwright.render(path, path.parent / "silent.wav")
    assert done.readings.mix.integrated_lufs is done.readings.mix.true_peak_dbtp is None
    assert done.readings.warnings == ()
    assert not soundfile.read(done.path)[0].any()


def test_stems_are_closed_when_a_mix_can_t_begin(make_song: SongMaker, tmp_path: Path) -> None:
    rest = "returns:\n  room: {type: reverb, impulse: stems/silent.wav}\n"
    path = make_song({"a": (noise(1), "sends_db: {room: -12}")}, rest)
    soundfile.write(tmp_path / "stems" / "silent.wav", np.zeros((9600, 1)), 48000)
    with pytest.raises(ProblemError, match=r"silent.wav: the recording is silent") as caught:
        mixwright.render(path, tmp_path / "out.wav")
    # What was raised still holds on to everything that was under way.
    assert caught.tb is not None
    opened = [os.path.realpath(f"/proc/self/fd/{number}") for number in os.listdir("/proc/self/fd")]
    assert not [name for name in opened if name.endswith("a.wav")]


@pytest.mark.parametrize("how", ["written over", "replaced", "removed"])
def test_a_mix_is_of_one_state_of_its_recordings(make_song: SongMaker, how: str) -> None:
    song = make_song({"a": (noise(1, 3.0), ""), "b": (noise(2, 3.0), "")})
    stem, target = song.parent / "stems" / "a.wav", song.parent / "out" / "mix.wav"
    before = mixwright.render(song).path.read_bytes()

    def change(stage: str, share: float) -> None:
        if stage != "rendering" or not stem.exists():
            return
        if how == "removed":
            stem.unlink()
        elif how == "replaced":
            other = stem.with_name("other.wav")
            other.write_bytes(stem.read_bytes()[::-1])
            os.replace(other, stem)
        else:
            with stem.open("r+b") as file:
                file.seek(-3000, os.SEEK_END)
                file.write(bytes(3000))

    if how == "removed":  # what was open was read to its end
        mixwright.render(song, progress=change)
    else:
        with pytest.raises(ProblemError, match=r"a\.wav was changed while it was being read"):
            mixwright.render(song, progress=change)
    assert target.read_bytes() == before
    assert [path.name for path in target.parent.iterdir()] == ["mix.wav"]
