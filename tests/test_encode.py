"""Every format written: the sound library and mutagen as readers, laws of bytes and of space."""

from __future__ import annotations

import io
import struct
import sys
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from mutagen import File
from mutagen.ogg import OggPage
from numpy.typing import NDArray

from mixwright.audio import FORMATS, RENDER_FORMATS, Spool, check_target
from mixwright.audio import encode as encoding
from mixwright.audio.bext import Bext, read_bext
from mixwright.audio.encode import Encoding, encode
from mixwright.audio.formats import check_available
from mixwright.audio.ogg import fix_serial, page_checksum
from mixwright.audio.riff import chunks, put_chunk
from mixwright.audio.tags import Tags
from mixwright.dsp.dither import Quantiser
from mixwright.problem import Fault, ProblemError
from tags_in_files import read_tags

RATE_HZ = 48000  # every format has it
TAGS = Tags(title="Lanterns, é 夜", artist="PEAK data", track_number=3, isrc="XXA002500001")
BEXT = Bext("Low Tide", "us", "", "2025-01-02", "10-00-00", 7, 2, -14.0, 5.0, -1.0, None, None)
INTEGER = [name for name, form in FORMATS.items() if form.bits]
LOSSY = [name for name, form in FORMATS.items() if form.lossy]


def sound(frames: int = 48000) -> NDArray[np.float64]:
    """Two tones with a little noise, (frames, 2)."""
    at = np.arange(frames) / RATE_HZ
    tones = np.stack([np.sin(2 * np.pi * 440.0 * at), np.sin(2 * np.pi * 1000.0 * at)], axis=1)
    return np.asarray(0.4 * tones + np.random.default_rng(3).uniform(-0.01, 0.01, (frames, 2)))


def cut(samples: NDArray[np.float64], size: int) -> Iterator[NDArray[np.float64]]:
    """Blocks that share one buffer, as those of a source may."""
    buffer = np.empty((size, 2))
    for at in range(0, len(samples), size):
        piece = samples[at : at + size]
        buffer[: len(piece)] = piece
        yield buffer[: len(piece)]


def made(
    path: Path, name: str, samples: NDArray[np.float64], size: int = 7777, **more: Any
) -> Path:
    named = more.pop("named", None)
    how = Encoding(FORMATS[name], **{"seed": 5, "version": "1.2.3", **more})
    encode(cut(samples, size), len(samples), RATE_HZ, path, how, named)
    return path


# ---- what is in the file ----


def test_the_formats_that_render_has_are_those_it_had() -> None:
    assert list(RENDER_FORMATS) == ["wav16", "wav24", "wav32f", "flac16", "flac24"]
    assert list(FORMATS)[5:] == ["aiff16", "aiff24", "ogg", "opus", "mp3"]
    assert [FORMATS[name].bits for name in LOSSY] == [None] * 3


@pytest.mark.parametrize("name", INTEGER)
@pytest.mark.parametrize("shaped", [False, True])
def test_whole_numbers_are_those_of_the_dither(tmp_path: Path, name: str, shaped: bool) -> None:
    form, samples = FORMATS[name], sound(9000)
    path = made(tmp_path / "a", name, samples, shaped=shaped, tags=TAGS, bext=BEXT)
    wanted = Quantiser(form.bits or 0, 5, shaped, RATE_HZ).quantise(samples)
    with soundfile.SoundFile(path) as file:
        assert (file.format, file.subtype) == (form.container, form.subtype)
        assert (file.samplerate, file.channels, file.frames) == (RATE_HZ, 2, 9000)
        assert np.array_equal(file.read(dtype="int32"), wanted)


def test_float_files_hold_what_is_over_full_scale(tmp_path: Path) -> None:
    samples = 4.0 * sound(9000)
    back = soundfile.read(made(tmp_path / "a.wav", "wav32f", samples), dtype="float32")[0]
    assert np.array_equal(back, samples.astype(np.float32))


@pytest.mark.parametrize(
    ("name", "kind", "low_kbps", "high_kbps", "least_db"),
    [
        ("ogg", "OggVorbis", 120, 300, 30.0),
        ("opus", "OggOpus", 150, 250, 25.0),
        ("mp3", "MP3", 310, 355, 30.0),
    ],
)
def test_lossy_files_sound_like_the_mix_and_are_as_long(
    tmp_path: Path, name: str, kind: str, low_kbps: float, high_kbps: float, least_db: float
) -> None:
    samples = sound()
    path = made(tmp_path / f"a{FORMATS[name].suffix}", name, samples)
    back, rate_hz = soundfile.read(path)
    assert (rate_hz, back.shape) == (RATE_HZ, samples.shape)
    # In place to the sample too: one sample late, the tone at 1 kHz is only 18 dB over the error.
    inner = slice(5000, -5000)
    error = back[inner] - samples[inner]
    assert 10.0 * np.log10(np.mean(samples[inner] ** 2) / np.mean(error**2)) > least_db
    assert low_kbps < path.stat().st_size * 8 / 1000.0 < high_kbps
    assert type(File(path)).__name__ == kind


