"""Gates, de-essers, inserts, look-ahead, limiter, width: in their places in a whole render."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

import mixwright
from conftest import SongMaker, noise
from mixwright.meters import SoundMeter
from mixwright.problem import ProblemError
from mixwright.timeline import Position
from test_render import db, loudness, rendered

LOOK = "compressor: {threshold_db: 0, ratio: 2, look_ahead_ms: 7.3, makeup_db: 0}"


def test_a_look_ahead_anywhere_keeps_everything_in_time(make_song: SongMaker) -> None:
    # Compressors that never work: each only lags, and every lag has to be made up for.
    signals = [noise(seed, 2) for seed in range(4)]
    plain = {name: (signal, "") for name, signal in zip("abcd", signals, strict=True)}
    dry = rendered(make_song(plain))
    late = {
        "a": (signals[0], LOOK),
        "b": (signals[1], "group: g"),
        "c": (
            signals[2],
            f"{LOOK}, gate: {{threshold_db: -80, ratio: 1, look_ahead_ms: 3, key: d}}, group: h",
        ),
        "d": (signals[3], ""),
    }
    rest = f"groups: {{g: {{{LOOK}}}, h: {{}}}}\nmix_bus: {{{LOOK}}}\n"
    found = rendered(make_song(late, rest))
    assert found.shape == dry.shape
    assert db(found - dry) < -140


def test_a_look_ahead_in_a_part_of_a_song(make_song: SongMaker) -> None:
    settings = (
        "compressor: {threshold_db: -30, ratio: 4, look_ahead_ms: 9, makeup_db: 0}, "
        "gate: {threshold_db: -25, look_ahead_ms: 2, hold_ms: 5, release_ms: 20}"
    )
    path = make_song({"a": (noise(1, 5), settings)})
    whole = rendered(path)
    part = rendered(path, span=(Position(seconds=2.5), Position(seconds=3.5)))
    assert db(part - whole[120000:168000]) < -80


def test_a_key_is_heard_at_the_same_moment_whoever_looks_ahead(make_song: SongMaker) -> None:
    tone = 0.1 * np.sin(2 * np.pi * 200 / 48000 * np.arange(96000))[:, None]
    burst = np.zeros((96000, 1))
    burst[24000:48000] = 0.5
    keyed = (
        "compressor: {threshold_db: -20, ratio: 10, attack_ms: 1, release_ms: 20, "
        "makeup_db: 0, key: k}"
    )
    plain = rendered(make_song({"a": (tone, keyed), "k": (burst, "mute: true")}))
    gate = ", gate: {threshold_db: -80, ratio: 1, look_ahead_ms: 6}"
    ahead = rendered(make_song({"a": (tone, keyed + gate), "k": (burst, "mute: true")}))
    group = "groups: {g: {" + keyed + "}}\n"
    look = ", compressor: {threshold_db: 0, ratio: 2, look_ahead_ms: 8, makeup_db: 0}"
    grouped = rendered(
        make_song({"a": (tone, "group: g"), "k": (burst, "mute: true" + look)}, group)
    )
    assert db(ahead - plain) < -140
    assert db(grouped - plain) < -140


def test_a_gate_takes_the_spill_out_between_hits(make_song: SongMaker) -> None:
    hits = noise(3, 2) * 0.01
    for at in (10000, 40000, 70000):
        hits[at : at + 4800] *= 80
    settings = "gate: {threshold_db: -30, ratio: 20, range_db: 30, hold_ms: 20, release_ms: 30}"
    out = rendered(make_song({"a": (hits, settings)}))[:, 0] * 2**0.5
    assert db(out[11000:14000] - hits[11000:14000, 0]) < -120
    quiet = slice(28000, 38000)
    assert out[quiet].std() / hits[quiet].std() == pytest.approx(10 ** (-30 / 20), rel=0.05)


def test_a_de_esser_lowers_only_the_loud_s(make_song: SongMaker) -> None:
    time_s = np.arange(96000) / 48000
    voice = 0.2 * np.sin(2 * np.pi * 300 * time_s)[:, None]
    ess = np.zeros_like(voice)
    ess[48000:60000, 0] = 0.2 * np.sin(2 * np.pi * 9000 * time_s[:12000])
    settings = "de_esser: {threshold_db: -40, freq_hz: 5000, range_db: 10}"
    path = make_song({"a": (voice + ess, settings)})
    done = mixwright.render(path, path.parent / "out.wav", format="wav32f")
    found = done.readings.reductions["a.de_esser"]
    assert found.min_db == 0.0
    assert found.max_db == pytest.approx(10.0, abs=0.1)
    out = rendered(path)[:, 0] * 2**0.5
    high = scipy.signal.butter(6, 4000, "high", fs=48000, output="sos")
    ratio = scipy.signal.sosfilt(high, out)[52000:58000].std() / ess[52000:58000].std()
    assert -10.0 < 20 * math.log10(ratio) < -6.0
    assert db(out[:47000] - voice[:47000, 0]) < -120


def test_reduction_is_told_by_section(make_song: SongMaker) -> None:
    signal = noise(1, 8)
    signal[192000:] *= 4.0
    song = ", tempo: [{bar: 1, bpm: 120}], sections: [{name: soft, bar: 2}, {name: loud, bar: 3}]"
    settings = (
        "compressor: {threshold_db: -20, ratio: 4, attack_ms: 2, release_ms: 50, makeup_db: 0}"
    )
    path = make_song({"a": (signal, settings + ", gain_db: -20")}, song=song)
    done = mixwright.render(path, path.parent / "out.wav")
    whole = done.readings.reductions["a.compressor"]
    assert set(whole.by_section) == {"soft", "loud"}
    soft, loud = whole.by_section["soft"], whole.by_section["loud"]
    assert loud.mean_db > soft.mean_db + 3.0
    assert whole.max_db == loud.max_db
    assert whole.min_db == 0.0
    assert loud.min_db > 0.0
    # In a part of the song only that part counts, and to the same figures.
    part = mixwright.render(path, path.parent / "part.wav", section="loud").readings
    assert part.reductions["a.compressor"].max_db == pytest.approx(loud.max_db, abs=1e-3)
    assert set(part.reductions["a.compressor"].by_section) == {"loud"}


LIMITED = "mix_bus: {gain_db: 12, limiter: {ceiling_dbtp: -2, release_ms: 40}}\n"


def test_the_limiter_holds_the_finished_mix_alone(make_song: SongMaker) -> None:
    path = make_song({"a": (noise(2, 4), "")}, LIMITED)
    done = mixwright.render(path, path.parent / "out.wav")
    assert done.readings.mix.true_peak_dbtp <= -1.95
    held = done.readings.reductions["mix_bus.limiter"]
    assert held.max_db > 3.0
    earlier = mixwright.render(
        path, path.parent / "steps.wav", through="effects", format="wav32f"
    ).readings
    assert "mix_bus.limiter" not in earlier.reductions
    assert earlier.mix.true_peak_dbtp > 0.0
    out = rendered(path)
    assert len(out) == 4 * 48000
    meter = SoundMeter(48000, 2)
    meter.feed(scipy.signal.resample_poly(out, 8, 1, axis=0))
    assert meter.readings().true_peak_dbtp <= -1.95


def test_a_limited_part_sounds_as_it_does_in_the_whole(make_song: SongMaker) -> None:
    path = make_song({"a": (noise(2, 5), "")}, LIMITED)
    whole = rendered(path)
    part = rendered(path, span=(Position(seconds=2.0), Position(seconds=3.0)))
    assert db(part - whole[96000:144000]) < -80


def test_mono_is_the_sum_of_both_sides(make_song: SongMaker) -> None:
    path = make_song({"a": (noise(1), "pan: L80"), "b": (noise(2, channels=2), "gain_db: -3")})
    stereo = rendered(path)
    mono = rendered(path, mono=True)
    assert np.array_equal(mono[:, 0], mono[:, 1])
    assert db(mono[:, 0] - stereo.mean(axis=1)) < -140
    done = mixwright.render(path, mono=True)
    assert done.path.name == "mix-mono.wav"


@pytest.mark.parametrize(
    "part", ["groups: {g: {width_percent: 160}}", "mix_bus: {width_percent: 160}"]
)
def test_width_of_a_bus_keeps_the_mono_sum(make_song: SongMaker, part: str) -> None:
    group = "group: g" if "groups" in part else ""
    signal = noise(1, channels=2)
    out = rendered(make_song({"a": (signal, group)}, part + "\n"))
    assert db(out.sum(axis=1) - signal.sum(axis=1)) < -140
    assert db((out[:, 0] - out[:, 1]) - 1.6 * (signal[:, 0] - signal[:, 1])) < -140


@pytest.mark.parametrize(
    "insert",
    [
        "{type: chorus}",
        "{type: phaser}",
        "{type: saturation, drive_db: 12}",
        "{type: pitch_shift, semitones: 0.1}",
    ],
)
def test_an_insert_keeps_level_and_time(make_song: SongMaker, insert: str) -> None:
    signal = noise(5, 4)
    signal[:, 0] *= np.tile(np.repeat([1.0, 0.1], [9000, 7000]), 12)
    dry = rendered(make_song({"a": (signal, ""), "b": (noise(6, 4), "gain_db: -60")}))
    settings = f"inserts: [{insert}]"
    wet = rendered(make_song({"a": (signal, settings), "b": (noise(6, 4), "gain_db: -60")}))
    assert loudness(wet) == pytest.approx(loudness(dry), abs=0.1)
    # Where the hits lie, by their energy over 10 ms: the waveform itself is not the same.
    hits = [scipy.signal.fftconvolve(out[:144000, 0] ** 2, np.ones(480)) for out in (wet, dry)]
    lags = scipy.signal.correlate(*(hit - hit.mean() for hit in hits), "same", "fft")
    late = int(np.argmax(lags)) - len(lags) // 2
    # A chorus adds a copy some ms later; a pitch shifter works in frames, which lie 2 ms off.
    assert abs(late) <= (240 if "chorus" in insert else 96 if "pitch" in insert else 12)
    as_it_is = f"inserts: [{insert}], level_match: false"
    assert not np.array_equal(
        rendered(make_song({"a": (signal, as_it_is), "b": (noise(6, 4), "gain_db: -60")})), dry
    )


def test_inserts_belong_to_the_effects(make_song: SongMaker) -> None:
    path = make_song({"a": (noise(5), "inserts: [{type: saturation, drive_db: 20}]")})
    dry = rendered(make_song({"b": (noise(5), "")}))
    path = make_song({"a": (noise(5), "inserts: [{type: saturation, drive_db: 20}]")})
    assert np.array_equal(rendered(path, through="dynamics"), dry)
    assert not np.array_equal(rendered(path, through="effects"), dry)


def test_a_moving_filter_moves_with_the_automation_alone(make_song: SongMaker) -> None:
    eq = (
        "level_match: false, eq: [{type: low_pass, freq_hz: 8000, automation: "
        "{freq_hz: [{s: 1, value: 300, over_ms: 500}]}}]"
    )
    path = make_song({"a": (noise(5, 3), eq)})
    still, moved = rendered(path, through="effects"), rendered(path)
    assert db(moved[:47000] - still[:47000]) < -60
    high = scipy.signal.butter(4, 2000, "high", fs=48000, output="sos")
    after = slice(90000, 130000)
    levels = [scipy.signal.sosfilt(high, out[:, 0])[after].std() for out in (still, moved)]
    assert 20 * math.log10(levels[1] / levels[0]) < -25.0
    part = rendered(path, span=(Position(seconds=1.2), Position(seconds=2.0)))
    assert db(part - moved[57600:96000]) < -80


def side_of(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(signal[:, 0] - signal[:, 1])


def test_a_band_on_the_side_leaves_the_middle_alone(make_song: SongMaker) -> None:
    rest = "mix_bus: {eq: [{type: high_pass, freq_hz: 2000, slope_db_per_oct: 24, on: side}]}\n"
    signal = noise(7, channels=2)
    out = rendered(make_song({"a": (signal, "")}, rest))[: len(signal)]
    assert db(out.sum(axis=1) - signal.sum(axis=1)) < -140
    assert side_of(out).std() < 0.97 * side_of(signal).std()


def test_a_recorded_room_is_a_return(make_song: SongMaker) -> None:
    import soundfile

    path = make_song(
        {"a": (noise(8), "sends_db: {room: 0}")},
        "returns: {room: {type: reverb, impulse: room.wav, pre_delay_ms: 12}}\n",
    )
    decay = noise(9, 0.5, 2) * np.exp(-np.arange(24000) / 3000)[:, None]
    soundfile.write(path.parent / "room.wav", decay, 44100, subtype="FLOAT")
    dry = rendered(path, through="dynamics")
    out = rendered(path)
    assert len(out) > len(dry)
    assert loudness(out[: len(dry)]) > loudness(dry) + 1.0
    (path.parent / "room.wav").write_bytes(b"RIFF")
    with pytest.raises(ProblemError, match=r"mix.yaml:.*room.wav"):
        rendered(path)
    soundfile.write(path.parent / "room.wav", decay * 0, 44100, subtype="FLOAT")
    with pytest.raises(ProblemError, match=r"mix.yaml:.*room.wav"):
        rendered(path)


def test_plug_ins_need_leave_and_a_place(
    make_song: SongMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = make_song({"a": (noise(8), "inserts: [{type: plugin, plugin: tape}]")})
    with pytest.raises(ProblemError, match=r"mix.yaml:4:.*tape was not loaded.*--allow-plugins"):
        rendered(path)
    rendered(path, through="dynamics")
    listed = path.parent / "plugins.yaml"
    monkeypatch.setenv("MIXWRIGHT_PLUGINS", str(listed))
    with pytest.raises(ProblemError, match=r"plugins\.yaml"):
        rendered(path, allow_plugins=True)
    listed.write_text(f"tapes: {path}\n", "utf-8")
    with pytest.raises(ProblemError, match=r"mix.yaml:4:.*tape.*tapes"):
        rendered(path, allow_plugins=True)
    listed.write_text(f"tape: {path}\n", "utf-8")
    with pytest.raises(ProblemError, match=r"mix.yaml:4:.*tape"):
        rendered(path, allow_plugins=True)


def test_shaped_dither_is_for_16_bits(make_song: SongMaker) -> None:
    path = make_song({"a": (noise(8), "")})
    plain = rendered(path, format="wav16")
    shaped = rendered(path, format="wav16", dither="shaped")
    assert not np.array_equal(plain, shaped)
    assert db(plain - shaped) < -60
    with pytest.raises(ProblemError, match="16 bits"):
        rendered(path, format="wav24", dither="shaped")


def test_dither_goes_by_the_song_and_not_by_its_settings(make_song: SongMaker) -> None:
    one = rendered(make_song({"a": (noise(8), "why: loud")}), format="wav16")
    two = rendered(make_song({"a": (noise(8), "why: soft")}), format="wav16")
    assert np.array_equal(one, two)


def test_automation_shapes(make_song: SongMaker) -> None:
    ones = np.full((96000, 1), 0.5)

    def gain(points: str) -> NDArray[np.float64]:
        out = rendered(make_song({"a": (ones, f"automation: {{gain_db: [{points}]}}")}))
        return 20 * np.log10(out[:, 0] / (0.5 * 0.5**0.5))

    line = gain("{s: 0.5, value: -12, over_ms: 500}")
    smooth = gain("{s: 0.5, value: -12, over_ms: 500, shape: smooth}")
    hold = gain("{s: 0.5, value: -12, over_ms: 500, shape: hold}")
    assert line[36000] == pytest.approx(-6.0, abs=0.01)
    assert smooth[36000] == pytest.approx(-6.0, abs=0.01)
    assert smooth[26400] > line[26400] + 0.8
    assert hold[47990] == pytest.approx(0.0, abs=1e-4)
    assert [curve[-1] for curve in (line, smooth, hold)] == pytest.approx([-12.0] * 3, abs=1e-4)
    # A point that begins before a hold is over takes its place.
    both = gain("{s: 0.5, value: -12, over_ms: 500, shape: hold}, {s: 0.7, value: -3}")
    assert both[30000] == pytest.approx(0.0, abs=1e-4)
    assert both[-1] == pytest.approx(-3.0, abs=1e-4)


def test_a_pre_delay_by_note_follows_the_tempo(make_song: SongMaker) -> None:
    click = np.zeros((8 * 48000, 1))
    click[[48000, 5 * 48000]] = 0.5
    song = ", tempo: [{bar: 1, bpm: 120, beats_per_bar: 4}, {bar: 2, bpm: 60}]"
    rest = "returns: {room: {type: reverb, decay_s: 0.3, pre_delay_note: 1/32}}\n"
    path = make_song({"a": (click, "sends_db: {room: -6}")}, rest, song)
    wet = rendered(path)[: 8 * 48000] - np.pad(rendered(path, through="dynamics"), [(0, 0), (0, 0)])
    loud = np.abs(wet).max(axis=1) > 1e-3
    # 1/32 is 62.5 ms at 120 bpm and 125 ms at 60; a first reflection rings a little ahead.
    for at, wait_ms in ((48000, 62.5), (5 * 48000, 125.0)):
        first = int(np.argmax(loud[at:]))
        assert first / 48.0 == pytest.approx(wait_ms, abs=0.4)


def test_a_groups_key_is_whole_from_the_first_sample(make_song: SongMaker) -> None:
    # The key's own insert makes it read ahead; the group must still hear its beginning.
    tone = 0.1 * np.sin(2 * np.pi * 200 / 48000 * np.arange(96000))[:, None]
    key, rest = np.full((96000, 1), 0.5), "groups: {g: {gate: {threshold_db: -20, key: k}}}\n"
    plain = rendered(make_song({"a": (tone, "group: g"), "k": (key, "mute: true")}, rest))
    late = "mute: true, inserts: [{type: saturation, drive_db: 3}]"
    ahead = rendered(make_song({"a": (tone, "group: g"), "k": (key, late)}, rest))
    assert db(ahead - plain) < -140


@pytest.mark.parametrize(
    "insert", ["{type: chorus}", "{type: phaser}", "{type: pitch_shift, semitones: 3}"]
)
def test_what_swings_swings_alike_in_a_part(make_song: SongMaker, insert: str) -> None:
    path = make_song({"a": (noise(5, 5), f"inserts: [{insert}], level_match: false")})
    whole = rendered(path)
    part = rendered(path, span=(Position(seconds=2.5), Position(seconds=3.5)))
    assert db(part - whole[120000:168000]) < -80


def test_the_limiter_hears_what_follows_a_part(make_song: SongMaker) -> None:
    signal = noise(3, 4) * 0.02
    signal[int(3.002 * 48000) :] *= 50.0
    rest = "mix_bus: {limiter: {ceiling_dbtp: -12}}\n"
    song = ", tempo: [{bar: 1, bpm: 80}], sections: [{name: a, bar: 1}, {name: b, bar: 2}]"
    path = make_song({"a": (signal, "")}, rest, song)
    whole = rendered(path)
    part = rendered(path, span=(Position(seconds=2.0), Position(seconds=3.0)))
    assert len(part) == 48000
    assert db(part - whole[96000:144000]) < -80
    # What is held down in the second bar is told of the second bar (it begins at 3 s).
    held = mixwright.render(path, path.parent / "o.wav").readings.reductions["mix_bus.limiter"]
    assert held.by_section["b"].max_db == held.max_db > 1.0


def test_a_band_that_moves_is_left_out_of_the_match(make_song: SongMaker) -> None:
    eq = "eq: [{type: low_pass, freq_hz: 30, automation: {freq_hz: [{s: 0.2, value: 20000}]}}]"
    path = make_song({"a": (noise(1, 3), eq)})
    done = mixwright.render(path, path.parent / "o.wav")
    assert done.readings.matches_db == {}
    assert loudness(rendered(path)[24000:]) == pytest.approx(
        loudness(noise(1, 3)[24000:] * 0.5**0.5) + 3.01, abs=1.5
    )
