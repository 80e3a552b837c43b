"""What a file says of itself, as mutagen reads it: what tests hold written tags to."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from mutagen import File
from mutagen.id3 import ID3

from mixwright.audio.riff import FORMS, chunk_body, chunks
from mixwright.audio.tags import NAMES, Tags


def read_tags(path: Path) -> Tags:
    """Return the tags of a file in any of our formats; what can't be read raises as it will."""
    tags = _found(path)
    if tags is None:
        return Tags()
    if isinstance(tags, ID3):
        frames = {name: tags.getall(key) for name, (key, _) in NAMES.items()}
        texts = {name: str(found[0].text[0]) for name, found in frames.items() if found}
    else:
        texts = {name: tags[key][0] for name, (_, key) in NAMES.items() if key in tags}
    number = texts.pop("track_number", None)
    return Tags(**texts, track_number=None if number is None else int(number))


def _found(path: Path) -> Any:
    with open(path, "rb") as file:
        if file.read(4) not in FORMS:
            return getattr(File(path), "tags", None)
        for chunk in chunks(file):
            if chunk.name == b"id3 ":
                return ID3(io.BytesIO(chunk_body(file, chunk)))
    return None
