"""Tags written and read back: mutagen as the other reader, sound that stays as it is."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from mutagen import File
from mutagen.id3 import ID3

from mixwright.audio import FORMATS, StemReader, probe
from mixwright.audio.encode import Encoding, encode
from mixwright.audio.riff import chunks
from mixwright.audio.tags import Tags, write_tags
from mixwright.problem import Fault, ProblemError
from tags_in_files import read_tags

FULL = Tags(
    title="Lanterns at Low Tide",
    artist="Ævar & the Søunds",
    album="夜の海",
    track_number=7,
    date="2025-03-01",
    genre="Dream Pop",
    isrc="XXA002500001",
    copyright="2025 Nobody",
    comment="made\nwith care",
)
# ID3 version 2.4.0 "Native Frames" 4.2; Vorbis comment field names as players read them.
PUBLISHED = {
    "TIT2": "TITLE",
    "TPE1": "ARTIST",
    "TALB": "ALBUM",
    "TRCK": "TRACKNUMBER",
    "TDRC": "DATE",
    "TCON": "GENRE",
    "TSRC": "ISRC",
    "TCOP": "COPYRIGHT",
    "COMM::XXX": "COMMENT",
}
VALUES = ["Lanterns at Low Tide", "Ævar & the Søunds", "夜の海", "7", "2025-03-01", "Dream Pop"]
VALUES += ["XXA002500001", "2025 Nobody", "made\nwith care"]


def made(path: Path, name: str, tags: Tags | None = None) -> Path:
    samples = np.random.default_rng(1).uniform(-0.5, 0.5, (6001, 2))
    encode([samples], 6001, 48000, path, Encoding(FORMATS[name], 1, tags=tags, version="1"))
    return path


def by_mutagen(path: Path, name: str) -> Any:
    """The tag as mutagen finds it in the file."""
    if FORMATS[name].container != "WAV":
        return File(path).tags
    from mutagen.wave import WAVE

    return WAVE(path).tags


@pytest.mark.parametrize("name", FORMATS)
def test_every_field_is_where_players_look_for_it(tmp_path: Path, name: str) -> None:
    path = made(tmp_path / f"a{FORMATS[name].suffix}", name, FULL)
    found = by_mutagen(path, name)
    for (frame, comment), value in zip(PUBLISHED.items(), VALUES, strict=True):
        if isinstance(found, ID3):
            assert [str(text) for text in found[frame].text] == [value]
        else:
            assert found[comment] == [value]
    if isinstance(found, ID3):
        assert found.version == (2, 4, 0)
    assert read_tags(path) == FULL


@pytest.mark.parametrize("name", FORMATS)
def test_the_sound_stays_as_it_is(tmp_path: Path, name: str) -> None:
    plain = made(tmp_path / f"a{FORMATS[name].suffix}", name)
    tagged = made(tmp_path / f"b{FORMATS[name].suffix}", name, FULL)
    assert plain.read_bytes() != tagged.read_bytes()
    wanted = soundfile.read(plain, dtype="float64")[0]
    assert wanted.shape == (6001, 2)
    assert np.array_equal(soundfile.read(tagged, dtype="float64")[0], wanted)
    if name != "mp3":  # not among the kinds of stems
        reader = StemReader(probe(tagged), 48000)
        assert np.array_equal(reader.read(np.empty((6001, 2))), wanted)
        reader.close()


@pytest.mark.parametrize("name", FORMATS)
def test_what_is_not_told_is_not_written_and_what_was_is_replaced(
    tmp_path: Path, name: str
) -> None:
    form, path = FORMATS[name], made(tmp_path / f"a{FORMATS[name].suffix}", name)
    assert read_tags(path) == Tags()
    for tags in (FULL, Tags(title="x"), Tags(title="x"), Tags(), FULL):
        write_tags(path, form, tags)
        assert read_tags(path) == tags
        with soundfile.SoundFile(path) as file:
            assert file.copy_metadata()["software"].startswith("mixwright 1")
    twice = path.read_bytes()
    write_tags(path, form, FULL)
    assert path.read_bytes() == twice


def test_files_past_four_gigabytes_have_tags_too(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((101, 2)), 48000, format="RF64", subtype="PCM_24")
    write_tags(path, FORMATS["wav24"], FULL)
    assert read_tags(path) == FULL
    with open(path, "rb") as file:
        *_, last = chunks(file)
        file.seek(last.body_at)
        assert ID3(io.BytesIO(file.read(last.size)))["TSRC"].text == ["XXA002500001"]
    assert soundfile.info(path).frames == 101


@pytest.mark.parametrize("name", FORMATS)
def test_a_file_of_another_kind_is_a_problem(tmp_path: Path, name: str) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"no sound at all" * 9)
    with pytest.raises(
        ProblemError, match=r"expected a whole WAV file|tags of a can't be read"
    ) as raised:
        write_tags(path, FORMATS[name], FULL)
    assert raised.value.problems[0].fault is Fault.INPUT
    assert path.read_bytes() == b"no sound at all" * 9


def test_a_file_that_is_not_there_is_what_the_machine_says(tmp_path: Path) -> None:
    for name in ("wav24", "aiff24", "flac24", "ogg", "mp3"):
        with pytest.raises(FileNotFoundError):
            write_tags(tmp_path / "none", FORMATS[name], FULL)


def test_damaged_tags_are_written_over(tmp_path: Path) -> None:
    path = made(tmp_path / "a.wav", "wav24", FULL)
    content = path.read_bytes()
    at = content.rindex(b"ID3\4")
    path.write_bytes(content[:at] + b"XXX" + content[at + 3 :])
    write_tags(path, FORMATS["wav24"], FULL)
    assert path.read_bytes() == content


def test_tags_in_pages_that_are_gone_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.ogg"
    soundfile.write(path, np.zeros((4800, 2)), 48000, format="OGG", subtype="VORBIS")
    data = path.read_bytes()
    path.write_bytes(data[: data.index(b"OggS", 4)])  # the first page, which only says what it is
    with pytest.raises(ProblemError, match=r"the tags of a\.ogg can't be read"):
        write_tags(path, FORMATS["ogg"], FULL)
