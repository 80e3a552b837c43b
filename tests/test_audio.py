"""Reading and writing sound files: every format, every fault; soxr and libsndfile as references."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from numpy.typing import NDArray

from conftest import noise
from mixwright.audio import (
    FORMATS,
    RENDER_FORMATS,
    MixFormat,
    Spool,
    StemReader,
    check_target,
    probe,
)
from mixwright.audio.encode import Encoding, encode
from mixwright.audio.read import ended_early
from mixwright.audio.staged import written_beside
from mixwright.problem import Fault, ProblemError


def written(
    path: Path, samples: NDArray[np.float64], subtype: str, container: str, rate_hz: int = 48000
) -> Path:
    soundfile.write(path, samples, rate_hz, subtype=subtype, format=container)
    return path


def read_all(
    path: Path, frames: int, rate_hz: int = 48000, offset: int = 0, start: int = 0, size: int = 1000
) -> NDArray[np.float64]:
    reader = StemReader(probe(path), rate_hz, offset, start)
    with contextlib.closing(reader):
        parts = [
            reader.read(np.full((min(size, frames - at), reader.channels), 9.0)).copy()
            for at in range(0, frames, size)
        ]
    return np.concatenate(parts)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(
    ("container", "subtype"),
    [
        ("WAV", "PCM_U8"),
        ("WAV", "PCM_16"),
        ("WAV", "PCM_24"),
        ("WAV", "PCM_32"),
        ("WAV", "FLOAT"),
        ("WAV", "DOUBLE"),
        ("WAVEX", "PCM_24"),
        ("RF64", "PCM_24"),
        ("RF64", "FLOAT"),
        ("AIFF", "PCM_16"),
        ("AIFF", "PCM_24"),
        ("FLAC", "PCM_16"),
        ("FLAC", "PCM_24"),
        ("OGG", "VORBIS"),
    ],
)
def test_every_format_reads_as_the_sound_library_does(
    tmp_path: Path, container: str, subtype: str, channels: int
) -> None:
    samples = np.random.default_rng(1).uniform(-1, 1, (5000, channels))
    path = written(tmp_path / "a.snd", samples, subtype, container)
    theirs = soundfile.read(path, always_2d=True)[0]
    assert np.array_equal(read_all(path, 5000), theirs)
    assert np.array_equal(read_all(path, 3000, start=1777, size=331), theirs[1777:4777])


def test_a_stem_is_surrounded_by_silence(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).uniform(-1, 1, (500, 1))
    path = written(tmp_path / "a.wav", samples, "DOUBLE", "WAV")
    out = read_all(path, 1500, offset=300, size=256)
    assert not out[:300].any()
    assert np.array_equal(out[300:800], samples)
    assert not out[800:].any()
    early = read_all(path, 800, offset=-100)
    assert np.array_equal(early[:400], samples[100:])


@pytest.mark.parametrize("rate_hz", [44100, 96000, 22050])
def test_other_rates_are_converted_by_soxr(tmp_path: Path, rate_hz: int) -> None:
    samples = np.random.default_rng(2).standard_normal((rate_hz, 2)) * 0.2
    samples[: rate_hz // 100] = 0.0  # at once into full sound, its own first samples are wrong
    path = written(tmp_path / "a.wav", samples, "DOUBLE", "WAV", rate_hz)
    whole = soxr.resample(samples, rate_hz, 48000, quality="VHQ")
    ours = read_all(path, 48000, size=4096)
    assert ours == pytest.approx(whole[:48000], abs=1e-9)
    later = read_all(path, 4000, start=40000)
    assert later == pytest.approx(ours[40000:44000], abs=1e-6)


def test_a_converted_tone_keeps_its_level_and_place(tmp_path: Path) -> None:
    n = np.arange(88200)
    path = written(
        tmp_path / "a.wav",
        0.5 * np.sin(2 * np.pi * 441 / 44100 * n)[:, None],
        "DOUBLE",
        "WAV",
        44100,
    )
    ideal = 0.5 * np.sin(2 * np.pi * 441 / 48000 * np.arange(96000))
    out = read_all(path, 96000)[:, 0]
    assert out[2000:90000] == pytest.approx(ideal[2000:90000], abs=1e-6)


def fault_of(path: Path) -> str:
    with pytest.raises(ProblemError) as caught:
        probe(path)
    (problem,) = caught.value.problems
    assert path.name in problem.message
    return problem.rule


def test_faults_are_named(tmp_path: Path) -> None:
    (tmp_path / "empty.wav").write_bytes(b"")
    assert fault_of(tmp_path / "empty.wav") == "audio/empty-file"
    (tmp_path / "text.wav").write_text("not sound at all, just words" * 10)
    assert fault_of(tmp_path / "text.wav") == "audio/unreadable"
    assert fault_of(tmp_path / "none.wav") == "audio/unreadable"
    written(tmp_path / "nothing.wav", np.zeros((0, 1)), "PCM_16", "WAV")
    assert fault_of(tmp_path / "nothing.wav") == "audio/no-samples"
    written(tmp_path / "three.wav", np.zeros((10, 3)), "PCM_16", "WAV")
    assert fault_of(tmp_path / "three.wav") == "audio/channels"


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_a_truncated_wav_is_refused(tmp_path: Path, subtype: str) -> None:
    path = written(tmp_path / "cut.wav", np.zeros((10000, 2)), subtype, "WAV")
    os.truncate(path, path.stat().st_size // 2)
    assert fault_of(path) == "audio/truncated"


@pytest.mark.parametrize("missing", [40, 5000])
def test_a_few_missing_bytes_are_noticed(tmp_path: Path, missing: int) -> None:
    for container in ("WAV", "AIFF"):
        path = written(tmp_path / f"cut.{container}", np.zeros((10000, 2)), "PCM_24", container)
        os.truncate(path, path.stat().st_size - missing)
        assert fault_of(path) == "audio/truncated"


def test_a_truncated_flac_is_a_problem_when_it_is_read(tmp_path: Path) -> None:
    path = written(tmp_path / "cut.flac", noise(1, 1), "PCM_16", "FLAC")
    os.truncate(path, path.stat().st_size // 2)
    with pytest.raises(ProblemError, match=r"cut.flac (is damaged or cut short|ended early)"):
        read_all(path, 48000)


def test_sound_without_a_header_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x.raw").write_bytes(bytes(1000))
    assert fault_of(tmp_path / "x.raw") == "audio/unreadable"
    # The library would play these as noise, by their names alone.
    for name in ("x.au", "x.snd", "x.vox", "x.gsm"):
        (tmp_path / name).write_bytes(bytes(range(256)) * 8)
        assert fault_of(tmp_path / name) == "audio/unreadable"


@pytest.mark.parametrize(("container", "subtype"), [("AU", "G721_32"), ("WAV", "GSM610")])
def test_what_plays_from_its_beginning_only_is_refused(
    tmp_path: Path, container: str, subtype: str
) -> None:
    path = written(tmp_path / "speech.au", noise(1, 1), subtype, container, 8000)
    assert fault_of(path) == "audio/encoding"


@pytest.mark.parametrize("value", [1e300, -1.1e12])
def test_a_sample_beyond_reason_is_named(tmp_path: Path, value: float) -> None:
    samples = np.zeros((5000, 2))
    samples[3210, 1], samples[100, 0] = value, 1e11
    path = written(tmp_path / "a.wav", samples, "DOUBLE", "WAV")
    with pytest.raises(ProblemError, match=r"holds the value -?1.*e\+\d+ at sample 3210, expected"):
        read_all(path, 5000)


def test_a_file_that_ends_early_has_changed_or_was_cut_short(tmp_path: Path) -> None:
    path = written(tmp_path / "cut.wav", noise(1, 1), "PCM_16", "WAV")
    info = probe(path)
    assert "cut short: its header promises 48,000" in str(ended_early(info))
    path.write_bytes(path.read_bytes()[:1000])
    assert "was changed while it was being read" in str(ended_early(info))


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_nan_in_a_stem_names_its_sample(tmp_path: Path, value: float) -> None:
    samples = np.zeros((5000, 1))
    samples[3210] = value
    path = written(tmp_path / "a.wav", samples, "FLOAT", "WAV")
    with pytest.raises(ProblemError, match="sample 3210"):
        read_all(path, 5000)


def test_a_file_that_shrinks_while_it_is_read_is_a_problem(tmp_path: Path) -> None:
    path = written(tmp_path / "a.wav", np.zeros((50000, 1)), "PCM_24", "WAV")
    reader = StemReader(probe(path), 48000)
    os.truncate(path, 1000)
    with pytest.raises(ProblemError, match="was changed while it was being read"):
        reader.read(np.zeros((50000, 1)))
    reader.close()


def spooled(folder: Path, samples: NDArray[np.float64]) -> Spool:
    spool = Spool(folder)
    spool.write(samples[:100])
    spool.write(samples[100:])
    return spool


def write_mix(spool: Spool, gain: float, target: Path, form: MixFormat) -> None:
    """Write a spool as a mix is written."""
    with written_beside(target) as beside:
        blocks = (gain * block for block in spool.blocks())
        encode(blocks, spool.frames, 48000, beside, Encoding(form, 1), target)


@pytest.mark.parametrize("name", [*RENDER_FORMATS, "aiff16", "aiff24"])
def test_every_format_holds_the_mix_to_its_resolution(tmp_path: Path, name: str) -> None:
    samples = np.random.default_rng(1).uniform(-0.9, 0.9, (70000, 2))
    form = FORMATS[name]
    target = tmp_path / f"mix{form.suffix}"
    spool = spooled(tmp_path, samples)
    write_mix(spool, 0.5, target, form)
    first = target.read_bytes()
    write_mix(spool, 0.5, target, form)
    spool.close()
    assert target.read_bytes() == first
    back, rate_hz = soundfile.read(target)
    assert (rate_hz, soundfile.info(target).subtype) == (48000, form.subtype)
    step = 2.0**-23 if form.bits is None else 2.0 ** (1 - form.bits)
    assert np.abs(back - 0.5 * samples).max() <= 1.6 * step
    assert sorted(p.name for p in tmp_path.iterdir()) == [target.name]


def test_only_our_own_files_are_overwritten(tmp_path: Path) -> None:
    target = tmp_path / "mix.wav"
    check_target(target, force=False)
    spool = spooled(tmp_path, np.zeros((200, 2)))
    write_mix(spool, 1.0, target, FORMATS["wav24"])
    spool.close()
    check_target(target, force=False)
    soundfile.write(target, np.zeros(10), 48000)
    with pytest.raises(ProblemError, match="not written by mixwright"):
        check_target(target, force=False)
    check_target(target, force=True)
    with pytest.raises(ProblemError, match="is a folder"):
        check_target(tmp_path, force=True)


def test_a_machine_that_refuses_is_named_and_nothing_is_left(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(ProblemError) as caught:
        Spool(blocked / "out")
    assert caught.value.problems[0].fault is Fault.INPUT  # another name would do
    spool = spooled(tmp_path, np.zeros((200, 2)))
    with pytest.raises(ProblemError) as caught:
        write_mix(spool, 1.0, tmp_path / "no" / "mix.wav", FORMATS["wav24"])
    spool.close()
    assert "mix.wav" in caught.value.problems[0].message
    assert caught.value.problems[0].fault is Fault.MACHINE
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file"]
