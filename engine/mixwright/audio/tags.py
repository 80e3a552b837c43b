"""What players show of a file: title, artist, album and so on, each format in its own way.

WAV, AIFF and MP3 carry them as ID3 version 2.4 in UTF-8; FLAC, Vorbis and Opus as comments
(Xiph.Org "Vorbis comment specification"; RFC 9639; RFC 7845). In WAV, the tag is a chunk named
``id3`` behind the sound; as it is put there by :mod:`mixwright.audio.riff`, files past 4 GB have it
too. Nothing but the name of the writing software is in other places (INFO, APPL): each fact is told
once.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from mixwright.audio.formats import MixFormat
from mixwright.audio.opened import unreadable
from mixwright.audio.riff import put_chunk
from mixwright.problem import ProblemError

# By field: a frame of ID3 (version 2.4.0, "Native Frames", section 4), and a field of comments
# (Vorbis comment specification, "Minimal list of standard field names"; COMMENT by use).
NAMES = {
    "title": ("TIT2", "TITLE"),
    "artist": ("TPE1", "ARTIST"),
    "album": ("TALB", "ALBUM"),
    "track_number": ("TRCK", "TRACKNUMBER"),
    "date": ("TDRC", "DATE"),
    "genre": ("TCON", "GENRE"),
    "isrc": ("TSRC", "ISRC"),
    "copyright": ("TCOP", "COPYRIGHT"),
    "comment": ("COMM", "COMMENT"),
}
SOFTWARE_FRAME = "TSSE"
UTF_8 = 3
NO_LANGUAGE = "XXX"
CHUNK = b"id3 "
_CONTROLS = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]+")


@dataclass(frozen=True)
class Tags:
    """What is told of a file; None is not told. `date` is a year, or yyyy-mm-dd."""

    title: str | None = None
    artist: str | None = None
    album: str | None = None
    track_number: int | None = None
    date: str | None = None
    genre: str | None = None
    isrc: str | None = None
    copyright: str | None = None
    comment: str | None = None

    def texts(self) -> dict[str, str]:
        """Return what is told, by field, as text; a character that controls is a blank.

        An ID3 text ends where a zero is, and no player is to be steered. Line breaks stay.

        >>> Tags(title="Low\\0Tide", track_number=3).texts()
        {'title': 'Low Tide', 'track_number': '3'}
        """
        told = {field.name: getattr(self, field.name) for field in fields(self)}
        texts = {name: str(value) for name, value in told.items() if value is not None}
        return {name: _CONTROLS.sub(" ", text).strip() for name, text in texts.items()}


def write_tags(path: Path, form: MixFormat, tags: Tags, software: str | None = None) -> None:
    """Write `tags` into a finished file of that format, in place of those it has.

    The mark of the writing software stays as it is; `software` is for MP3, which has no other place
    for it. Sound is not touched. Raises ProblemError for a file that is not of the format, OSError
    if the machine refuses.
    """
    texts = tags.texts()
    with _told_as_problem(path):
        if form.container == "WAV":
            put_chunk(path, CHUNK, _id3_bytes(texts), first=False)
            return
        file = _opened(path, form)
        if file.tags is None:
            file.add_tags()
        if form.container in ("AIFF", "MP3"):
            _set_frames(file.tags, texts)
        else:
            _set_comments(file.tags, texts)
        if software is not None and form.container == "MP3":
            _set_frame(file.tags, SOFTWARE_FRAME, software)
        file.save()


def _opened(path: Path, form: MixFormat) -> Any:
    """The file as the tagging library has it; its classes have no types."""
    from mutagen.aiff import AIFF
    from mutagen.flac import FLAC
    from mutagen.mp3 import MP3
    from mutagen.oggopus import OggOpus
    from mutagen.oggvorbis import OggVorbis

    kinds: dict[str, Any] = {"AIFF": AIFF, "MP3": MP3, "FLAC": FLAC}
    kinds |= {"OPUS": OggOpus, "VORBIS": OggVorbis}
    return kinds[form.subtype if form.container == "OGG" else form.container](path)


def _set_comments(tags: Any, texts: Mapping[str, str]) -> None:
    for name, (_, key) in NAMES.items():
        if name in texts:
            tags[key] = [texts[name]]
        elif key in tags:
            del tags[key]


def _id3_bytes(texts: Mapping[str, str]) -> bytes:
    from mutagen import id3

    make: Any = id3.ID3
    tags, kept = make(), io.BytesIO()
    _set_frames(tags, texts)
    tags.save(kept, v1=0, padding=lambda _: 0)
    return kept.getvalue()


def _set_frames(tags: Any, texts: Mapping[str, str]) -> None:
    for name, (key, _) in NAMES.items():
        tags.delall(key)
        if name in texts:
            more = {"lang": NO_LANGUAGE, "desc": ""} if name == "comment" else {}
            _set_frame(tags, key, texts[name], **more)


def _set_frame(tags: Any, key: str, text: str, **more: str) -> None:
    from mutagen import id3

    tags.setall(key, [getattr(id3, key)(encoding=UTF_8, text=[text], **more)])


@contextmanager
def _told_as_problem(path: Path) -> Iterator[None]:
    """The library wraps what the machine refuses in its own errors: take it out again."""
    from mutagen import MutagenError

    try:
        yield
    except MutagenError as error:
        cause = error.args[0] if error.args else None
        if isinstance(cause, OSError) and cause.errno is not None:
            raise cause from error
        # One without a number is the library's own word for a tag that goes on past the end.
        raise _unreadable(path, error, str(error) or "they are cut short") from error
    except (IndexError, KeyError, OverflowError, TypeError, ValueError) as error:
        # What the library comes to where damage leads it astray.
        raise _unreadable(path, error, "they are damaged") from error


def _unreadable(path: Path, error: Exception, reason: str | None = None) -> ProblemError:
    return unreadable(f"the tags of {path.name}", error, reason)
