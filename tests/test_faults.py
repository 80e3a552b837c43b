"""Faults in one track: what was put in is found at its size, and clean material is left alone."""

from __future__ import annotations

import dataclasses
import json
import math
from functools import partial

import numpy as np
import pytest
import scipy.ndimage
import scipy.signal
import yaml
from numpy.typing import NDArray

from made_once import MadeOnce
from mixwright.dsp.band import BandSettings
from mixwright.faults.clipping import ClipMeter
from mixwright.faults.findings import (
    Clipped,
    Finding,
    Hum,
    Offset,
    OppositeChannels,
    ReallyMono,
    Rumble,
    SilentChannel,
)
from mixwright.faults.follow import PLAIN, STEEP, TrackFollower
from mixwright.faults.hum import SteadyLine, SteadySpectrum, mains_lines
from mixwright.faults.track import FaultMeter

Signal = NDArray[np.float64]

RATE_HZ = 48000


def db(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))


def seconds(length: float) -> Signal:
    return np.arange(round(length * RATE_HZ)) / RATE_HZ


def found_in(signal: Signal, bits: int | None = 24, rate_hz: int = RATE_HZ) -> tuple[Finding, ...]:
    """Everything found in a signal (frames,) or (frames, 2) as a file of so many bits holds it."""
    block = np.ascontiguousarray(signal.reshape(len(signal), -1))
    if bits is not None:
        block = np.round(block * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)
    meter = FaultMeter(rate_hz, block.shape[1], bits)
    for start in range(0, len(block), 65536):
        meter.feed(block[start : start + 65536])
    return meter.findings("track")


def tone(hz: float, length: float = 6.0, level: float = 0.5) -> Signal:
    return level * np.sin(2.0 * np.pi * hz * seconds(length) + 0.3)


def chord(*pitches_hz: float) -> Signal:
    return np.asarray(sum((tone(hz, 8.0, 0.2) for hz in pitches_hz), np.zeros(1)))


def note(hz: float, length: float, rng: np.random.Generator) -> Signal:
    """A plucked note: fifteen partials that die away, damped at the end."""
    t = seconds(length)
    partials = sum(
        np.sin(2.0 * np.pi * hz * k * t + rng.uniform(0.0, 6.28)) / k**1.6 for k in range(1, 16)
    )
    return np.asarray(
        partials * np.exp(-t) * np.minimum(1.0, t / 0.004) * np.minimum(1.0, (length - t) / 0.03)
    )


