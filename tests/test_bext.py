"""The broadcast extension against its published layout and an independent writer; time stamps."""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from mixwright.audio.bext import (
    Bext,
    bext_chunk,
    coding_history,
    parse_bext,
    read_bext,
    write_bext,
)
from mixwright.faults.time_stamps import TimeStamp, disagreeing
from mixwright.problem import Fault, ProblemError

TEN_O_CLOCK = 1_728_000_000


def chunk(name: bytes, body: bytes, size: int | None = None) -> bytes:
    """A chunk with its padding, claiming to be as long as it is or as told."""
    return (
        name
        + struct.pack("<I", len(body) if size is None else size)
        + body
        + b"\0" * (len(body) % 2)
    )


def bext_body(
    version: int = 2,
    samples: int = TEN_O_CLOCK,
    loudness: tuple[int, int, int, int, int] = (-2300, 750, -100, -1810, -2005),
    history: bytes = b"A=PCM,F=48000,W=24,M=mono,T=desk\r\n",
) -> bytes:
    """The chunk by the table of EBU Tech 3285 version 2, field after field."""
    body = b"lead vocal, take 7".ljust(256, b"\0") + b"a recorder".ljust(32, b"\0")
    body += b"NFQ001".ljust(32, b"\0") + b"2024-05-17" + b"10-00-00"
    assert len(body) == 338
    body += struct.pack("<IIH", samples & 0xFFFFFFFF, samples >> 32, version) + bytes(64)
    assert len(body) == 412
    body += struct.pack("<5h", *loudness) + bytes(180)
    assert len(body) == 602
    return body + history


FORMAT = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, 48000, 96000, 2, 16))
SOUND = chunk(b"data", b"\1\0" * 100)


def wave(path: Path, *chunks: bytes, form: bytes = b"RIFF") -> Path:
    body = b"WAVE" + b"".join(chunks)
    size = 0xFFFFFFFF if form != b"RIFF" else len(body)
    path.write_bytes(form + struct.pack("<I", size) + body)
    return path


# ---- the published layout ----


def test_every_field_is_where_the_standard_has_it(tmp_path: Path) -> None:
    # Published values: -23.0 LUFS is -2300 = 0xF704, 10:00:00 at 48 kHz is 0x66FF3000.
    body = bext_body()
    assert body[412:414] == bytes.fromhex("04F7")
    assert body[338:346] == bytes.fromhex("0030FF66 00000000")
    assert read_bext(wave(tmp_path / "a.wav", FORMAT, chunk(b"bext", body), SOUND)) == Bext(
        description="lead vocal, take 7",
        originator="a recorder",
        originator_reference="NFQ001",
        date="2024-05-17",
        time="10-00-00",
        time_reference_samples=TEN_O_CLOCK,
        version=2,
        loudness_lufs=-23.0,
        loudness_range_lu=7.5,
        max_true_peak_dbtp=-1.0,
        max_momentary_lufs=-18.1,
        max_short_term_lufs=-20.05,
    )


def test_the_sound_library_writes_what_is_read(tmp_path: Path) -> None:
    # libsndfile's SFC_SET_BROADCAST_INFO: an independent writer of the chunk.
    body = bext_body(history=b"")
    # As a C structure: the time is aligned to four bytes, the history has a length before it.
    info = body[:338] + b"\0\0" + body[338:] + bytes(4 + 256)
    path = tmp_path / "b.wav"
    with soundfile.SoundFile(path, "w", 48000, 1, "PCM_24") as file:
        kept = soundfile._ffi.new("char[]", info)
        assert soundfile._snd.sf_command(file._file, 0x10F1, kept, len(info)) == 1
        file.write(np.zeros(1000))
    found = read_bext(path)
    assert found is not None
    assert (found.description, found.originator) == ("lead vocal, take 7", "a recorder")
    assert (found.date, found.time) == ("2024-05-17", "10-00-00")
    assert found.time_reference_samples == TEN_O_CLOCK
    assert (found.loudness_lufs, found.loudness_range_lu) == (-23.0, 7.5)


def test_the_time_has_64_bits() -> None:
    # The low half alone is full after 24.86 h at 48 kHz, 12.43 h at 96 kHz.
    late = 23 * 3600 * 192_000
    assert late > 0xFFFFFFFF
    found = parse_bext(bext_body(samples=late))
    assert found is not None
    assert found.time_reference_samples == late


