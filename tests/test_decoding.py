"""Decoders in processes of their own: what they may open here, how they end, what is remembered."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from mixwright.audio import (
    FORMATS,
    StemInfo,
    StemReader,
    check_target,
    decoder_processes,
    mp3,
    probe,
    probe_all,
    vouching,
)
from mixwright.audio.decoder_processes import Ended, Limits, NoDecoderError, decode_apart
from mixwright.audio.encode import Encoding, encode
from mixwright.audio.fingerprint import FileStamp
from mixwright.audio.mp3 import samples_of
from mixwright.audio.ogg import page_checksum
from mixwright.audio.plain import is_plain
from mixwright.audio.vouching import read_ended
from mixwright.delivering.verify import null_test
from mixwright.problem import Fault, ProblemError
from mixwright.rendering.cache import DataCache
from strange_files import KINDS, damaged_mp3, encoded, mutated, silent_flac

POSIX = pytest.mark.skipif(os.name != "posix", reason="signals and limits of POSIX")
# A decoder whose `decode` is another one, as it would be in a process of its own.
SCRIPT = """
import importlib.util, json, os, signal, sys, time
spec = importlib.util.spec_from_file_location("decoder", {decoder!r})
decoder = importlib.util.module_from_spec(spec)
spec.loader.exec_module(decoder)
real = decoder.decode
def decode(ask, limits, answer):
    if "bad" not in ask["decode"]:
        return real(ask, limits, answer)
    {body}
decoder.decode = decode
decoder.main()
"""


def script(folder: Path, body: str) -> Path:
    """Return a decoder that does something of its own with files called bad."""
    path = folder / "script.py"
    path.write_text(SCRIPT.format(decoder=str(decoder_processes.SCRIPT), body=body), "utf-8")
    return path


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Every process that is started from now on; nothing is known of any file yet."""
    found: list[Any] = []
    real = subprocess.Popen

    def counted(*arguments: Any, **options: Any) -> Any:
        found.append(real(*arguments, **options))
        return found[-1]

    monkeypatch.setattr(decoder_processes.subprocess, "Popen", counted)
    monkeypatch.setattr(vouching, "_known", {})
    return found


def size_of(path: Path) -> tuple[Path, int]:
    return path, path.stat().st_size


def message_of(found: Any) -> str:
    assert isinstance(found, ProblemError), found
    return found.problems[0].message


