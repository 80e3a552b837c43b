"""Sample rates: one range that is read, everything works inside it, and others are refused.

Headers are written by hand where they lie: 2,147,483,647 Hz is what 31 bits hold, 655,350 Hz the
highest of FLAC (RFC 9639, section 9.1.2).
"""

from __future__ import annotations

import contextlib
import json
import struct
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import mixwright
from mixwright.audio import StemReader, probe
from mixwright.audio.probe import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from mixwright.audio.read import LARGEST_SAMPLE
from mixwright.cli import run
from mixwright.dsp.filters import k_weighting
from mixwright.meters.loudness import LoudnessMeter
from mixwright.problem import ProblemError
from mixwright.sheet.schema import schema_path
from resampling_measures import tone_response

REFUSED_HZ = [1, 3, 50, 3999, 768001, 2**31 - 1]
READ_HZ = [
    4000,
    8000,
    8001,
    11025,
    22050,
    44056,
    44101,
    47952,
    96000,
    192000,
    384000,
    655350,
    705600,
    767999,
    768000,
]
LARGEST_HEADER = 2**31 - 1


def wav(path: Path, rate_hz: int, frames: int, channels: int = 1, seed: int = 1) -> Path:
    """Write a 16-bit WAV file by hand: the header says what it is told to say."""
    path.parent.mkdir(exist_ok=True)
    samples = np.random.default_rng(seed).integers(-9000, 9000, (frames, channels))
    data = samples.astype("<i2").tobytes()
    form = struct.pack(
        "<HHIIHH", 1, channels, rate_hz, 2 * rate_hz * channels % 2**32, 2 * channels, 16
    )
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form
    body += b"data" + struct.pack("<I", len(data)) + data
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    return path


def sheet(folder: Path, rest: str = "", track: str = "{file: stems/a.wav}") -> Path:
    """A sheet over one file, its section the whole song."""
    path = folder / "mix.yaml"
    path.write_text(
        "format: 1\n"
        "song: {title: T, sample_rate_hz: 48000, sections: [{name: all, bar: 1}]}\n"
        f"tracks:\n  a: {track}\n{rest}",
        "utf-8",
    )
    return path


# ---- the range ----


def test_the_range_is_what_the_meters_and_songs_need() -> None:
    """K-weighting is stable inside it, and not far under it: its shelf lies at 1,682 Hz."""

    def largest_pole(rate_hz: int) -> float:
        return max(abs(np.roots([1.0, *row[3:]])).max() for row in k_weighting(rate_hz))

    assert largest_pole(LOWEST_RATE_HZ) < 1.0 > largest_pole(HIGHEST_RATE_HZ)
    assert largest_pole(3300) > 1.0
    schema = json.loads(schema_path().read_text("utf-8"))
    songs = schema["properties"]["song"]["properties"]["sample_rate_hz"]["enum"]
    assert all(LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ for rate_hz in songs)
    assert set(songs) <= {44100, 48000, 88200, 96000, 176400, 192000}


@pytest.mark.parametrize("rate_hz", REFUSED_HZ)
def test_other_rates_are_refused_wherever_a_file_is_named(
    tmp_path: Path, rate_hz: int, capsys: pytest.CaptureFixture[str]
) -> None:
    bad, good = wav(tmp_path / "stems" / "a.wav", rate_hz, 3000), tmp_path / "good" / "b.wav"
    wav(good, 48000, 48000)
    expected = (
        f"a.wav has a sample rate of {rate_hz} Hz, expected 4000 to 768000 Hz "
        "(help: export it again at the rate it was recorded at, such as 48000 Hz)"
    )
    plain = sheet(tmp_path)
    for words in (["measure", str(bad)], ["inspect", str(tmp_path / "stems")]):
        assert run(words) == 2
        assert f"error: {expected}" in capsys.readouterr().err
    for verb in ("inspect", "measure", "check", "render", "deliver"):
        assert run([verb, str(plain)]) == 2, verb
        assert f"mix.yaml:4:13: error: {expected}" in capsys.readouterr().err, verb
    assert run(["compare", str(plain), str(plain)]) == 2
    assert expected in capsys.readouterr().err

    wav(tmp_path / "rooms" / "a.wav", rate_hz, 3000)
    room = "returns:\n  hall: {type: reverb, impulse: rooms/a.wav}\n"
    assert run(["render", str(sheet(tmp_path, room, "{file: good/b.wav}"))]) == 2
    assert f"mix.yaml:6:33: error: {expected}" in capsys.readouterr().err
    named = "references: [{file: stems/a.wav}]\n"
    path = sheet(tmp_path, named, "{file: good/b.wav}")
    assert run(["measure", str(path), "--against-references"]) == 2
    assert f"mix.yaml:5:21: error: {expected}" in capsys.readouterr().err
    assert not (tmp_path / "out").exists() or not list((tmp_path / "out").iterdir())