@pytest.mark.parametrize(
    ("written", "wanted"),
    [
        (0x7FFF, None),
        (9999, 99.99),
        (-9999, -99.99),
        (10_000, None),
        (-10_000, None),
        (-32768, None),
        (0, 0.0),
    ],
)
def test_loudness_that_is_not_used_or_out_of_range(written: int, wanted: float | None) -> None:
    found = parse_bext(bext_body(loudness=(written,) * 5))
    assert found is not None
    assert found.loudness_lufs == found.max_true_peak_dbtp == wanted
    assert found.max_momentary_lufs == found.max_short_term_lufs == wanted
    # A range is 0 to 99.99.
    assert found.loudness_range_lu == (None if wanted is not None and wanted < 0.0 else wanted)


@pytest.mark.parametrize("version", [0, 1])
def test_loudness_exists_from_version_2_on(version: int) -> None:
    found = parse_bext(bext_body(version=version))
    assert found is not None
    assert (found.loudness_lufs, found.loudness_range_lu, found.version) == (None, None, version)


# ---- where the chunk may lie ----


@pytest.mark.parametrize(
    "chunks",
    [
        (chunk(b"bext", bext_body()), FORMAT, SOUND),
        (FORMAT, SOUND, chunk(b"bext", bext_body())),
        (chunk(b"JUNK", bytes(28)), FORMAT, chunk(b"odd ", b"abc"), chunk(b"bext", bext_body())),
        (FORMAT, chunk(b"LIST", b""), chunk(b"bext", bext_body(history=b"x")), SOUND),
        (FORMAT, SOUND, chunk(b"bext", bext_body(), size=100_000)),
    ],
    ids=["first", "last", "after odd ones", "odd itself", "claims more than there is"],
)
def test_chunks_in_any_order(tmp_path: Path, chunks: tuple[bytes, ...]) -> None:
    found = read_bext(wave(tmp_path / "c.wav", *chunks))
    assert found is not None
    assert found.time_reference_samples == TEN_O_CLOCK


@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
def test_beyond_four_gigabytes_nothing_is_read_on_the_way(tmp_path: Path, form: bytes) -> None:
    # The file is one long hole: reading it through would take minutes and memory.
    path, length = tmp_path / "long.wav", 5 * 2**32 + 1
    long_sizes = struct.pack("<QQQI", length + 2000, length, length // 2, 1) + struct.pack(
        "<4sQ", b"hole", length
    )
    with open(path, "wb") as file:
        file.write(form + struct.pack("<I", 0xFFFFFFFF) + b"WAVE" + chunk(b"ds64", long_sizes))
        file.write(FORMAT)
        for name in (b"data", b"hole"):
            file.write(name + struct.pack("<I", 0xFFFFFFFF))
            file.seek(length + 1, 1)
        file.write(chunk(b"bext", bext_body()))
    found = read_bext(path)
    assert found is not None
    assert found.originator == "a recorder"


def test_a_real_rf64_file_without_one(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "r.wav", np.zeros(100), 48000, format="RF64", subtype="PCM_16")
    assert read_bext(tmp_path / "r.wav") is None