PLAIN = [
    *[("WAV", subtype) for subtype in ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")],
    *[("WAVEX", "PCM_24"), ("WAVEX", "FLOAT"), ("RF64", "PCM_24"), ("RF64", "FLOAT")],
    *[("AIFF", subtype) for subtype in ("PCM_S8", "PCM_16", "PCM_24", "FLOAT", "DOUBLE")],
    *[("W64", "PCM_24"), ("W64", "FLOAT"), ("CAF", "PCM_24"), ("CAF", "FLOAT")],
    *[("AU", "PCM_16"), ("AU", "DOUBLE")],
]
CODED = [
    *[("WAV", "ULAW"), ("WAV", "IMA_ADPCM"), ("WAV", "MS_ADPCM")],
    *[("W64", "IMA_ADPCM"), ("AIFF", "ALAW"), ("AIFF", "IMA_ADPCM")],
    *[("CAF", "ALAC_16"), ("CAF", "ULAW"), ("AU", "ULAW")],
    *KINDS.values(),
]


@pytest.mark.parametrize(("container", "subtype"), PLAIN)
def test_plain_samples_are_read_here(
    tmp_path: Path, started: list[Any], container: str, subtype: str
) -> None:
    path = encoded(tmp_path / "a.mp3", container, subtype, 0.1)  # whatever its name
    with open(path, "rb") as file:
        assert is_plain(file)
    info = probe(path)
    assert (info.frames, info.subtype, started) == (4800, subtype, [])


@pytest.mark.parametrize(("container", "subtype"), CODED)
def test_whatever_needs_decoding_is_decoded_apart(
    tmp_path: Path, started: list[Any], container: str, subtype: str
) -> None:
    samples = np.random.default_rng(1).uniform(-0.1, 0.1, (48000, 2))
    path = tmp_path / "a.wav"  # whatever its name
    soundfile.write(path, samples, 48000, format=container, subtype=subtype)
    with open(path, "rb") as file:
        assert not is_plain(file)
    info = probe(path)
    theirs = soundfile.SoundFile(path)
    assert (info.container, info.subtype) == (theirs.format, theirs.subtype)
    assert (info.rate_hz, info.channels, info.frames) == (48000, samples.shape[1], theirs.frames)
    assert len(started) == 1
    with contextlib.closing(StemReader(info, 48000)) as reader:
        ours = reader.read(np.empty((info.frames, info.channels)))
    assert np.array_equal(ours, theirs.read(theirs.frames, always_2d=True))


def test_only_one_plain_format_chunk_will_do(tmp_path: Path) -> None:
    path = encoded(tmp_path / "a.wav", "WAV", "PCM_16", 0.1)
    data = path.read_bytes()
    at, coded = data.index(b"fmt "), b"fmt \x10\0\0\0\x55\0" + bytes(14)
    for bytes_, expected in (
        (data, True),
        (b"ID3\x04\0\0\0\0\0\0" + data, False),
        (data[:at] + coded + data[at:], False),
        (data[:at] + data[at : at + 24] * 2 + data[at + 24 :], False),
        (data[:at] + data[data.index(b"data") :], False),
        (data[:20] + b"\xfe\xff" + data[22:], False),  # extensible, but cut short
        (data[:14], False),
    ):
        path.write_bytes(bytes_)
        with open(path, "rb") as file:
            assert is_plain(file) is expected


@pytest.mark.parametrize("before", [b"", b"ID3\x04\0\0\0\0\0\0"])
def test_an_mp3_that_calls_itself_wav_is_decoded_apart(
    tmp_path: Path, started: list[Any], before: bytes
) -> None:
    sound = encoded(tmp_path / "a.mp3", "MP3", "MPEG_LAYER_III").read_bytes()
    coded = b"\x55\0\x02\0\x80\xbb\0\0\x80\x3e\0\0\x01\0\0\0\x0c\0" + bytes(12)
    body = b"WAVEfmt \x1e\0\0\0" + coded + b"data" + len(sound).to_bytes(4, "little") + sound
    path = tmp_path / "a.wav"
    path.write_bytes(before + b"RIFF" + len(body).to_bytes(4, "little") + body)
    (found,) = probe_all([path])
    assert len(started) == 1
    assert isinstance(found, ProblemError) or found.subtype == "MPEG_LAYER_III"


def test_hundreds_of_damaged_files_each_get_an_answer(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], started: list[Any]
) -> None:
    paths = []
    for name, kind in KINDS.items():
        data = encoded(tmp_path / name, *kind, seconds=0.5).read_bytes()
        for seed in range(100):
            path = tmp_path / f"{seed} {name}"
            path.write_bytes(mutated(data, random.Random(f"{name}/{seed}")))
            paths.append(path)
    found = dict(zip(paths, probe_all(paths, at_once=2), strict=True))
    assert len(found) == 400
    for path, one in found.items():
        if isinstance(one, ProblemError):
            assert path.name in message_of(one)
        else:
            assert 0 < one.frames <= 120_000
    refused = [path for path, one in found.items() if isinstance(one, ProblemError)]
    assert {path.suffix for path in refused} == {".mp3", ".ogg", ".opus", ".flac"}
    assert any(one.warnings for one in found.values() if not isinstance(one, ProblemError))
    assert 1 <= len(started) <= 20
    assert capfd.readouterr() == ("", "")


