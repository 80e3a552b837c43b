"""Tracks that have little in common: one over before another begins, one cell long, silent.

Folders of loops and single hits are what a producer hands over, and every detector has to have an
answer for them. The choice of pairs and places is held against sums written out cell by cell.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import mixwright
from mixwright.faults.candidates import (
    FAINTEST,
    beginnings,
    onsets,
    shifted,
    spread_windows,
    together,
    windows,
)
from mixwright.faults.findings import Duplicate, Finding, Late, TrackName
from mixwright.faults.follow import CELLS_PER_S, Features
from mixwright.faults.hum import SteadyLine, mains_lines
from mixwright.faults.pairs import inspect_pairs
from mixwright.faults.stereo import StereoSums, stereo_finding
from mixwright.faults.track import FaultMeter
from mixwright.measuring.intake import Inspected, faults_of_stems, stems_of_folder

Signal = NDArray[np.float64]

FOLDERS = settings(
    max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


# ---- the choice of pairs and places ----


def features_of(energies: list[int]) -> Features:
    """Features of a track whose cells hold these energies, brighter where they change."""
    plain = np.array(energies, dtype=np.float32)
    steep = np.abs(np.diff(plain, prepend=np.float32(0.0)))
    return Features(len(energies) / CELLS_PER_S, plain, steep, digest=repr(energies))


def beats(length: int, period: int, first: int) -> list[int]:
    """A loop: a hit of two cells every so many."""
    return [9 if (at - first) % period < 2 and at >= first else 0 for at in range(length)]


LENGTHS = st.one_of(st.integers(0, 5), st.integers(0, 450))
CELLS = st.one_of(
    st.builds(beats, LENGTHS, st.sampled_from([1, 7, 25, 50, 130]), st.integers(0, 120)),
    st.lists(st.integers(0, 3), max_size=130),
    st.builds(lambda count: [0] * count, LENGTHS),
)
SHIFTS = st.one_of(st.integers(-5, 5), st.integers(-1000, 1000))


def sums_by_second(
    first: Features, second: Features, shift: int
) -> tuple[list[float], list[float]]:
    """What both tracks hold in each second of the first, cell by cell."""
    seconds = math.ceil(len(first.plain) / CELLS_PER_S)
    own, other = [0.0] * seconds, [0.0] * seconds
    for at in range(seconds * CELLS_PER_S):
        if at < len(first.plain):
            own[at // CELLS_PER_S] += float(first.plain[at])
        if 0 <= at + shift < len(second.plain):
            other[at // CELLS_PER_S] += float(second.plain[at + shift])
    return own, other


@given(first=CELLS, second=CELLS, shift=SHIFTS, count=st.integers(1, 12))
def test_places_are_those_in_which_both_sound(
    first: list[int], second: list[int], shift: int, count: int
) -> None:
    pair = features_of(first), features_of(second)
    own, other = sums_by_second(*pair, shift)
    both = [math.sqrt(a * b) for a, b in zip(own, other, strict=True)]
    order = sorted(range(len(both)), key=lambda at: -both[at])[:count]
    expected = [float(at) for at in order if both[at] > FAINTEST * max(both)]
    assert windows(*pair, shift / CELLS_PER_S, count) == expected

    loudest = [max(*levels, 1e-30) for levels in ([*own, 0.0], [*other, 0.0])]
    sounding = [
        float(at)
        for at in range(len(own))
        if max(own[at] / loudest[0], other[at] / loudest[1]) > FAINTEST
    ]
    spread = spread_windows(*pair, shift / CELLS_PER_S, count)
    assert len(spread) == min(count, len(sounding))
    assert set(spread) <= set(sounding)
    if count >= len(sounding):
        assert spread == sounding


@pytest.mark.parametrize(
    ("first", "second", "shift", "places"),
    [
        (50, 300, -250, []),  # the second is over, in the time of the first, before it begins
        (50, 300, 250, [0.0]),
        (300, 50, -250, [2.0]),  # it begins in the last second of the first
        (300, 50, -400, []),
        (300, 50, 60, []),
        (1, 1, 0, [0.0]),
        (1, 1, 1, []),
        (0, 300, 0, []),
        (300, 0, 0, []),
    ],
)
def test_tracks_of_other_lengths(first: int, second: int, shift: int, places: list[float]) -> None:
    pair = features_of([1] * first), features_of([1] * second)
    assert windows(*pair, shift / CELLS_PER_S, 20) == places


@given(tracks=st.lists(CELLS, max_size=5))
def test_any_tracks_have_pairs_or_none(tracks: list[list[int]]) -> None:
    begins = {name: onsets(features_of(cells)) for name, cells in enumerate(tracks)}
    for pair in (*together(begins), *shifted(begins)):
        assert pair.first != pair.second
        assert 0.0 < pair.together <= 1.001
        places = windows(
            features_of(tracks[int(pair.first)]),
            features_of(tracks[int(pair.second)]),
            pair.shift_s,
            20,
        )
        assert all(0.0 <= at < len(tracks[int(pair.first)]) / CELLS_PER_S for at in places)
    for own in begins.values():
        for other in begins.values():
            shorter = min(own.shape[1], other.shape[1]) / CELLS_PER_S
            assert all(0.0 <= at < shorter for at in beginnings(own, other, 30))


# ---- the sound of pairs ----

RATE_HZ = 8000


def hit(seed: int, frames: int, rate_hz: int = RATE_HZ) -> Signal:
    """A burst that dies away."""
    fall = np.exp(-np.arange(frames) / (0.03 * rate_hz))
    return np.asarray(0.3 * np.random.default_rng(seed).standard_normal(frames) * fall)


def loop(seed: int, frames: int, period_s: float, rate_hz: int = RATE_HZ) -> Signal:
    """The same burst again and again."""
    period = max(1, round(period_s * rate_hz))
    return np.resize(hit(seed, min(period, frames), rate_hz), frames)


def inspected(tracks: dict[TrackName, Signal], rate_hz: int, **asked: Any) -> tuple[Finding, ...]:
    """The findings between signals ``(frames,)``."""

    def read(track: TrackName, start_s: float, length_s: float) -> Signal:
        start = round(start_s * rate_hz)
        return tracks[track][start : start + round(length_s * rate_hz), None]

    kept = {}
    for name, signal in tracks.items():
        meter = FaultMeter(rate_hz, 1)
        meter.feed(signal[:, None])
        kept[name] = meter.features()
    return inspect_pairs(kept, read, rate_hz, **asked)


FRAMES = st.one_of(st.integers(0, 3), st.integers(0, RATE_HZ), st.integers(0, 4 * RATE_HZ))
SOUNDS = st.one_of(
    st.builds(hit, st.integers(0, 3), FRAMES),
    st.builds(loop, st.integers(0, 3), FRAMES, st.sampled_from([0.1, 0.25, 0.3, 0.5])),
    st.builds(np.zeros, FRAMES),
)


@settings(max_examples=60)
@given(
    sounds=st.lists(SOUNDS, min_size=1, max_size=4),
    shift=st.integers(-2 * RATE_HZ, 2 * RATE_HZ),
    gain=st.sampled_from([1.0, -1.0, 0.25, -0.1]),
)
def test_pairs_of_any_lengths_are_compared(sounds: list[Signal], shift: int, gain: float) -> None:
    moved = np.concatenate([np.zeros(max(shift, 0)), gain * sounds[0][max(-shift, 0) :]])
    tracks: dict[TrackName, Signal] = dict(enumerate([*sounds, moved]))
    told = set()
    for finding in inspected(tracks, RATE_HZ):
        assert (finding.track, finding.kind) not in told
        told.add((finding.track, finding.kind))
        assert tracks[finding.track].any()
        assert finding.track != getattr(finding, "partner", None)


def test_delays_are_told_in_the_samples_that_are_asked_for() -> None:
    source = np.random.default_rng(1).standard_normal(6 * RATE_HZ) * 0.1
    source *= np.resize(np.repeat([1.0, 0.0, 1.0, 1.0, 0.0], 1000), len(source))
    noise = np.random.default_rng(2).standard_normal(len(source)) * 1e-3
    tracks: dict[TrackName, Signal] = {"near": source, "far": np.roll(source, 40) + noise}
    (own,) = (one for one in inspected(tracks, RATE_HZ) if isinstance(one, Late))
    (told,) = (
        one for one in inspected(tracks, RATE_HZ, told_hz=6 * RATE_HZ) if isinstance(one, Late)
    )
    assert own.late_samples == pytest.approx(40.0, abs=0.1)
    assert told.late_samples == pytest.approx(240.0, abs=0.6)
    assert told.late_ms == own.late_ms == pytest.approx(5.0, abs=0.02)
    assert "(240." in told.message or "(239." in told.message


# ---- folders ----

RATES_HZ = (8000, 11025, 44100, 48000)
SECONDS = st.one_of(st.just(0.0), st.floats(0.0, 0.05), st.floats(0.0, 4.0))
FILES = st.fixed_dictionaries(
    {
        "kind": st.sampled_from(["loop", "loop", "hit", "hit", "silence", "again"]),
        "seed": st.integers(0, 2),
        "seconds": SECONDS,
        "period_s": st.sampled_from([0.1, 0.25, 0.3, 0.5]),
        "later_s": st.sampled_from([0.0, 0.02, 0.3, 1.0, 2.5]),
        "gain": st.sampled_from([1.0, -1.0, 0.5, -0.25]),
        "rate_hz": st.sampled_from([None, None, None, *RATES_HZ]),
        "channels": st.sampled_from([1, 1, 2]),
        "side": st.sampled_from([1.0, -1.0, 0.0]),
    }
)


def written(folder: Path, name: str, made: dict[str, Any], rate_hz: int, before: Signal) -> Signal:
    """Write one file of a folder and return its samples, shape ``(frames,)``."""
    frames = max(1, round(made["seconds"] * rate_hz))
    if made["kind"] == "again":
        samples = before
    elif made["kind"] == "silence":
        samples = np.zeros(frames)
    elif made["kind"] == "hit":
        samples = hit(made["seed"], frames, rate_hz)
    else:
        samples = loop(made["seed"], frames, made["period_s"], rate_hz)
    samples = np.concatenate([np.zeros(round(made["later_s"] * rate_hz)), samples]) * made["gain"]
    sides = np.column_stack([samples, made["side"] * samples])[:, : made["channels"]]
    soundfile.write(folder / name, sides, rate_hz, subtype="PCM_24")
    return np.asarray(samples)


def told_of(found: Inspected) -> list[tuple[str, str]]:
    return [(str(one.track), one.message) for one in found.findings]


@FOLDERS
@given(files=st.lists(FILES, min_size=1, max_size=6), rate_hz=st.sampled_from(RATES_HZ))
def test_folders_of_loops_and_single_hits(
    tmp_path_factory: pytest.TempPathFactory, files: list[dict[str, Any]], rate_hz: int
) -> None:
    folder = tmp_path_factory.mktemp("folder")
    samples: Signal = np.full(1, 0.5)
    for index, made in enumerate(files):
        samples = written(folder, f"{index}.wav", made, made["rate_hz"] or rate_hz, samples)
    found = mixwright.inspect(folder)
    assert [stem.name for stem in found.stems] == [f"{index}.wav" for index in range(len(files))]
    stems, unreadable = stems_of_folder(folder)
    assert unreadable == []
    # Both ways of asking hear the same, and so does what was kept of the first.
    rates = [stem.info.rate_hz for stem in stems]
    commonest = max(set(rates), key=rates.count)
    assert told_of(faults_of_stems(folder, stems, commonest)) == told_of(found)
    assert told_of(faults_of_stems(folder, stems, commonest)) == told_of(found)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (("hit", 1, 0.55, 0.25, 0.02), ("loop", 2, 0.46, 0.1, 1.0)),
        (("loop", 2, 1.28, 0.1, 0.02), ("loop", 1, 0.6, 0.5, 2.5)),
        (("loop", 1, 0.08, 0.1, 0.3), ("hit", 1, 0.97, 0.3, 2.5)),
    ],
)
def test_a_track_that_is_over_before_the_other_begins(
    tmp_path: Path, first: tuple[Any, ...], second: tuple[Any, ...]
) -> None:
    """The shift at which both would begin together lies further back than the first is long."""
    for index, one in enumerate((first, second)):
        made = dict(zip(("kind", "seed", "seconds", "period_s", "later_s"), one, strict=True))
        made |= {"gain": 1.0, "channels": 1, "side": 1.0}
        written(tmp_path, f"{index}.wav", made, 8000, np.zeros(0))
    assert len(mixwright.inspect(tmp_path).stems) == 2


def test_a_copy_is_told_among_loops_and_hits(tmp_path: Path) -> None:
    """That every folder has an answer must not mean that nothing is found."""
    sound = np.random.default_rng(5).standard_normal(3 * 48000) * 0.1
    soundfile.write(tmp_path / "a.wav", sound, 48000, subtype="PCM_24")
    soundfile.write(tmp_path / "b.wav", -0.5 * sound, 48000, subtype="DOUBLE")
    soundfile.write(tmp_path / "c.wav", hit(1, 480, 48000), 48000, subtype="PCM_24")
    found = [one for one in mixwright.inspect(tmp_path).findings if isinstance(one, Duplicate)]
    assert [(one.track, one.partner, one.inverted) for one in found] == [("b.wav", "a.wav", True)]
    assert found[0].gain_db == pytest.approx(-6.02, abs=0.01)


# ---- the faintest sounds ----


def test_the_faintest_sounds_divide_by_no_zero() -> None:
    """Energies whose product is less than the smallest number there is."""
    faint = StereoSums(left=1e-180, right=1e-180, product=-1e-180, difference=4e-180)
    found = stereo_finding("pad", faint, 48000)
    assert found is not None
    assert "upside down" in found.message
    assert (
        mains_lines([SteadyLine(50.0, 0.0, 20.0, 0.0), SteadyLine(100.0, 0.0, 20.0, 0.0)]) is None
    )