def test_one_file_of_another_rate_does_not_keep_a_folder_from_being_inspected(
    tmp_path: Path,
) -> None:
    wav(tmp_path / "a.wav", 50, 3000)
    wav(tmp_path / "b.wav", 48000, 4800)
    found = mixwright.inspect(tmp_path)
    assert [stem.name for stem in found.stems] == ["b.wav"]
    assert [(one.track, one.kind, one.message) for one in found.findings] == [
        ("a.wav", "unreadable", "has a sample rate of 50 Hz, expected 4000 to 768000 Hz")
    ]


# ---- everything inside the range ----


@pytest.mark.parametrize("rate_hz", READ_HZ)
def test_every_rate_inside_is_inspected_measured_and_rendered(tmp_path: Path, rate_hz: int) -> None:
    wav(tmp_path / "stems" / "a.wav", rate_hz, rate_hz, channels=2)
    wav(tmp_path / "stems" / "b.wav", rate_hz, rate_hz, channels=1, seed=2)
    level = mixwright.measure(tmp_path / "stems" / "a.wav").whole.sound
    assert level.seconds == pytest.approx(1.0, abs=1e-4)
    # Noise of equal steps over ±9,000 of 32,768.
    assert level.rms_dbfs == pytest.approx(-16.0, abs=0.2)
    assert len(mixwright.inspect(tmp_path / "stems").stems) == 2
    path = sheet(tmp_path, "  b: {file: stems/b.wav}\n")
    assert len(mixwright.inspect(path).stems) == 2
    done = mixwright.render(path, tmp_path / "out.wav", section="all", format="wav32f")
    assert done.readings.mix.seconds == pytest.approx(1.0, abs=0.01)
    assert soundfile.info(tmp_path / "out.wav").frames >= 48000


def test_flac_at_its_highest_rate(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).standard_normal(3000) * 0.1
    soundfile.write(tmp_path / "a.flac", samples, 655350, subtype="PCM_24")
    assert mixwright.measure(tmp_path / "a.flac").rate_hz == 655350


@pytest.mark.parametrize("frames", [0, 1, 10])
@pytest.mark.parametrize("rate_hz", [4000, 767999, 768000])
def test_hardly_any_frames(tmp_path: Path, rate_hz: int, frames: int) -> None:
    path = wav(tmp_path / "stems" / "a.wav", rate_hz, frames)
    song = sheet(tmp_path)
    asked: list[Callable[[], Any]] = [
        lambda: mixwright.measure(path),
        lambda: mixwright.inspect(tmp_path / "stems"),
        lambda: mixwright.inspect(song),
        lambda: mixwright.render(song, tmp_path / "out.wav", section="all"),
        lambda: mixwright.check(song),
    ]
    for ask in asked:
        if frames:
            ask()
        else:
            with pytest.raises(ProblemError, match=r"a.wav holds no samples, expected sound"):
                ask()


# ---- conversion ----