@POSIX
def test_a_decoder_that_dies_is_the_answer_for_that_file_alone(tmp_path: Path) -> None:
    names = ["a.flac", "bad 1.flac", "b.flac", "bad 2.flac", "c.flac"]
    paths = [encoded(tmp_path / name, "FLAC", "PCM_16", 0.1) for name in names]
    dying = script(tmp_path, "os.kill(os.getpid(), signal.SIGSEGV)")
    ended = decode_apart([size_of(path) for path in paths], script=dying)
    hows = [ended[path].how for path in paths]
    assert hows == ["well", "died", "well", "died", "well"]
    with pytest.raises(ProblemError) as caught:
        read_ended(paths[1], FileStamp.of(paths[1].stat()), ended[paths[1]])
    expected = "bad 1.flac can't be decoded: the decoder died (signal 11)"
    assert message_of(caught.value) == expected
    assert caught.value.problems[0].fault is Fault.INPUT


def told(path: Path, ended: Ended, limits: Limits) -> tuple[str, Fault]:
    with pytest.raises(ProblemError) as caught:
        read_ended(path, FileStamp.of(path.stat()), ended, limits)
    return message_of(caught.value), caught.value.problems[0].fault


@POSIX
@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("time.sleep(100)", "it takes more than 2 s"),
        ("while True: pass", "it takes more than 1 s"),
        ("bytearray(3 << 29)", "it takes more than 1,024 MB of memory"),
        ("os._exit(7)", "the decoder died (status 7)"),
        ("os.write(decoder_out(), b'x' * 200000)", "the decoder gave no answer that makes sense"),
        ("return {'ended': 3}", "the decoder gave no answer that makes sense"),
    ],
)
def test_what_takes_too_much_is_told_so(tmp_path: Path, body: str, words: str) -> None:
    path = encoded(tmp_path / "bad.flac", "FLAC", "PCM_16", 0.1)
    # The real output is the lowest number above those of the standard streams.
    body = body.replace("decoder_out()", "answer.__closure__[0].cell_contents.answers.fileno()")
    limits = Limits(seconds=1.0, waiting=30.0)
    if "sleep" in body:
        limits = Limits(seconds=10.0, waiting=0.2)
    begun = time.monotonic()
    ended = decode_apart([size_of(path)], 1, limits, script(tmp_path, body))
    assert time.monotonic() - begun < 60.0
    assert told(path, ended[path], limits) == (
        f"bad.flac can't be decoded: {words}",
        Fault.INPUT,
    )


@POSIX
def test_a_decoder_that_someone_kills_is_no_fault_of_the_file(tmp_path: Path) -> None:
    path = encoded(tmp_path / "bad.flac", "FLAC", "PCM_16", 0.1)
    killed = script(tmp_path, "os.kill(os.getpid(), signal.SIGKILL)")
    message, fault = told(path, decode_apart([size_of(path)], script=killed)[path], Limits())
    assert message == "bad.flac can't be decoded: the decoder was killed (signal 9)"
    assert fault is Fault.MACHINE


def test_a_small_file_of_many_hours_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "small.flac"
    path.write_bytes(silent_flac(3, promised=2**36 - 1))
    begun = time.monotonic()
    (found,) = probe_all([path])
    message = message_of(found)
    size = path.stat().st_size
    assert message.startswith(f"small.flac can't be decoded: {size:,} bytes hold 397.7 h or more")
    assert "expected 40.0 min at most (1,400 frames a byte" in message
    assert time.monotonic() - begun < 30.0


