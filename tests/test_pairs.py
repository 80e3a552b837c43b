"""Faults between tracks: one source in two microphones is told from two things played together."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from made_once import MadeOnce
from mixwright.dsp.band import BandSettings
from mixwright.dsp.filters import design_bands
from mixwright.faults.alignment import CrossSpectra, Delay
from mixwright.faults.candidates import windows
from mixwright.faults.findings import Duplicate, Finding, Late, Opposed, TrackName
from mixwright.faults.follow import Features, TrackFollower
from mixwright.faults.pairs import inspect_pairs

Signal = NDArray[np.float64]

RATE_HZ = 48000


def db(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))


def seconds(length: float) -> Signal:
    return np.arange(round(length * RATE_HZ)) / RATE_HZ


def noise(length: float, seed: int, level: float = 1.0) -> Signal:
    return np.random.default_rng(seed).standard_normal(round(length * RATE_HZ)) * level


def delayed(signal: Signal, samples: float) -> Signal:
    """A signal later by any part of a sample: a turn of the phase over the whole band."""
    size = 2 ** math.ceil(math.log2(len(signal) + 4000))
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) * samples / size)
    return np.asarray(np.fft.irfft(np.fft.rfft(signal, size) * turn, size)[: len(signal)])


def equalised(signal: Signal, *bands: BandSettings) -> Signal:
    sections = np.insert(design_bands(bands, RATE_HZ), 3, 1.0, axis=1)
    return np.asarray(scipy.signal.sosfilt(sections, signal))


BRIGHT = BandSettings("high_shelf", 6000.0, gain_db=6.0)
CLEANED = BandSettings("high_pass", 80.0, slope_db_per_oct=12)
NASAL = BandSettings("bell", 2500.0, gain_db=8.0, q=1.0)
THIN = BandSettings("low_shelf", 200.0, gain_db=-8.0)


def features(signal: Signal) -> Features:
    block = np.ascontiguousarray(signal.reshape(len(signal), -1))
    follower = TrackFollower(RATE_HZ, block.shape[1])
    follower.feed(block)
    return follower.features()


def inspected(tracks: dict[TrackName, Signal]) -> tuple[Finding, ...]:
    def read(track: TrackName, start_s: float, length_s: float) -> Signal:
        start = round(start_s * RATE_HZ)
        return tracks[track].reshape(len(tracks[track]), -1)[
            start : start + round(length_s * RATE_HZ)
        ]

    kept = {name: features(signal) for name, signal in tracks.items()}
    return inspect_pairs(kept, read, RATE_HZ)


# ---- material ----


def moments(length: float, seed: int, beat_s: float = 0.3) -> Signal:
    """When something is played: most beats of a grid, in s."""
    rng = np.random.default_rng(seed)
    beats = np.arange(0.2, length - 1.0, beat_s)
    return beats[rng.random(len(beats)) < 0.7]


def hits(length: float, when: Signal, make: Callable[[int], Signal]) -> Signal:
    out = np.zeros(round(length * RATE_HZ))
    for index, at in enumerate(when):
        start, sound = max(0, round(at * RATE_HZ)), make(index)
        part = sound[: len(out) - start]
        out[start : start + len(part)] += part
    return out


def loose(when: Signal, seed: int, s: float) -> Signal:
    return when + np.random.default_rng(seed).normal(0.0, s, len(when))


def snare(seed: int, hz: float = 192.0) -> Signal:
    t = seconds(0.3)
    skin = np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.06)
    return 0.3 * (skin + 0.5 * noise(0.3, seed) * np.exp(-t / 0.05))


def kick(hz: float = 46.0) -> Signal:
    t = seconds(0.3)
    return (
        0.5
        * np.sin(2 * np.pi * np.cumsum(hz + 120 * np.exp(-t / 0.03)) / RATE_HZ)
        * np.exp(-t / 0.1)
    )


def note(hz: float, length: float, seed: int) -> Signal:
    rng = np.random.default_rng(seed)
    t = seconds(length)
    wave = sum(
        np.sin(2 * np.pi * hz * k * t + rng.uniform(0.0, 6.28)) / k**1.5 for k in range(1, 20)
    )
    return np.asarray(wave * np.exp(-2.0 * t) * np.minimum(1.0, t / 0.003) * 0.1)


def guitar(length: float, seed: int, take: int) -> Signal:
    """A take of a guitar part: the notes are those of `seed`, hand and tuning those of `take`."""
    rng = np.random.default_rng([seed, take])
    when = moments(length, seed)
    pitches = np.random.default_rng(seed).choice([110.0, 147.0, 165.0, 220.0, 262.0], len(when))
    cents = rng.normal(0.0, 4.0, len(when))
    return hits(
        length,
        loose(when, seed * 100 + take, 0.012),
        lambda n: note(float(pitches[n] * 2 ** (cents[n] / 1200)), 0.5, int(rng.integers(1 << 30))),
    )


def speech(length: float, seed: int) -> Signal:
    rng = np.random.default_rng(seed)
    t = seconds(length)
    pitch = 130.0 * (1 + 0.1 * np.sin(2 * np.pi * 0.7 * t + seed) + 0.05 * np.sin(2 * t + seed))
    voice = scipy.signal.sawtooth(2 * np.pi * np.cumsum(pitch) / RATE_HZ) + noise(length, seed, 0.1)
    for hz in (500.0, 1500.0, 2500.0):
        voice = voice + 3.0 * scipy.signal.lfilter(*scipy.signal.iirpeak(hz, 8.0, RATE_HZ), voice)
    syllables = np.interp(t, np.arange(400) * 0.12, np.clip(rng.normal(0.3, 0.5, 400), 0.0, 1.0))
    return np.asarray(voice * syllables * 0.05)


SOURCES = MadeOnce[Signal](
    {
        "speech": lambda: speech(10.0, 1),
        "guitar": lambda: guitar(10.0, 2, 1),
        "drums": lambda: hits(10.0, moments(10.0, 3), lambda n: snare(n) if n % 2 else kick()),
        "bass": lambda: hits(
            10.0, moments(10.0, 4), lambda n: note([41.2, 49.0, 55.0][n % 3], 0.3, n)
        ),
    }
)


# ---- delays ----


def delay_of(first: Signal, second: Signal) -> Delay:
    spectra = CrossSpectra(RATE_HZ)
    for start in range(0, len(first) - RATE_HZ + 1, RATE_HZ):
        spectra.feed(first[start : start + RATE_HZ], second[start : start + RATE_HZ])
    found = spectra.delay()
    assert found is not None
    return found


@pytest.mark.parametrize(
    "bands", [(), (BRIGHT,), (CLEANED,), (NASAL,), (THIN,), (THIN, BRIGHT, NASAL)]
)
@pytest.mark.parametrize("samples", [0.0, 3.37, -211.5, 707.7])
def test_delays_to_a_twentieth_of_a_sample(bands: tuple[BandSettings, ...], samples: float) -> None:
    # Knapp and Carter's phase transform against delays that are known, noise 20 dB down on both.
    source = np.asarray(scipy.signal.lfilter([1.0], [1.0, -0.95], noise(8.0, 10)))
    source /= source.std()
    first = equalised(source, NASAL) + noise(8.0, 11, db(-20.0))
    second = -0.4 * (equalised(delayed(source, samples), NASAL, *bands) + noise(8.0, 12, db(-20.0)))
    found = delay_of(first, second)
    assert found.samples == pytest.approx(samples, abs=0.05)
    assert found.peak < -0.9
    assert found.peak < -3.0 * found.other


def test_the_delay_agrees_with_plain_correlation() -> None:
    first, second = SOURCES["guitar"], delayed(SOURCES["guitar"], 130.0)
    second = second + noise(10.0, 13, 1e-3)
    curve = scipy.signal.correlate(second, first, method="fft")
    lag = int(np.argmax(curve)) - (len(first) - 1)
    assert delay_of(first, second).samples == pytest.approx(lag, abs=0.5)


def test_what_is_shared_agrees_with_the_coherence_of_an_independent_library() -> None:
    # scipy.signal.coherence, averaged over frequency, for white noise with a common part.
    common, length = noise(20.0, 14), 20.0
    first, second = common + noise(length, 15, 0.7), 0.5 * common + noise(length, 16, 0.2)
    _, coherence = scipy.signal.coherence(first, second, RATE_HZ, nperseg=8192)
    found = delay_of(first, second)
    assert found.share == pytest.approx(math.sqrt(coherence.mean()), abs=0.02)
    assert found.residual == pytest.approx(1.0 - coherence.mean(), abs=0.02)
    assert found.gain == pytest.approx(0.5 / (1.0 + 0.7**2), abs=0.01)


def test_nothing_shared_is_nothing_found() -> None:
    spectra = CrossSpectra(RATE_HZ)
    assert spectra.delay() is None
    spectra.feed(np.zeros(RATE_HZ), np.zeros(RATE_HZ))
    assert spectra.delay() is None
    spectra = CrossSpectra(RATE_HZ)
    for seed in range(20):
        spectra.feed(noise(1.0, seed), noise(1.0, 100 + seed))
    assert spectra.delay() is None


# ---- two microphones on one source ----


@pytest.mark.parametrize("name", SOURCES)
@pytest.mark.parametrize(("sign", "samples"), [(1, 96.4), (-1, 0.0), (-1, -120.7)])
def test_two_microphones_on_one_source(name: str, sign: int, samples: float) -> None:
    source = SOURCES[name] / SOURCES[name].std() * 0.05
    room = db(-26.0) * 0.05
    near = source + noise(10.0, 20, room)
    far = 0.5 * sign * (equalised(delayed(source, samples), NASAL, BRIGHT) + noise(10.0, 21, room))
    found = {finding.kind: finding for finding in inspected({"near": near, "far": far})}
    assert set(found) == ({"polarity"} if sign < 0 else set()) | ({"late"} if samples else set())
    if sign < 0:
        opposed = found["polarity"]
        assert isinstance(opposed, Opposed)
        # Of two the quieter is told: which it is can't be heard.
        loud = float((near**2).sum()) < float((far**2).sum())
        assert (opposed.track, opposed.partner) == (("near", "far") if loud else ("far", "near"))
        assert opposed.severity == "fault"
        assert opposed.fix == "polarity: invert"
        turn = 1.0 if opposed.track == "far" else -1.0
        assert opposed.lag_ms == pytest.approx(turn * samples / 48.0, abs=0.05)
    if samples:
        late = found["late"]
        assert isinstance(late, Late)
        assert late.track == ("far" if samples > 0 else "near")
        # Under the noise of the room there is no telling an equaliser's delay from the air's.
        within = {"bass": 4.0, "guitar": 1.5}.get(name, 0.5)
        assert late.late_samples == pytest.approx(abs(samples), abs=within)
        assert late.late_ms == pytest.approx(late.late_samples / 48.0)
        assert late.distance_m == pytest.approx(0.343 * late.late_ms)
        if late.severity == "look":
            assert late.fix == f"offset_ms: {-late.late_ms:.2f}"


@pytest.mark.parametrize(("fall", "samples"), [(0.65, 19.0), (0.55, 0.0)])
def test_a_bottom_microphone_that_only_rings_along(fall: float, samples: float) -> None:
    # The wires make a noise of their own; only the skin is common, and upside down. Its pitch falls
    # in another way underneath, in the second case so that no delay fits.
    when = moments(16.0, 5)
    t = seconds(0.4)
    skin, under = (
        np.sin(2 * np.pi * (190.0 * t + turns * (1.0 - np.exp(-t / 0.012)))) * np.exp(-t / 0.06)
        for turns in (0.8, fall)
    )
    rattle = np.exp(-t / 0.08)
    top = hits(16.0, when, lambda n: 0.4 * skin + 0.1 * noise(0.4, n) * rattle)
    bottom = hits(16.0, when, lambda n: -0.2 * under + 0.2 * noise(0.4, 1000 + n) * rattle)
    found = [f for f in inspected({"top": top, "bottom": delayed(bottom, samples)}) if f.fix]
    assert [(f.kind, f.track, f.severity, f.fix) for f in found] == [
        ("polarity", "bottom", "look", "polarity: invert")
    ]
    assert not [f for f in inspected({"top": top, "bottom": delayed(-bottom, samples)}) if f.fix]


def test_the_one_upside_down_among_several_is_told() -> None:
    source = SOURCES["drums"]
    tracks: dict[TrackName, Signal] = {
        "quiet": 0.2 * source + noise(10.0, 30, 1e-3),
        "loud": -2.0 * equalised(source, NASAL) + noise(10.0, 31, 1e-3),
        "other": 0.7 * equalised(source, THIN) + noise(10.0, 32, 1e-3),
    }
    (found,) = inspected(tracks)
    assert isinstance(found, Opposed)
    assert found.track == "loud"


def test_overheads_are_late_and_left_where_they_are() -> None:
    when = moments(16.0, 6)
    close = hits(16.0, when, lambda n: snare(n) * (n % 2) + 0.02 * snare(500 + n))
    cymbals = hits(16.0, moments(16.0, 7, 0.45), lambda n: 0.015 * noise(0.5, n))
    overheads = np.column_stack(
        [delayed(0.6 * close, 141.0) + cymbals, delayed(0.5 * close, 141.0) + 0.8 * cymbals]
    )
    found = inspected({"snare": close, "overheads": overheads})
    (late,) = found
    assert isinstance(late, Late)
    assert (late.track, late.partner) == ("overheads", "snare")
    assert (late.severity, late.fix) == ("note", None)
    assert late.distance_m == pytest.approx(141.0 / 48000 * 343.0, abs=0.01)


# ---- what is merely played together ----


LONG_S = 14.0
WHEN, GRID = moments(LONG_S, 8), moments(LONG_S, 9)
BASS_HZ = [41.2, 49.0, 55.0, 61.7]
TWO_SOURCES = MadeOnce[tuple[Signal, Signal]](
    {
        "doubled guitars": lambda: (guitar(LONG_S, 11, 1), guitar(LONG_S, 11, 2)),
        "doubled voices": lambda: (speech(LONG_S, 3), speech(LONG_S, 4)),
        "kick and bass": lambda: (
            hits(LONG_S, WHEN, lambda n: kick()),
            hits(LONG_S, loose(WHEN, 2, 0.004), lambda n: note(BASS_HZ[n * 7 % 4], 0.3, n)),
        ),
        "kick and one bass note": lambda: (
            hits(LONG_S, WHEN, lambda n: kick()),
            hits(LONG_S, loose(WHEN, 3, 0.004), lambda n: note(49.0, 0.3, n)),
        ),
        "programmed kick and snare": lambda: (
            hits(LONG_S, GRID, lambda n: kick()),
            hits(LONG_S, GRID, lambda n: snare(1)),
        ),
        "layered snares": lambda: (
            hits(LONG_S, GRID, lambda n: snare(1, 180.0)),
            hits(LONG_S, GRID, lambda n: snare(2, 231.0)),
        ),
        "bass and guitar": lambda: (
            hits(LONG_S, WHEN, lambda n: note(BASS_HZ[n % 4], 0.3, n)),
            hits(LONG_S, loose(WHEN, 4, 0.006), lambda n: note(2 * BASS_HZ[n % 4], 0.3, 100 + n)),
        ),
        "two hums": lambda: (
            SOURCES["guitar"] + 0.002 * np.sin(2 * np.pi * 50.0 * seconds(10.0)),
            SOURCES["speech"] - 0.002 * np.sin(2 * np.pi * 50.0 * seconds(10.0)),
        ),
    }
)


@pytest.mark.parametrize("name", TWO_SOURCES)
def test_two_sources_are_not_one(name: str) -> None:
    first, second = (signal + noise(1.0, 40)[0] * 1e-9 for signal in TWO_SOURCES[name])
    assert inspected({"first": first, "second": second}) == ()


@pytest.mark.parametrize("shift_s", [-30.0, -3.1, 3.1, 30.0])
def test_tracks_shifted_past_one_another_have_nothing_in_common(shift_s: float) -> None:
    cells = {seconds: np.ones(round(100 * seconds), np.float32) for seconds in (2.4, 16.0)}
    short, long = (Features(seconds, ones, ones, "") for seconds, ones in cells.items())
    assert windows(short, long, shift_s, 4) == ([0.0, 1.0, 2.0] if shift_s == 3.1 else [])
    assert windows(short, short, shift_s, 4) == []


def test_silence_has_no_partner() -> None:
    tracks: dict[TrackName, Signal] = {
        "a": np.zeros(RATE_HZ),
        "b": np.zeros(RATE_HZ),
        "c": SOURCES["drums"],
        "d": np.zeros(3),
    }
    assert inspected(tracks) == ()
    assert inspected({}) == inspected({"a": SOURCES["bass"]}) == ()


# ---- duplicates ----


def padded(signal: Signal) -> Signal:
    return np.concatenate([np.zeros(2 * RATE_HZ), signal, np.zeros(2 * RATE_HZ)])


@pytest.mark.parametrize(
    ("name", "samples", "gain", "bits"),
    [
        ("speech", 0.0, 0.5, 24),
        ("bass", 0.0, -0.7, 16),
        ("drums", 5.5, 0.9, 24),
        ("guitar", 240.0, 1.1, 24),
        ("guitar", 48777.0, 0.6, 24),
        ("drums", 48777.0, -0.6, 24),
    ],
)
def test_duplicates(name: str, samples: float, gain: float, bits: int) -> None:
    original = padded(SOURCES[name]) * 2.0
    copy = np.concatenate([np.zeros(round(samples) // 2), original])
    copy = gain * delayed(copy, samples - round(samples) // 2)
    copy = np.round(copy * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)
    (found,) = inspected({"original": original, "copy": copy})
    assert isinstance(found, Duplicate)
    assert (found.track, found.partner) == ("copy", "original")
    assert found.gain_db == pytest.approx(20 * math.log10(abs(gain)), abs=0.02)
    assert found.late_ms == pytest.approx(samples / 48.0, abs=0.005)
    assert found.inverted == (gain < 0.0)
    assert found.residual_db < -34.0


def test_the_same_to_the_bit() -> None:
    mono = SOURCES["speech"]
    tracks: dict[TrackName, Signal] = {
        1: mono,
        2: SOURCES["guitar"],
        3: mono.copy(),
        4: np.column_stack([mono, mono]),
    }
    found = inspected(tracks)
    assert [(f.track, f.kind) for f in found] == [(3, "duplicate"), (4, "duplicate")]
    for one in found:
        assert isinstance(one, Duplicate)
        assert (one.partner, one.residual_db) == (1, None)


def test_one_chorus_in_common_is_no_duplicate() -> None:
    chorus = guitar(6.0, 20, 1)
    first = np.concatenate([guitar(6.0, 21, 1), chorus])
    second = np.concatenate([guitar(6.0, 22, 1), chorus])
    assert "duplicate" not in {finding.kind for finding in inspected({"a": first, "b": second})}


# ---- laws ----


def test_order_and_polarity_turn_what_is_found_and_nothing_else() -> None:
    near = SOURCES["guitar"] + noise(10.0, 50, 1e-4)
    far = delayed(equalised(SOURCES["guitar"], NASAL), 77.0) + noise(10.0, 51, 1e-4)
    one, other = delay_of(near, far), delay_of(far, near)
    assert one.samples == pytest.approx(-other.samples, abs=1e-6)
    turned = delay_of(near, -far)
    assert (turned.samples, turned.peak) == (one.samples, -one.peak)
    (late,) = inspected({"near": near, "far": far})
    (again,) = inspected({"far": -far, "near": -near})
    assert isinstance(late, Late)
    assert isinstance(again, Late)
    assert (late.track, late.partner) == (again.track, again.partner) == ("far", "near")


def test_a_read_that_ends_early_counts_as_silence() -> None:
    near = SOURCES["drums"]
    found = inspected({"near": near, "far": -0.5 * near[: 7 * RATE_HZ] + noise(7.0, 52, 1e-3)})
    assert [finding.kind for finding in found] == ["polarity"]


def test_findings_are_plain_data() -> None:
    source = SOURCES["speech"]
    found = inspected(
        {
            "a": source,
            "b": -0.5 * equalised(delayed(source, 60.0), NASAL) + noise(10.0, 53, 1e-4),
            "c": 0.3 * source,
        }
    )
    assert {finding.kind for finding in found} == {"polarity", "late", "duplicate"}
    for finding in found:
        json.dumps(dataclasses.asdict(finding))
        assert finding.message[0].islower()