# ---- the same input, the same bytes ----


@pytest.mark.parametrize("name", FORMATS)
def test_the_same_input_gives_the_same_bytes(tmp_path: Path, name: str) -> None:
    samples = sound(70_000)
    first = made(tmp_path / "a", name, samples, tags=TAGS, bext=BEXT).read_bytes()
    again = made(tmp_path / "b", name, samples, 70_000, tags=TAGS, bext=BEXT).read_bytes()
    assert first == again
    other = made(tmp_path / "b", name, samples * 0.5, tags=TAGS, bext=BEXT).read_bytes()
    assert other != first


def test_float_files_do_not_tell_when_they_were_written(tmp_path: Path) -> None:
    # PEAK: version, then seconds since 1970, then a peak and its place for each channel.
    path = made(tmp_path / "a.wav", "wav32f", sound(100))
    with open(path, "rb") as file:
        (peak,) = (chunk for chunk in chunks(file) if chunk.name == b"PEAK")
        file.seek(peak.body_at)
        assert struct.unpack("<II", file.read(8)) == (1, 0)


def test_a_title_that_looks_like_a_chunk_is_left_alone(tmp_path: Path) -> None:
    path = made(tmp_path / "a.wav", "wav32f", sound(100), version="PEAK....data", tags=TAGS)
    with soundfile.SoundFile(path) as file:
        assert file.copy_metadata()["software"].startswith("mixwright PEAK....data")
    assert read_tags(path) == TAGS


# ---- serial numbers of Ogg streams ----


def test_page_checksums_are_those_of_the_format(tmp_path: Path) -> None:
    # Published check value of this CRC with zero for a start: 0x89A1897F. Then libogg's own pages.
    assert page_checksum(b"123456789") == 0x89A1897F
    content = (tmp_path / "a").with_suffix(".ogg")
    soundfile.write(content, sound(), RATE_HZ)
    whole = content.read_bytes()
    starts = [at for at in range(len(whole)) if whole[at : at + 5] == b"OggS\0"]
    assert len(starts) > 3
    for start, end in zip(starts, [*starts[1:], len(whole)], strict=True):
        page = bytearray(whole[start:end])
        (wanted,) = struct.unpack_from("<I", page, 22)
        page[22:26] = bytes(4)
        assert page_checksum(page) == wanted


@pytest.mark.parametrize("name", ["ogg", "opus"])
def test_the_serial_follows_from_the_sound(tmp_path: Path, name: str) -> None:
    serials = []
    for level in (1.0, 1.0, 0.5):
        content = io.BytesIO(made(tmp_path / "a", name, level * sound()).read_bytes())
        pages = []
        while content.tell() < len(content.getvalue()):
            pages.append(OggPage(content))
        assert [page.sequence for page in pages] == list(range(len(pages)))
        assert len({page.serial for page in pages}) == 1
        # As mutagen writes them: with a checksum of its own.
        assert b"".join(page.write() for page in pages) == content.getvalue()
        serials.append(pages[0].serial)
    assert serials[0] == serials[1] != serials[2]


@pytest.mark.parametrize("damage", [b"OggX", b"OggS\0\0"])
def test_a_stream_that_is_no_row_of_pages_is_a_problem(tmp_path: Path, damage: bytes) -> None:
    path = made(tmp_path / "a.ogg", "ogg", sound(2000))
    path.write_bytes(path.read_bytes() + damage)
    with pytest.raises(ProblemError, match="expected a page of an Ogg stream"):
        fix_serial(path)


# ---- whose file it is ----


@pytest.mark.parametrize("tags", [None, TAGS])
@pytest.mark.parametrize("name", FORMATS)
def test_our_own_files_are_known(tmp_path: Path, name: str, tags: Tags | None) -> None:
    path = made(tmp_path / f"a{FORMATS[name].suffix}", name, sound(4000), tags=tags, bext=BEXT)
    check_target(path, force=False)
    form = FORMATS[name]
    soundfile.write(path, sound(4000), RATE_HZ, form.subtype, format=form.container)
    with pytest.raises(ProblemError, match="not written by mixwright"):
        check_target(path, force=False)


# ---- long files ----