def test_what_is_long_and_silent_passes(tmp_path: Path) -> None:
    path = tmp_path / "rest.flac"
    path.write_bytes(silent_flac(1000))  # 22 minutes in 13 kB
    assert probe(path).frames == 65_535_000
    # 3 h at 96 kHz: of noise in two channels, 16 bits, and of silence in blocks of 4,096 frames.
    frames = 3 * 3600 * 96_000
    for size in (frames * 4, frames // 4096 * 14):
        assert Limits().most_frames(size) >= frames
        assert Limits().clock_s(frames, size) > 3600.0


def test_a_flac_that_does_not_know_its_length_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "streamed.flac"
    path.write_bytes(silent_flac(5000, promised=0))  # that is FLAC's word for not known
    for whole in (True, False):
        (found,) = probe_all([path], whole=whole)
        assert message_of(found).startswith("streamed.flac does not say how long it is")


def test_what_a_file_says_of_itself_is_not_remembered(tmp_path: Path, started: list[Any]) -> None:
    path = tmp_path / "short.flac"
    path.write_bytes(silent_flac(2, promised=500_000))
    memory = DataCache(tmp_path / "cache", "decoded")
    (info,) = probe_all([path], memory, whole=False)
    assert isinstance(info, StemInfo)
    assert info.frames == 500_000
    with pytest.raises(ProblemError, match="damaged or cut short"):
        probe(path, memory)
    assert len(started) == 2


@POSIX
def test_no_decoder_is_the_machine_s_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from mixwright import cli

    path = encoded(tmp_path / "new.flac", "FLAC", "PCM_16", 0.1, seed=99)
    with pytest.raises(NoDecoderError, match="ended with status"):
        decode_apart([size_of(path)], script=tmp_path / "none.py")
    with pytest.raises(NoDecoderError, match="ended"):
        decode_apart([size_of(path)], limits=Limits(memory_bytes=1 << 25))

    def refuse(*arguments: Any, **options: Any) -> Any:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(decoder_processes.subprocess, "Popen", refuse)
    monkeypatch.setenv("MIXWRIGHT_CACHE", str(tmp_path / "cache"))
    assert cli.run(["measure", str(path)]) == 3
    said = capsys.readouterr().err
    assert "new.flac can't be decoded: no process of its own can be started for it" in said
    assert "Resource temporarily unavailable" in said


def test_a_content_is_decoded_once(tmp_path: Path, started: list[Any]) -> None:
    memory = DataCache(tmp_path / "cache", "decoded")
    path = encoded(tmp_path / "a.flac", "FLAC", "PCM_16", 0.2)
    first = probe(path, memory)
    assert probe(path, memory) == first
    assert len(started) == 1
    other = tmp_path / "copy.ogg"
    other.write_bytes(path.read_bytes())
    vouching._known.clear()  # as in another run
    assert probe(other, memory).frames == first.frames
    assert len(started) == 1
    data = bytearray(path.read_bytes())
    data[-1000] ^= 1
    path.write_bytes(data)
    with pytest.raises(ProblemError):
        probe(path, memory)
    with pytest.raises(ProblemError):  # what failed is told again without another decoder
        probe(path, memory)
    assert len(started) == 2
    vouching._known.clear()
    with pytest.raises(ProblemError):  # and in another run it is tried again
        probe(path, memory)
    assert len(started) == 3


@pytest.mark.parametrize(
    "kept",
    [
        None,
        {"container": "FLAC"},
        {**dict.fromkeys(("container", "subtype"), "FLAC"), "rate_hz": "48000", "channels": 2}
        | {"frames": 9600, "warnings": []},
        {**dict.fromkeys(("rate_hz", "channels", "frames"), 1), "container": 1, "subtype": "x"}
        | {"warnings": []},
        {**dict.fromkeys(("rate_hz", "channels", "frames"), 1), "container": "x", "subtype": "x"}
        | {"warnings": "none"},
    ],
)
def test_a_memory_that_makes_no_sense_is_none(
    tmp_path: Path, started: list[Any], kept: Any
) -> None:
    class Odd:
        def get(self, depends: str) -> Any:
            return kept

        def put(self, depends: str, value: Any) -> None:
            pass

    path = encoded(tmp_path / "a.flac", "FLAC", "PCM_16", 0.2)
    assert probe(path, Odd()).frames == 9600
    assert len(started) == 1


def test_a_file_that_is_replaced_after_it_was_looked_at_is_not_opened(tmp_path: Path) -> None:
    path = encoded(tmp_path / "a.flac", "FLAC", "PCM_16", 0.2)
    info = probe(path)
    other = encoded(tmp_path / "b.flac", "FLAC", "PCM_16", 0.2, seed=2)
    os.replace(other, path)
    with pytest.raises(ProblemError, match=r"a\.flac was changed while it was being read"):
        StemReader(info, 48000)
    damaged = damaged_mp3(tmp_path / "a.mp3")
    info = probe(damaged)
    os.replace(encoded(tmp_path / "b.mp3", "MP3", "MPEG_LAYER_III", 3.0), damaged)
    with pytest.raises(ProblemError, match=r"a\.mp3 was changed while it was being read"):
        StemReader(info, 48000)


@POSIX
def test_a_file_that_changes_while_it_is_decoded_is_refused(tmp_path: Path) -> None:
    path = encoded(tmp_path / "bad.flac", "FLAC", "PCM_16", 0.2)
    lies = FileStamp.of(path.stat())
    touched = script(tmp_path, "os.utime(ask['decode'], (1, 1)); return real(ask, limits, answer)")
    ended = decode_apart([size_of(path)], script=touched)[path]
    with pytest.raises(ProblemError, match=r"bad\.flac was changed while it was being read"):
        read_ended(path, lies, ended)


def test_samples_that_are_no_numbers_are_refused(tmp_path: Path) -> None:
    path = encoded(tmp_path / "a.ogg", "OGG", "VORBIS", 0.2)
    ended = decode_apart([size_of(path)])[path]
    assert ended.data["finite"] is True
    odd = Ended("well", {**ended.data, "finite": False})
    assert told(path, odd, Limits())[0].startswith("a.ogg decodes to a NaN or infinity")


@POSIX
def test_a_pipe_and_a_folder_are_no_recordings(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.mp3")
    for path, kind in ((tmp_path / "pipe.mp3", "a pipe"), (tmp_path, "a folder")):
        (found,) = probe_all([path])
        assert message_of(found) == f"{path.name} is {kind}, expected a sound file"


def test_an_mp3_without_a_length_is_no_shorter_than_it_is(tmp_path: Path) -> None:
    loud = np.random.default_rng(1).standard_normal((48000 * 4, 2)) * 0.1
    for name, parts in (("loud first", (loud, loud * 0)), ("loud last", (loud * 0, loud))):
        path = tmp_path / f"{name}.mp3"
        samples = np.concatenate(parts)
        soundfile.write(path, samples, 48000, bitrate_mode="VARIABLE", compression_level=0.5)
        assert probe(path).frames == len(samples)
        assert 0 <= samples_of(path) - len(samples) <= 3 * 1152
        data = path.read_bytes()
        path.write_bytes(data[data.index(b"\xff\xfb", data.index(b"Xing")) :])
    last = probe(tmp_path / "loud last.mp3")
    assert last.frames == pytest.approx(len(samples), abs=3 * 1152)
    assert "its length seems to be" in last.warnings[0]
    with pytest.raises(ProblemError, match=r"lasts 8\.\d\d s, but only .* can be decoded"):
        probe(tmp_path / "loud first.mp3")


def shortened_ogg(path: Path, frames: int) -> Path:
    """Write an Ogg file of 2 s whose last page says that it holds more."""
    data = bytearray(encoded(path, "OGG", "VORBIS", 2.0).read_bytes())
    at = data.rindex(b"OggS")
    data[at + 6 : at + 14] = (96_000 + frames).to_bytes(8, "little")
    data[at + 22 : at + 26] = bytes(4)
    data[at + 22 : at + 26] = page_checksum(data[at:]).to_bytes(4, "little")
    path.write_bytes(data)
    return path


def test_an_ogg_that_lacks_a_little_at_its_end_passes_with_a_warning(tmp_path: Path) -> None:
    info = probe(shortened_ogg(tmp_path / "a.ogg", 6000))
    assert 96_000 <= info.frames < 102_000
    assert "its length seems to be 2.12 s" in info.warnings[0]
    with contextlib.closing(StemReader(info, 48000)) as reader:
        assert reader.read(np.empty((info.frames, 2))).any()
    with pytest.raises(ProblemError, match=r"damaged or cut short: it promises 4\.00 s, 2\."):
        probe(shortened_ogg(tmp_path / "b.ogg", 96_000))


def test_a_damaged_file_sounds_the_same_from_a_process_of_its_own(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = damaged_mp3(tmp_path / "a.mp3")
    info = probe(path)
    assert info.warnings
    with contextlib.closing(StemReader(info, 48000)) as reader:
        ours = [reader.read(np.empty((10_000, 2))).copy() for _ in range(15)]
    with contextlib.closing(StemReader(info, 48000, start=50_000)) as reader:
        later = reader.read(np.empty((1000, 2)))
    assert capfd.readouterr() == ("", "")
    theirs = soundfile.read(path, always_2d=True)[0]
    assert np.array_equal(np.concatenate(ours)[: len(theirs)], theirs)
    assert later == pytest.approx(theirs[50_000:51_000], abs=1e-6)


@pytest.mark.parametrize("name", FORMATS)
def test_our_mark_is_found_without_decoding(tmp_path: Path, started: list[Any], name: str) -> None:
    form = FORMATS[name]
    path, block = tmp_path / f"a{form.suffix}", np.full((4800, 2), 0.1)
    encode([block], 4800, 48000, path, Encoding(form))
    check_target(path, force=False)
    encoded(path, form.container, form.subtype, 0.1)
    with pytest.raises(ProblemError, match="was not written by mixwright"):
        check_target(path, force=False)
    assert started == []


PARENT = """
import os, sys, time
from pathlib import Path
from mixwright.audio import decoder_processes
class Shown(decoder_processes.Decoder):
    def begin(self):
        super().begin()
        print(self._process.pid, flush=True)
decoder_processes.Decoder = Shown
path = Path(sys.argv[1])
decoder_processes.decode_apart([(path, 10**9)])
print("done", flush=True)
"""


@POSIX
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL])
def test_no_decoder_is_left_behind(tmp_path: Path, number: signal.Signals) -> None:
    path = tmp_path / "long.flac"
    path.write_bytes(silent_flac(20_000))  # takes many seconds
    process = subprocess.Popen(
        [sys.executable, "-c", PARENT, str(path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    decoder = int(process.stdout.readline())
    time.sleep(0.5)
    os.kill(decoder, 0)
    process.send_signal(number)
    said, faults = process.communicate(timeout=20)
    assert "done" not in said
    assert number == signal.SIGKILL or faults.rstrip().endswith("KeyboardInterrupt")
    deadline = time.monotonic() + 10.0
    while is_there(decoder):
        assert time.monotonic() < deadline
        time.sleep(0.05)


def is_there(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def test_an_mp3_is_not_searched_for_frames_without_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # With a limit of a sixteenth, which is searched in a sixteenth of the time.
    assert mp3.MOST_JUNK_BYTES == 1 << 18
    monkeypatch.setattr(mp3, "MOST_JUNK_BYTES", 1 << 14)
    path = encoded(tmp_path / "a.mp3", "MP3", "MPEG_LAYER_III", 1.0)
    data = path.read_bytes()
    samples = samples_of(path)
    # A picture in a tag at the front is as long as the tag says; junk is passed over for a while.
    tag = b"ID3\x04\0\0" + bytes((1 << 21) >> shift & 0x7F for shift in (21, 14, 7, 0))
    path.write_bytes(tag + b"\xff" * (1 << 21) + data)
    assert samples_of(path) == samples
    path.write_bytes(data + b"\xff" * 1000 + data)
    assert samples_of(path) == pytest.approx(2 * samples, abs=1152)
    path.write_bytes(data + b"\xff" * (1 << 15) + data)
    assert samples_of(path) == pytest.approx(samples, abs=1152)


def test_what_a_decoder_complains_about_is_compared_apart(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = damaged_mp3(tmp_path / "a.mp3")
    assert probe(path).warnings
    whole = encoded(tmp_path / "b.mp3", "MP3", "MPEG_LAYER_III", probe(path).seconds)
    assert not null_test(path, whole).holds
    assert capfd.readouterr().err == ""