@pytest.mark.parametrize(
    ("from_hz", "to_hz", "hz"),
    [
        (4000, 48000, [20, 100, 1000, 1700]),
        (8001, 44100, [20, 100, 1000, 3500]),
        (44101, 48000, [20, 1000, 10000, 19000]),
        (767999, 48000, [20, 1000, 10000, 20000]),
        (768000, 192000, [20, 1000, 20000]),
    ],
)
def test_odd_rates_keep_level_and_place(
    tmp_path: Path, from_hz: int, to_hz: int, hz: list[int]
) -> None:
    gain_db, delay = tone_response(tmp_path, hz, from_hz, to_hz)
    assert np.abs(gain_db).max() < 0.01
    assert np.abs(delay).max() < 0.001


def test_odd_rates_take_no_more_memory(tmp_path: Path) -> None:
    """The converter is fed in pieces, however long the silence before the sound is."""

    def most_bytes(rate_hz: int) -> int:
        path = wav(tmp_path / f"{rate_hz}.wav", rate_hz, 100, channels=2)
        tracemalloc.start()
        with contextlib.closing(StemReader(probe(path), 48000)) as reader:
            reader.read(np.empty((100, 2)))
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return peak

    usual = most_bytes(44100)
    assert most_bytes(767999) < usual + 2_000_000


# ---- samples that are none ----


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
@pytest.mark.parametrize("value", [3e12, -1e30, np.inf, np.nan])
def test_values_that_are_no_sound_are_refused(tmp_path: Path, subtype: str, value: float) -> None:
    samples: NDArray[np.float64] = np.full((100, 2), 0.1)
    samples[41, 1] = value
    soundfile.write(tmp_path / "a.wav", samples, 48000, subtype=subtype)
    held = f"the value {value:.3g}" if np.isfinite(value) else "a NaN or infinity"
    with pytest.raises(ProblemError, match="at sample 41, expected") as caught:
        mixwright.measure(tmp_path / "a.wav")
    assert f"a.wav holds {held} at sample 41" in str(caught.value)
    samples[41, 1] = LARGEST_SAMPLE
    soundfile.write(tmp_path / "a.wav", samples, 48000, subtype="DOUBLE")
    assert mixwright.measure(tmp_path / "a.wav").whole.sound.sample_peak_dbfs == 240.0
    assert mixwright.inspect(tmp_path).stems[0].sound.sample_peak_dbfs == 240.0


def test_loudness_after_a_long_silence_is_that_of_the_sound() -> None:
    """And what rings on in the filters is gone: the smallest numbers are slow to work with."""
    meter = LoudnessMeter(48000, 1)
    meter.feed(np.random.default_rng(1).standard_normal((48000, 1)) * 0.1)
    before = meter.integrated_lufs
    for _ in range(20):
        meter.feed(np.zeros((48000, 1)))
    assert meter.integrated_lufs == pytest.approx(before, abs=1.0)
    assert not meter.hops()[-10:].any()


# ---- at random ----

ANY_RATE_HZ = st.one_of(
    st.floats(0.0, np.log(LARGEST_HEADER)).map(lambda power: int(np.exp(power))),
    st.integers(LOWEST_RATE_HZ, HIGHEST_RATE_HZ),
    st.sampled_from([*REFUSED_HZ, *READ_HZ]),
)


@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    files=st.lists(
        st.tuples(ANY_RATE_HZ, st.one_of(st.integers(0, 12), st.integers(0, 20000))),
        min_size=1,
        max_size=3,
    ),
    channels=st.integers(1, 2),
)
def test_any_rate_has_an_answer(
    tmp_path_factory: pytest.TempPathFactory, files: list[tuple[int, int]], channels: int
) -> None:
    folder = tmp_path_factory.mktemp("rates")
    read = []
    for index, (rate_hz, frames) in enumerate(files):
        path = wav(folder / f"{index}.wav", rate_hz, frames, channels, index)
        if LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ and frames:
            read.append(path.name)
            assert probe(path).rate_hz == rate_hz
            assert mixwright.measure(path).whole.sound.seconds == frames / rate_hz
        else:
            with pytest.raises(ProblemError):
                mixwright.measure(path)
    try:
        found = mixwright.inspect(folder)
    except ProblemError:
        assert read == []
    else:
        assert [stem.name for stem in found.stems] == read