# ---- damage ----


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"RIFF",
        b"RIFF\0\0\0\0WAVE",
        b"RIFF\0\0\0\0AVI " + chunk(b"bext", bext_body()),
        b"fLaC" + bytes(100),
        b"RIFF\0\0\0\0WAVE" + chunk(b"bext", bext_body()[:601]),
        b"RIFF\0\0\0\0WAVE" + chunk(b"bext", b""),
        b"RIFF\0\0\0\0WAVE" + chunk(b"data", b"", size=0xFFFFFFFF) + chunk(b"bext", bext_body()),
        b"RF64\xff\xff\xff\xffWAVE" + chunk(b"ds64", b"abc") + chunk(b"data", b"", 0xFFFFFFFF),
        b"RIFF\0\0\0\0WAVE" + bytes(8 * 200_000) + chunk(b"bext", bext_body()),
    ],
)
def test_what_can_not_be_understood_says_nothing(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "d.wav"
    path.write_bytes(content)
    assert read_bext(path) is None


def test_text_in_any_alphabet_is_read_as_far_as_it_goes() -> None:
    body = bytearray(bext_body())
    body[0:8] = b"caf\xe9 \xff\0x"
    body[256:288] = "Tonstudio Süd".encode().ljust(32, b"\0")
    found = parse_bext(bytes(body))
    assert found is not None
    assert found.description == "caf� �"
    assert found.originator == "Tonstudio Süd"


def test_a_file_that_is_not_there_is_a_problem(tmp_path: Path) -> None:
    with pytest.raises(ProblemError) as raised:
        read_bext(tmp_path / "none.wav")
    (problem,) = raised.value.problems
    assert problem.fault is Fault.INPUT
    assert "none.wav can't be read" in problem.message
    with pytest.raises(ProblemError):
        read_bext(tmp_path)


WHOLE = (
    b"RF64\xff\xff\xff\xffWAVE" + chunk(b"ds64", bytes(40)) + FORMAT + chunk(b"bext", bext_body())
)


@given(
    cut=st.integers(0, len(WHOLE)),
    changes=st.lists(st.tuples(st.integers(0, len(WHOLE) - 1), st.integers(0, 255)), max_size=6),
)
def test_no_damage_ends_in_a_traceback(
    tmp_path_factory: pytest.TempPathFactory, cut: int, changes: list[tuple[int, int]]
) -> None:
    content = bytearray(WHOLE)
    for at, value in changes:
        content[at] = value
    path = tmp_path_factory.getbasetemp() / "damaged.wav"
    path.write_bytes(content[:cut])
    found = read_bext(path)
    assert found is None or found.time_reference_samples >= 0


# ---- written ----

FULL = Bext(
    description="lead vocal, take 7",
    originator="a recorder",
    originator_reference="NFQ001",
    date="2024-05-17",
    time="10-00-00",
    time_reference_samples=TEN_O_CLOCK,
    version=2,
    loudness_lufs=-23.0,
    loudness_range_lu=7.5,
    max_true_peak_dbtp=-1.0,
    max_momentary_lufs=-18.1,
    max_short_term_lufs=-20.05,
)


def test_every_field_is_written_where_the_standard_has_it() -> None:
    # EBU Tech 3285 version 2: offset and content of each field, and its published values.
    body = bext_chunk(FULL, "A=PCM,F=48000,W=24,M=mono,T=desk")
    assert body == bext_body()
    table = {
        0: b"lead vocal, take 7" + bytes(238),
        256: b"a recorder" + bytes(22),
        288: b"NFQ001" + bytes(26),
        320: b"2024-05-17",
        330: b"10-00-00",
        338: bytes.fromhex("0030FF66 00000000"),
        346: b"\2\0",
        348: bytes(64),
        412: bytes.fromhex("04F7"),
        414: struct.pack("<4h", 750, -100, -1810, -2005),
        422: bytes(180),
        602: b"A=PCM,F=48000,W=24,M=mono,T=desk\r\n",
    }
    assert list(table) == [sum(map(len, list(table.values())[:row])) for row in range(len(table))]
    for offset, content in table.items():
        assert body[offset : offset + len(content)] == content


def test_what_is_written_is_read_again() -> None:
    nothing = Bext("", "", "", "", "", 0, 2, None, None, None, None, None)
    late = replace(FULL, time_reference_samples=2**64 - 1)
    for bext in (FULL, nothing, late):
        assert parse_bext(bext_chunk(bext)) == bext
    assert len(bext_chunk(nothing)) == 602
    old = parse_bext(bext_chunk(replace(FULL, version=1)))
    assert old == replace(FULL, **dict.fromkeys(LOUDNESS), version=1)
    assert bext_chunk(replace(FULL, version=1))[412:602] == bytes(190)


LOUDNESS = [name for name in vars(FULL) if name.endswith(("lufs", "lu", "dbtp"))]


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        (-23.0, -2300),
        (0.005, 1),
        (-0.005, -1),
        (-23.005, -2301),  # as a binary number it lies above the half
        (-14.0049, -1400),
        (99.99, 9999),
        (99.995, 0x7FFF),
        (-150.0, 0x7FFF),
        (-math.inf, 0x7FFF),
        (math.nan, 0x7FFF),
        (None, 0x7FFF),
    ],
)
def test_loudness_is_written_in_hundredths(value: float | None, wanted: int) -> None:
    body = bext_chunk(replace(FULL, **dict.fromkeys(LOUDNESS, value)))
    found = struct.unpack_from("<5h", body, 412)
    spread = 0x7FFF if wanted < 0 else wanted  # a range below zero is none
    assert found == (wanted, spread, wanted, wanted, wanted)


def test_texts_are_ascii_and_fit_their_fields() -> None:
    texts = {"originator": "Tonstudio Süd\0\n…夜", "description": "é" * 300, "time": "10:00:00.5"}
    body = bext_chunk(replace(FULL, **texts))
    assert body[256:288] == b"Tonstudio Sud  ...?".ljust(32, b"\0")
    assert body[0:256] == b"e" * 256
    assert body[330:338] == b"10:00:00"
    assert bext_chunk(FULL, "a\nb\r\ncé")[602:] == b"a\r\nb\r\nce\r\n"


@pytest.mark.parametrize("samples", [-1, 2**64])
def test_a_time_that_can_not_be_is_our_bug(samples: int) -> None:
    with pytest.raises(ValueError, match="out of range"):
        bext_chunk(replace(FULL, time_reference_samples=samples))