def played(pitches: list[float], length: float, seed: int) -> Signal:
    """Notes one after the other, with a gap now and then."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(length * RATE_HZ))
    at = 0.1
    while at < length - 1.1:
        held = float(rng.choice([0.3, 0.5, 1.0]))
        start = round(at * RATE_HZ)
        wave = note(float(rng.choice(pitches)), held, rng) * rng.uniform(0.1, 0.2)
        out[start : start + len(wave)] += wave
        at += held + float(rng.choice([0.0, 0.0, 0.2, 0.6]))
    return out


def drums(length: float, seed: int, exactly: bool = False, beat_s: float = 0.5) -> Signal:
    """Kick and snare; the same samples on a grid if `exactly`, as programmed drums are."""
    rng = np.random.default_rng(seed)
    t = seconds(0.3)
    kick = np.sin(2 * np.pi * np.cumsum(45 + 120 * np.exp(-t / 0.03)) / RATE_HZ) * np.exp(-t / 0.1)
    snare = rng.standard_normal(len(t)) * np.exp(-t / 0.05) * 0.3
    out = np.zeros(round(length * RATE_HZ))
    for beat in range(int((length - 0.4) / beat_s)):
        loose = 0.0 if exactly else abs(rng.normal(0.0, 0.004))
        force = 0.5 if exactly else rng.uniform(0.3, 0.6)
        start = round((beat * beat_s + loose) * RATE_HZ)
        out[start : start + len(t)] += force * (snare if beat % 2 else kick)
    return out


def speech(length: float, seed: int, pauses: bool = False) -> Signal:
    """Pulses through three resonances, by syllables; with `pauses` of some seconds between."""
    rng = np.random.default_rng(seed)
    t = seconds(length)
    pitch = 120.0 * (1.0 + 0.1 * np.sin(2 * np.pi * 0.7 * t) + 0.05 * np.sin(2 * np.pi * 0.23 * t))
    voice = scipy.signal.sawtooth(2.0 * np.pi * np.cumsum(pitch) / RATE_HZ)
    for hz in (500.0, 1500.0, 2500.0):
        voice = voice + 3.0 * scipy.signal.lfilter(*scipy.signal.iirpeak(hz, 8.0, RATE_HZ), voice)
    syllables = np.interp(t, np.arange(400) * 0.12, np.clip(rng.normal(0.3, 0.5, 400), 0.0, 1.0))
    if pauses:
        syllables = syllables * (t % 7.0 < 4.0)
    sections = scipy.signal.butter(2, 90.0, "high", fs=RATE_HZ, output="sos")
    return np.asarray(scipy.signal.sosfilt(sections, voice * syllables) * 0.03)


def pink(length: float, seed: int) -> Signal:
    noise = np.fft.rfft(np.random.default_rng(seed).standard_normal(round(length * RATE_HZ)))
    return np.asarray(np.fft.irfft(noise / np.sqrt(np.maximum(np.arange(len(noise)), 1.0)))) * 5.0


def limited(signal: Signal, ceiling: float) -> Signal:
    """A look-ahead limiter of the textbook kind: smallest gain ahead, smoothed."""
    need = np.minimum(1.0, ceiling / np.maximum(np.abs(signal), 1e-9))
    gain = scipy.ndimage.uniform_filter1d(scipy.ndimage.minimum_filter1d(need, 241), 121)
    return np.asarray(signal * gain)


# ---- clipping ----


def runs_at(signal: Signal, level: float, same: float) -> list[int]:
    """Lengths of runs of three and more within `same` of a level: the plain way of counting."""
    at = np.concatenate([[0], (signal >= level - same).astype(int), [0]])
    edges = np.flatnonzero(np.diff(at))
    return [int(n) for n in edges[1::2] - edges[::2] if n >= 3]


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("turned_down_db", [0.0, 7.3])
@pytest.mark.parametrize(("hz", "over_db"), [(83.1, 0.3), (997.0, 3.0), (440.3, 9.0)])
def test_flat_tops_are_counted(bits: int, turned_down_db: float, hz: float, over_db: float) -> None:
    full = 1.0 - 2.0 ** (1 - bits)
    signal = np.clip(db(over_db) * np.sin(2 * np.pi * hz * seconds(2.0)), -full, full)
    signal = np.round(signal * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1) * db(-turned_down_db)
    (found,) = found_in(signal, bits if turned_down_db == 0.0 else 24)
    assert isinstance(found, Clipped)
    tops = runs_at(signal, signal.max(), 2.0 ** (1 - bits))
    both = tops + runs_at(-signal, (-signal).max(), 2.0 ** (1 - bits))
    # One that is entered or left in no more than a step is longer or shorter, or not counted.
    assert 0.97 * len(both) <= found.runs <= len(both)
    # A clipped sine of frequency f stays at its ceiling c for (1 - 2 asin(c)/pi) / 2f.
    flat = (0.5 - math.asin(db(-over_db)) / math.pi) / hz * RATE_HZ
    assert found.longest_samples == pytest.approx(flat, abs=2.0)
    assert found.level_dbfs == pytest.approx(-turned_down_db, abs=0.001)
    assert found.severity == "fault"


def test_the_first_clip_is_where_it_is() -> None:
    signal = tone(200.0, 4.0, 0.4)
    signal[round(2.5 * RATE_HZ) :] *= 4.0
    (found,) = found_in(np.clip(signal, -1.0, 1.0 - 2**-23))
    assert isinstance(found, Clipped)
    assert found.first_s == pytest.approx(2.5, abs=0.005)
    # What lay at a lower extreme before does not count: those were tops of their own.
    assert found.runs <= round(1.5 * 400)


def test_one_channel_clips_and_the_other_does_not() -> None:
    left = np.clip(tone(300.0, 2.0, 1.5), -0.9, 0.9)
    (found,) = found_in(np.column_stack([left, tone(317.0, 2.0, 0.7)]))
    assert isinstance(found, Clipped)
    assert found.level_dbfs == pytest.approx(20 * math.log10(0.9), abs=0.001)
    assert found.runs == 2 * 2 * 300


@pytest.mark.parametrize("bits", [16, 24, None])
@pytest.mark.parametrize("hz", [5.0, 20.0, 41.2, 50.0, 61.7, 440.0, 997.0, 1000.0, 12000.0])
def test_loud_sines_are_not_clipped(bits: int | None, hz: float) -> None:
    meter = ClipMeter(RATE_HZ, 1, bits)
    signal = tone(hz, 2.0, 0.99997)
    if bits is not None:
        signal = np.round(signal * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)
    meter.feed(signal[:, None])
    assert meter.finding("sine") is None


def band_limited_square(hz: float) -> Signal:
    """A square wave with its jumps rounded by two samples of a parabola each."""
    step = hz / RATE_HZ
    at = seconds(2.0) * hz % 1.0

    def rounded(phase: Signal) -> Signal:
        after, before = phase / step, (phase - 1.0) / step
        parabola = np.where(before > -1.0, before**2 + 2.0 * before + 1.0, 0.0)
        return np.where(after < 1.0, 2.0 * after - after**2 - 1.0, parabola)

    return np.where(at < 0.5, 1.0, -1.0) + rounded(at) - rounded((at + 0.5) % 1.0)


@pytest.mark.parametrize(
    "signal",
    [
        0.9 * np.sign(tone(110.0, 2.0)),
        np.sign(tone(110.0, 2.0)) * np.exp(-seconds(2.0)),
        0.8 * band_limited_square(331.7),
        0.8 * band_limited_square(1234.5),
        np.repeat(np.random.default_rng(1).standard_normal(24000) * 0.2, 4),
        np.round(32768 * tone(50.0, 2.0, 0.99)) / 32768,
        np.round(32768 * tone(50.0, 2.0, 0.99)) / 32768 * 0.7123,
        np.full(RATE_HZ, 0.25),
        np.random.default_rng(2).integers(-1, 2, RATE_HZ) / 2.0**23,
    ],
    ids=["square", "dying square", "soft square", "high soft square", "held noise",
         "16 bits in 24", "16 bits turned down", "constant", "dither"],
)  # fmt: skip
def test_what_is_flat_by_nature_is_not_clipped(signal: Signal) -> None:
    meter = ClipMeter(RATE_HZ, 1, 24)
    meter.feed(np.round(signal * 2**23)[:, None] / 2**23)
    assert meter.finding("flat") is None


# ---- offset and rumble ----


@pytest.mark.parametrize("offset", [0.004, -0.005, 0.02])
def test_an_offset_is_measured(offset: float) -> None:
    signal = played([41.2, 55.0, 61.7], 8.0, 1) + offset
    (found,) = found_in(np.column_stack([signal, played([110.0, 147.0], 8.0, 2)]))
    assert isinstance(found, Offset)
    # The beginnings of the notes have an offset of their own.
    assert found.offset_percent == pytest.approx(100.0 * offset, abs=0.08)
    assert found.severity == ("fault" if abs(offset) >= 0.01 else "look")


def test_an_offset_that_edits_took_away_in_between_is_still_there() -> None:
    signal = np.concatenate([tone(220.0, 3.0) + 0.01, np.zeros(20 * RATE_HZ), tone(220.0) + 0.01])
    (found,) = found_in(signal)
    assert isinstance(found, Offset)
    assert found.offset_percent == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("under_db", [8.0, 20.0, 26.0])
def test_rumble_is_measured(under_db: float) -> None:
    voice = 4.0 * speech(20.0, 3)
    rng = np.random.default_rng(4)
    sections = scipy.signal.butter(3, (9.0, 33.0), "bandpass", fs=RATE_HZ, output="sos")
    low = scipy.signal.sosfilt(sections, rng.standard_normal(len(voice)))
    low *= db(-under_db) * voice.std() / low.std()
    (found,) = found_in(voice + low)
    assert isinstance(found, Rumble)
    # Noise this narrow wanders by a decibel or two over the few seconds that are quiet.
    assert found.level_dbfs == pytest.approx(20 * math.log10(low.std()), abs=2.0)
    programme = math.hypot(voice.std(), low.std())
    assert found.under_programme_db == pytest.approx(
        20 * math.log10(programme) - found.level_dbfs, abs=0.1
    )
    assert found.severity == ("fault" if under_db == 8.0 else "look")


# ---- hum ----


def hum(length: float, mains_hz: float, level_db: float, amounts: tuple[float, ...]) -> Signal:
    """Harmonics of these amplitudes, the first at an RMS level."""
    t = seconds(length)
    wave = sum(a * np.sin(2 * np.pi * mains_hz * k * t + k) for k, a in enumerate(amounts, 1))
    return np.asarray(db(level_db) * math.sqrt(2.0) * wave)


@pytest.mark.parametrize("mains_hz", [49.93, 50.0, 50.06, 59.96, 60.0])
@pytest.mark.parametrize("amounts", [(1.0, 0.35, 0.6, 0.0, 0.3), (0.3, 1.0, 0.1, 0.5)])
def test_hum_is_measured(mains_hz: float, amounts: tuple[float, ...]) -> None:
    rng = np.random.default_rng(5)
    signal = speech(30.0, 6, pauses=True) + rng.standard_normal(30 * RATE_HZ) * 2e-5
    (found,) = found_in(signal + hum(30.0, mains_hz, -62.0, amounts))
    assert isinstance(found, Hum)
    assert found.mains_hz == round(mains_hz)
    assert found.fundamental_hz == pytest.approx(mains_hz, abs=0.03)
    wanted = {k: -62.0 + 20 * math.log10(a) for k, a in enumerate(amounts, 1) if a > 0.0}
    heard = dict(zip(found.harmonics, found.harmonic_dbfs, strict=True))
    assert set(heard) == set(wanted)
    for order, level in wanted.items():
        assert heard[order] == pytest.approx(level, abs=1.2)
    total = 10 * math.log10(sum(10 ** (level / 10) for level in wanted.values()))
    assert found.level_dbfs == pytest.approx(total, abs=0.9)
    programme = 20 * math.log10(np.sqrt(np.mean(signal**2)))
    assert found.under_programme_db == pytest.approx(programme - total, abs=1.0)


def test_hum_under_a_bass_that_plays_next_to_it() -> None:
    # Equal temperament at A = 440 Hz (ISO 16): G1 48.999, A#1 58.270, B1 61.735 Hz.
    signal = np.concatenate([played([48.999, 58.270, 61.735], 14.0, 7), np.zeros(4 * RATE_HZ)])
    signal += np.random.default_rng(8).standard_normal(len(signal)) * 1e-5
    assert found_in(signal) == ()
    (found,) = found_in(signal + hum(18.0, 50.0, -60.0, (1.0, 0.5, 0.5)))
    assert isinstance(found, Hum)
    assert (found.mains_hz, found.harmonics) == (50, (1, 2, 3))


def test_the_notches_for_a_hum_are_bands_that_the_sheet_takes() -> None:
    signal = speech(20.0, 9, pauses=True) + hum(20.0, 60.0, -60.0, (1.0, 0.01, 0.5, 0.4, 0.3, 0.2))
    (found,) = found_in(signal + np.random.default_rng(1).standard_normal(len(signal)) * 1e-5)
    bands = [yaml.safe_load(line) for line in (found.fix or "").splitlines()]
    assert [band["freq_hz"] for band in bands] == [60, 180, 240, 300]
    for band in bands:
        assert band.pop("why")
        BandSettings(**band)


@pytest.mark.parametrize(
    "lines",
    [
        {50.0: 30.0},
        {300.0: 30.0, 600.0: 30.0},
        {200.0: 30.0, 250.0: 30.0},
        {49.0: 30.0, 98.0: 30.0, 147.0: 30.0},
        {50.0: 30.0, 101.0: 30.0},
        {50.0: 30.0, 100.0: 5.0},
        {50.0: 30.0, 100.0: 30.0, 220.0: 60.0},
    ],
    ids=["one line", "both mains", "high ones alone", "a note", "no comb", "faint", "a drone"],
)
def test_these_lines_are_no_hum(lines: dict[float, float]) -> None:
    assert (
        mains_lines([SteadyLine(hz, db(out) ** 2 * 1e-9, out, 0.1) for hz, out in lines.items()])
        is None
    )


def test_a_line_is_read_between_the_bins() -> None:
    for hz in (50.0, 50.13, 50.25, 50.37):
        line_alone = 0.1 * np.sin(2 * np.pi * hz * np.arange(18000) / 1500)
        noise = np.random.default_rng(14).standard_normal(18000) * 1e-4
        (line,) = SteadySpectrum.of(line_alone + noise, 1500.0).lines()
        assert line.freq_hz == pytest.approx(hz, abs=0.02)
        assert line.power == pytest.approx(0.005, rel=0.03)


# ---- stereo ----


def test_stereo_files_that_are_not() -> None:
    left = played([220.0, 277.0, 330.0], 6.0, 10)
    other = played([220.0, 277.0, 330.0], 6.0, 11)
    nothing = np.random.default_rng(12).standard_normal(len(left)) * 1e-5

    def kinds(right: Signal, bits: int = 24) -> list[type]:
        return [type(finding) for finding in found_in(np.column_stack([left, right]), bits)]

    assert kinds(left) == [ReallyMono]
    assert kinds(0.61 * left, 16) == [ReallyMono]
    assert kinds(0.0 * left) == [SilentChannel]
    assert kinds(nothing) == [SilentChannel]
    assert kinds(-left) == [OppositeChannels]
    assert kinds(0.2 * other - 0.8 * left) == [OppositeChannels]
    assert kinds(other) == kinds(0.9 * left + 0.05 * other) == kinds(0.003 * other) == []
    (found,) = found_in(np.column_stack([left, 0.5 * left]))
    assert isinstance(found, ReallyMono)
    assert found.right_gain_db == pytest.approx(-6.0206, abs=1e-4)


@pytest.mark.parametrize("amount", [2.5, 5.0])
def test_the_correlation_of_channels(amount: float) -> None:
    # Uncorrelated mid and side, side k times as loud: (1 - k²) / (1 + k²).
    rng = np.random.default_rng(13)
    mid, side = rng.standard_normal((2, 10 * RATE_HZ)) * 0.02
    wanted = (1.0 - amount**2) / (1.0 + amount**2)
    found = found_in(np.column_stack([mid + amount * side, mid - amount * side]))
    assert [type(one) for one in found] == ([OppositeChannels] if wanted < -0.9 else [])
    if found:
        assert isinstance(found[0], OppositeChannels)
        assert found[0].correlation == pytest.approx(wanted, abs=0.002)


# ---- clean material ----

BASS_HZ = [41.2, 49.0, 55.0, 58.3, 61.7]
CLEAN = MadeOnce[Signal](
    {
        **{
            f"tone {hz:g}": partial(tone, hz, 8.0)
            for hz in (50.0, 60.0, 100.0, 150.0, 300.0, 1000.0)
        },
        "chord": lambda: chord(110.0, 138.6, 164.8, 220.0),
        "fifths on G": lambda: chord(49.0, 98.0, 147.0, 196.0),
        "white": lambda: np.random.default_rng(20).standard_normal(8 * RATE_HZ) * 0.1,
        "pink": lambda: pink(8.0, 21),
        "drums": lambda: drums(10.0, 22),
        "programmed drums": lambda: drums(12.0, 23, exactly=True),
        "programmed at 150": lambda: drums(12.0, 24, exactly=True, beat_s=0.2),
        "speech": lambda: speech(10.0, 25),
        "speech with pauses": lambda: speech(14.0, 26, pauses=True),
        **{f"bass {hz:g}": partial(played, [hz], 10.0, 27) for hz in BASS_HZ},
        "bass line": lambda: played(BASS_HZ, 12.0, 28),
        "square": lambda: 0.8 * np.sign(tone(97.3, 8.0)),
        "swelling saw": lambda: (
            0.3
            * scipy.signal.sawtooth(2 * np.pi * 120.0 * seconds(12.0))
            * (0.52 + 0.48 * np.sin(2 * np.pi * 0.2 * seconds(12.0)))
        ),
        "music": lambda: (
            drums(10.0, 29) + played(BASS_HZ, 10.0, 30) + played([220.0, 262.0, 330.0], 10.0, 31)
        ),
        "faint": lambda: 1e-4 * played([220.0, 262.0, 330.0], 10.0, 32),
        "limited music": lambda: limited(CLEAN["music"], 0.2),
        "squashed music": lambda: (
            np.tanh(4.0 * CLEAN["music"]) - np.tanh(4.0 * CLEAN["music"]).mean()
        ),
    }
)


@pytest.mark.parametrize("name", CLEAN)
@pytest.mark.parametrize("bits", [16, 24])
def test_clean_material_is_left_alone(name: str, bits: int) -> None:
    assert found_in(CLEAN[name], bits) == ()


def test_silence_and_next_to_nothing() -> None:
    assert found_in(np.zeros(5 * RATE_HZ)) == ()
    assert found_in(np.zeros((5 * RATE_HZ, 2))) == ()
    assert FaultMeter(RATE_HZ, 2).findings("nothing") == ()
    assert found_in(np.array([0.5])) == found_in(tone(440.0, 0.05)) == ()


# ---- laws ----


@pytest.mark.parametrize("channels", [1, 2])
def test_blocks_of_any_size_give_the_same(channels: int) -> None:
    rng = np.random.default_rng(40)
    left = np.clip(2.5 * CLEAN["music"], -0.5, 0.5) + hum(10.0, 50.0, -50.0, (1.0, 0.5)) + 0.01
    signal = np.column_stack([left, 0.4 * np.roll(left, 7)])[:, :channels]
    signal = np.ascontiguousarray(np.round(signal * 2**23) / 2**23)
    whole, cut = FaultMeter(RATE_HZ, channels, 24), FaultMeter(RATE_HZ, channels, 24)
    whole.feed(signal)
    at = 0
    while at < len(signal):
        size = int(rng.choice([1, 2, 3, 255, 256, 257, 1000, 70000]))
        cut.feed(signal[at : at + size])
        at += size
    assert whole.findings("a") == cut.findings("a") != ()
    one, other = whole.features(), cut.features()
    assert one.digest == other.digest
    assert one.plain.tobytes() == other.plain.tobytes()


def test_a_block_is_left_as_it_is() -> None:
    block = np.ascontiguousarray(CLEAN["music"][:, None])
    before = block.copy()
    FaultMeter(RATE_HZ, 1).feed(block)
    np.testing.assert_array_equal(block, before)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 44100, 96000, 192000])
def test_any_rate(rate_hz: int) -> None:
    t = np.arange(12 * rate_hz) / rate_hz
    gated = (t % 6.0 < 2.0) * np.sin(2 * np.pi * 330.0 * t)
    steady = 0.001 * (np.sin(2 * np.pi * 60.0 * t) + np.sin(2 * np.pi * 120.0 * t))
    noise = np.random.default_rng(41).standard_normal(len(t)) * 1e-5
    (found,) = found_in(0.2 * gated + steady + noise, 24, rate_hz)
    assert isinstance(found, Hum)
    assert found.harmonic_dbfs == pytest.approx([-63.01, -63.01], abs=0.2)


def test_findings_are_plain_data() -> None:
    music, voice = CLEAN["music"], CLEAN["speech with pauses"]
    found = (
        *found_in(np.column_stack([np.clip(5.0 * music, -0.9, 0.9), -0.5 * music])),
        *found_in(np.column_stack([voice + 0.02, 0.0 * voice])),
        *found_in(np.column_stack([voice, voice]) + hum(14.0, 50.0, -60.0, (1.0, 0.6))[:, None]),
        *found_in(np.cumsum(CLEAN["white"]) * 1e-3),
    )
    kinds = {finding.kind for finding in found}
    assert kinds >= {"clipped", "dc", "hum", "really_mono", "silent_channel", "rumble"}
    for finding in found:
        json.dumps(dataclasses.asdict(finding))
        assert finding.message[0].islower()
        assert "\n" not in finding.message


# ---- what is kept of a track ----


def test_the_low_end_keeps_520_hz_and_nothing_folds_back() -> None:
    for hz, least, most in ((50.0, -0.05, 0.05), (350.0, -0.2, 0.0), (510.0, -0.4, 0.0)):
        follower = TrackFollower(RATE_HZ, 1)
        follower.feed(tone(hz, 2.0, 1.0)[:, None])
        heard = follower.low_end()[300:-300]
        level = 20 * math.log10(heard.std() * math.sqrt(2.0))
        assert least <= level <= most
        # Three boxcars of 8 samples, from 48 to 6 kHz; the low-pass after them is flat to here.
        boxcar = math.sin(math.pi * 8 * hz / RATE_HZ) / math.sin(math.pi * hz / RATE_HZ) / 8
        assert level == pytest.approx(60 * math.log10(boxcar), abs=0.02)
    for hz in (990.0, 1450.0, 3050.0, 5500.0, 5950.0, 6050.0, 11950.0, 18010.0):
        follower = TrackFollower(RATE_HZ, 1)
        follower.feed(tone(hz, 2.0, 1.0)[:, None])
        assert follower.low_end()[300:-300].std() < db(-60.0)


def test_cells_add_up_to_the_signal() -> None:
    rng = np.random.default_rng(42)
    block = rng.standard_normal((44100 * 2, 2))
    follower = TrackFollower(44100, 2)
    follower.feed(block)
    cells, sums = follower.cells(), follower.sums()
    middle = block.mean(axis=1)
    assert len(cells) == 200
    assert cells[:, PLAIN].sum() == pytest.approx((middle**2).sum())
    assert cells[:, STEEP].sum() == pytest.approx((np.diff(middle, prepend=0.0) ** 2).sum())
    np.testing.assert_allclose(
        [sums.left, sums.right, sums.product, sums.difference],
        [(block[:, 0] ** 2).sum(), (block[:, 1] ** 2).sum(), block[:, 0] @ block[:, 1],
         (np.diff(block, axis=1) ** 2).sum()],
    )  # fmt: skip


def test_the_digest_knows_a_single_step() -> None:
    signal = np.round(CLEAN["drums"][:, None] * 2**23) / 2**23
    digests = set()
    for change in (None, (0, 1e-7), (-1, 1e-7), (123_457, 2.0**-23)):
        follower = TrackFollower(RATE_HZ, 1)
        changed = signal.copy()
        if change is not None:
            changed[change[0]] += change[1]
        follower.feed(changed)
        digests.add(follower.features().digest)
    upside_down = TrackFollower(RATE_HZ, 1)
    upside_down.feed(-signal)
    assert len(digests | {upside_down.features().digest}) == 5