def layout(path: Path) -> list[str]:
    """Names of the chunks by an independent walk, which all sizes have to agree with."""
    whole, at, names = path.read_bytes(), 12, []
    form, size = struct.unpack_from("<4sI", whole)
    data_size = None
    if form == b"RF64":
        assert (whole[12:16], size) == (b"ds64", 0xFFFFFFFF)
        size, data_size, frames = struct.unpack_from("<QQQ", whole, 20)
        assert data_size == frames * 6
    assert size == len(whole) - 8
    while at < len(whole):
        name, length = struct.unpack_from("<4sI", whole, at)
        if name == b"data" and data_size is not None:
            assert length == 0xFFFFFFFF
            length = data_size
        names.append(name.decode())
        if length % 2:
            assert whole[at + 8 + length] == 0
        at += 8 + length + length % 2
    assert at == len(whole)
    return names


@pytest.mark.parametrize(("spare", "form"), [(0, "WAV"), (-1, "RF64")])
def test_what_riff_does_not_hold_becomes_rf64(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, spare: int, form: str
) -> None:
    samples = sound(1001)
    monkeypatch.setattr(encoding, "RIFF_LIMIT_BYTES", 1001 * 2 * 3 + spare)
    path = made(tmp_path / "a.wav", "wav24", samples, tags=TAGS, bext=BEXT)
    with soundfile.SoundFile(path) as file:
        assert (file.format, file.frames) == (form, 1001)
        assert np.array_equal(
            file.read(dtype="int32"), Quantiser(24, 5, False, RATE_HZ).quantise(samples)
        )
    assert layout(path) == ["ds64"] * (form == "RF64") + ["bext", "fmt ", "LIST", "data", "id3 "]
    assert (read_bext(path), read_tags(path)) == (BEXT, TAGS)
    check_target(path, force=False)


def test_aiff_that_would_be_too_long_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(encoding, "RIFF_LIMIT_BYTES", 100)
    with pytest.raises(ProblemError, match=r"a\.aiff would have 600 bytes of sound, expected less"):
        made(tmp_path / "a.aiff", "aiff24", sound(100))
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["wav24", "ogg"])
def test_memory_does_not_grow_with_the_length(tmp_path: Path, name: str) -> None:
    block = sound(20_000)

    def most_bytes(count: int) -> int:
        tracemalloc.start()
        blocks = (block for _ in range(count))
        form = FORMATS[name]
        encode(blocks, count * len(block), RATE_HZ, tmp_path / "a", Encoding(form))
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    most_bytes(1)
    assert most_bytes(20) < most_bytes(10) + 300_000


# ---- what must not be ----


@pytest.mark.parametrize("told", [99, 101])
def test_a_count_that_is_not_as_told_is_our_bug(tmp_path: Path, told: int) -> None:
    with pytest.raises(RuntimeError, match=f"frames came, {told} were announced"):
        encode(cut(sound(100), 10), told, 48000, tmp_path / "a", Encoding(FORMATS["wav16"]))


@pytest.mark.parametrize(("name", "rate_hz"), [("opus", 44100), ("mp3", 96000)])
def test_a_rate_the_format_lacks_is_our_bug(tmp_path: Path, name: str, rate_hz: int) -> None:
    with pytest.raises(RuntimeError, match=f"{name} has no rate of {rate_hz} Hz"):
        encode((), 0, rate_hz, tmp_path / "a", Encoding(FORMATS[name]))


@pytest.mark.parametrize("name", FORMATS)
def test_the_rates_told_are_those_the_library_writes(name: str) -> None:
    form = FORMATS[name]
    for rate_hz in form.rates_hz or (22050, 44100, 192_000):
        settings = encoding.EFFORTS.get(name, {})
        with soundfile.SoundFile(
            io.BytesIO(), "w", rate_hz, 2, form.subtype, format=form.container, **settings
        ) as file:
            file.write(np.zeros((100, 2), dtype=np.float32))


@pytest.mark.parametrize("left", ["container", "subtype"])
def test_a_library_that_lacks_a_format_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, left: str
) -> None:
    if left == "container":
        monkeypatch.setattr(soundfile, "available_formats", lambda: {"WAV": ""})
    else:
        monkeypatch.setattr(soundfile, "available_subtypes", lambda form: {"PCM_16": ""})
    check_available(FORMATS["wav16"])
    with pytest.raises(
        ProblemError, match=r"libsndfile [\d.]+\) can't write mp3, expected"
    ) as told:
        made(tmp_path / "a.mp3", "mp3", sound(10))
    assert told.value.problems[0].fault is Fault.MACHINE
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", FORMATS)
def test_a_disk_that_refuses_is_named(tmp_path: Path, name: str) -> None:
    with pytest.raises(ProblemError, match=r"missing/a can't be written") as told:
        made(tmp_path / "missing" / "a", name, sound(10), tags=TAGS)
    assert told.value.problems[0].fault is Fault.MACHINE
    with pytest.raises(ProblemError, match=r"^error: the mix can't be written"):
        made(tmp_path / "missing" / "a", name, sound(10), named=Path("the mix"))