@pytest.mark.parametrize("form", ["WAV", "RF64"])
@pytest.mark.parametrize("frames", [1000, 1001])
def test_it_is_put_into_a_finished_file(tmp_path: Path, form: str, frames: int) -> None:
    # One channel of 24 bits and an odd count: sound of odd length, with padding behind it.
    path = tmp_path / "a.wav"
    samples = np.random.default_rng(1).integers(-(2**23), 2**23, frames).astype(np.int32) * 256
    soundfile.write(path, samples, 48000, format=form, subtype="PCM_24")
    for bext, history in ((replace(FULL, time="00-00-00"), "odd"), (FULL, "x" * 2000), (FULL, "")):
        write_bext(path, bext, history)
        assert read_bext(path) == bext
        whole = path.read_bytes()
        long = form == "RF64"
        (size,) = struct.unpack_from("<Q" if long else "<I", whole, 20 if long else 4)
        assert size == len(whole) - 8
        # The standard prints it before all others but the one with the long sizes.
        at = 12 + (8 + 28 if long else 0)
        assert (whole[at : at + 4], whole.count(b"bext")) == (b"bext", 1)
        assert np.array_equal(soundfile.read(path, dtype="int32")[0], samples)
    write_bext(path, FULL)
    assert path.read_bytes() == whole


def test_the_sound_library_reads_what_is_written(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(100), 48000)
    write_bext(path, FULL, coding_history(24, 48000, "mixwright 1"))
    with soundfile.SoundFile(path) as file:
        # SFC_GET_BROADCAST_INFO: as a C structure, see above.
        kept = soundfile._ffi.new("char[]", 858)
        assert soundfile._snd.sf_command(file._file, 0x10F0, kept, 858) == 1
    info = bytes(soundfile._ffi.buffer(kept))
    assert info[:338] + info[340:604] == bext_chunk(FULL)
    assert info[608:].startswith(b"A=PCM,F=48000,W=24,M=stereo,T=mixwright 1\r\n")


def test_what_is_no_wav_file_gets_none(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    soundfile.write(path, np.zeros(100), 48000)
    with pytest.raises(ProblemError, match="expected a whole WAV file"):
        write_bext(path, FULL)


# ---- time stamps that disagree ----


def stamps(**samples: int) -> dict[str, TimeStamp]:
    return {name: TimeStamp(value, 48000) for name, value in samples.items()}


def test_the_one_that_begins_elsewhere_is_told() -> None:
    others = stamps(a=TEN_O_CLOCK, b=TEN_O_CLOCK, c=TEN_O_CLOCK + 3)
    found = disagreeing({**others, "d": TimeStamp(2 * TEN_O_CLOCK + 96 * 250, 96000)})
    (one,) = found
    # Trimming n samples off the head adds n to the time reference.
    assert (one.track, one.later_samples, one.later_ms) == ("d", 96 * 250, 250.0)
    assert (one.agreeing, one.severity, one.fix) == (3, "look", "offset_ms: 250.000")
    assert one.message.startswith("begins 250.00 ms (24000 samples) later than 3 other tracks")
    (early,) = disagreeing({**others, "d": TimeStamp(TEN_O_CLOCK - 480, 48000)})
    assert (early.later_samples, early.fix) == (-480, "offset_ms: -10.000")


def test_one_sample_of_the_day_is_not_lost() -> None:
    noon = 12 * 3600
    for rate_hz in (44100, 48000, 96000, 192_000):
        one, other = TimeStamp(noon * rate_hz + 1, rate_hz), TimeStamp(noon * 48000, 48000)
        assert one.later_ms(other) == pytest.approx(1000.0 / rate_hz, rel=1e-12)


@pytest.mark.parametrize(
    "given_stamps",
    [
        {},
        stamps(a=5),
        stamps(a=5, b=TEN_O_CLOCK),
        stamps(a=5, b=5, c=TEN_O_CLOCK, d=TEN_O_CLOCK),
        stamps(a=TEN_O_CLOCK, b=TEN_O_CLOCK + 24, c=TEN_O_CLOCK - 24),
        stamps(a=TEN_O_CLOCK, b=TEN_O_CLOCK, c=0),
    ],
    ids=["none", "one", "two", "no majority", "half a millisecond", "no clock"],
)
def test_nothing_is_said_without_a_majority(given_stamps: dict[str, TimeStamp]) -> None:
    assert disagreeing(given_stamps) == ()


def test_another_day_is_a_note_and_moves_nothing() -> None:
    (one,) = disagreeing(stamps(a=TEN_O_CLOCK, b=TEN_O_CLOCK, c=TEN_O_CLOCK + 48000 * 3600))
    assert (one.severity, one.fix, one.later_ms) == ("note", None, 3_600_000.0)
    (song,) = disagreeing(stamps(a=0, b=0, c=250_435))
    assert song.fix == "offset_ms: 5217.396"