@pytest.mark.parametrize("name", LOSSY)
def test_a_mix_is_written_in_any_format(tmp_path: Path, name: str) -> None:
    spool, target = Spool(tmp_path), tmp_path / f"mix{FORMATS[name].suffix}"
    spool.write(sound())
    blocks = (0.5 * block for block in spool.blocks())
    encode(blocks, spool.frames, RATE_HZ, target, Encoding(FORMATS[name], 5, version="1.2.3"))
    spool.close()
    assert target.read_bytes() == made(tmp_path / "b", name, 0.5 * sound()).read_bytes()


# ---- chunks put into a finished file ----


@pytest.mark.parametrize("first", [True, False])
@pytest.mark.parametrize("container", ["WAV", "RF64"])
def test_a_chunk_is_put_in_and_replaced(tmp_path: Path, container: str, first: bool) -> None:
    path = tmp_path / "a.wav"
    samples = sound(5001)
    soundfile.write(path, samples, RATE_HZ, format=container, subtype="PCM_24")
    plain, wanted = path.read_bytes(), soundfile.read(path)[0]
    # The library's RF64 reader forgets the padding of odd chunks that come before the sound.
    odd = not first or container == "WAV"
    for length in (600 + odd, 600 + odd, 40, 3000 - odd, 0):
        body = bytes(range(256)) * 12
        put_chunk(path, b"note", body[:length], first=first)
        names = layout(path)
        assert names.count("note") == 1
        assert names[-1 if not first else names.index("fmt ") - 1] == "note"
        with open(path, "rb") as file:
            (found,) = (chunk for chunk in chunks(file) if chunk.name == b"note")
            file.seek(found.body_at)
            assert file.read(found.size) == body[:length]
        assert np.array_equal(soundfile.read(path)[0], wanted)
    assert len(path.read_bytes()) == len(plain) + 8


def test_what_lies_behind_moves_piece_by_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from mixwright.audio import riff

    monkeypatch.setattr(riff, "COPY_BYTES", 97)
    test_a_chunk_is_put_in_and_replaced(tmp_path, "RF64", True)


def test_what_is_no_whole_wav_file_is_left_alone(tmp_path: Path) -> None:
    path = made(tmp_path / "a.wav", "wav24", sound(100))
    whole = path.read_bytes()
    for content in (whole[:-1], whole[:30], b"", b"fLaC" + whole):
        path.write_bytes(content)
        with pytest.raises(ProblemError, match=r"a\.wav is cut off or of another kind"):
            put_chunk(path, b"note", b"abc", first=True)
        assert path.read_bytes() == content
    with pytest.raises(ValueError, match="four bytes"):
        put_chunk(path, b"id3", b"", first=True)


def test_riff_is_not_made_longer_than_it_can_be(tmp_path: Path) -> None:
    path = tmp_path / "hole.wav"
    size = 2**32 - 1 - 8 - 36 - 100
    with open(path, "wb") as file:  # one long hole: nothing is written but its ends
        file.write(b"RIFF" + struct.pack("<I", size + 12) + b"WAVEdata" + struct.pack("<I", size))
        file.truncate(20 + size + size % 2)
    with pytest.raises(ValueError, match="too long for RIFF"):
        put_chunk(path, b"note", bytes(200), first=False)
    put_chunk(path, b"note", bytes(20), first=False)
    with open(path, "rb") as file:
        assert [chunk.name for chunk in chunks(file)] == [b"data", b"note"]
        file.seek(4)
        assert int.from_bytes(file.read(4), "little") == path.stat().st_size - 8


@pytest.mark.skipif(sys.platform == "win32", reason="has no limits")
@pytest.mark.parametrize("name", ["wav24", "wav32f", "flac16"])
def test_a_full_disk_is_told_as_one(tmp_path: Path, name: str) -> None:
    """The sound library says of it that the system failed, and no more."""
    import resource

    target, limits = (
        tmp_path / f"mix{FORMATS[name].suffix}",
        resource.getrlimit(resource.RLIMIT_FSIZE),
    )
    loud = np.random.default_rng(5).uniform(-0.5, 0.5, (200_000, 2))
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, limits[1]))
    try:
        with pytest.raises(ProblemError, match="can't be written: File too large") as caught:
            encode([loud], len(loud), 48000, target, Encoding(FORMATS[name]))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert caught.value.problems[0].fault is Fault.MACHINE
