"""The sounds of a review page: 16-bit FLAC for people, and the same bytes as a script for the page.

A page opened from disk may not read the files beside it, but it may run scripts that lie there. So
each sound is there twice: ``audio/NAME.flac`` and ``audio/NAME.js``, which hands the page the bytes
of the first in base64 (RFC 4648, section 4).
"""

from __future__ import annotations

import base64
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from mixwright.audio.encode import Encoding, encode
from mixwright.audio.fingerprint import sha256_of
from mixwright.audio.formats import RENDER_FORMATS
from mixwright.audio.probe import StemInfo
from mixwright.audio.read import played
from mixwright.audio.staged import aside, told_as_problem
from mixwright.escaping import script_json
from mixwright.rendering.probing import probed
from mixwright.rendering.session import USUAL, Session
from mixwright.units import Block, db_to_gain, gain_to_db

FOLDER = "audio"
CALL = "registerAudio("
FORM = RENDER_FORMATS["flac16"]
# Three bytes make four characters: a piece that ends between would be padded in the middle.
PIECE_BYTES = 3 * 2**18
LONGEST_NAME = 60
LONGEST_FILE = 80  # with what tells it from others, its hash and its ending
HASH_DIGITS = 8
# One seed for all: what two versions have in common stays the same, down to its dither.
SEED = 1
# What dither may add to a peak, in 16-bit steps, and one more for rounding.
ROOM = 1.0 - 3.0 / 2**15


@dataclass(frozen=True)
class PageSound:
    """A source's sound beside the page.

    `lowered_db` (0 or more) is how much lower than delivered it was written, because it is over
    full scale; the page makes up for it before it turns anything down.
    """

    name: str
    lowered_db: float

    @property
    def flac(self) -> str:
        """Where the file for people is, from the page."""
        return f"{FOLDER}/{self.name}.flac"

    @property
    def script(self) -> str:
        """Where the script is, from the page."""
        return f"{FOLDER}/{self.name}.js"


def write_sounds(
    folder: Path, sounds: Mapping[str, Path], session: Session = USUAL
) -> dict[str, PageSound]:
    """Write each sound into `folder` and return where they are, by their ids.

    The name of a file ends in some of its hash: sounds of an earlier page stay what they are until
    that page has been replaced, and are then to be removed by :func:`clear_away`. Raises
    ProblemError for a sound that can't be read, or a machine that refuses.
    """
    kept = folder / FOLDER
    with told_as_problem(kept):
        kept.mkdir(parents=True, exist_ok=True)
    names = file_names(sounds)
    with aside(kept) as room:
        return {
            id: _write_sound(id, probed(path, session), names[id], room, kept)
            for id, path in sounds.items()
        }


def _write_sound(id: str, source: StemInfo, name: str, room: Path, kept: Path) -> PageSound:
    """Make both files of a sound in `room`, then put them into `kept`.

    The script goes first: it is known as ours by what it holds, and its twin by its name, so that
    whatever happens the next page can clear both away.
    """
    flac, script = room / "1.flac", room / "1.js"
    lowered_db = _write_flac(source, flac, kept / f"{name}.flac")
    with told_as_problem(kept):
        name = f"{name}-{sha256_of(flac)[:HASH_DIGITS]}"
        _write_script(id, flac, script)
        os.replace(script, kept / f"{name}.js")
        os.replace(flac, kept / f"{name}.flac")
    return PageSound(name, lowered_db)


def file_names(ids: Iterable[str]) -> dict[str, str]:
    """Return a name for each id that any file system takes; no two alike.

    >>> file_names(["step 1", "Step-1", "höher"])
    {'step 1': 'step-1', 'Step-1': 'step-1-2', 'höher': 'h-her'}
    """
    names: dict[str, str] = {}
    for id in ids:
        plain = re.sub(r"[^a-z0-9]+", "-", id.lower()).strip("-")[:LONGEST_NAME] or "sound"
        name, count = plain, 1
        while name in names.values():
            count += 1
            name = f"{plain}-{count}"
        names[id] = name
    return names


def _write_flac(info: StemInfo, flac: Path, named: Path) -> float:
    """Write a sound as 16 bits to `flac`; return how much it was lowered."""
    if info.container == "FLAC" and info.subtype == "PCM_16" and info.channels == 2:
        with told_as_problem(named):
            flac.write_bytes(info.path.read_bytes())
        return 0.0
    lowered_db = max(0.0, gain_to_db(_peak(info) / ROOM))
    gain = db_to_gain(-lowered_db)
    blocks = (block * gain for block in in_stereo(info))
    encode(blocks, info.frames, info.rate_hz, flac, Encoding(FORM, SEED), named)
    return lowered_db


def _peak(info: StemInfo) -> float:
    return max((float(np.abs(block).max()) for block in in_stereo(info)), default=0.0)


def in_stereo(info: StemInfo) -> Iterator[Block]:
    """Yield a whole sound in two channels, shape (frames, 2), at its own rate.

    One channel plays from both sides at 3 dB less: then it is as loud (ITU-R BS.1770, which adds
    the powers of channels) as it was measured to be.
    """
    for _, block in played(info):
        yield block if info.channels == 2 else np.repeat(block, 2, axis=1) * np.sqrt(0.5)


def _write_script(id: str, flac: Path, script: Path) -> None:
    with open(flac, "rb") as sound, open(script, "wb") as out:
        out.write(f'{CALL}{script_json(id)}, "'.encode())
        while piece := sound.read(PIECE_BYTES):
            out.write(base64.b64encode(piece))
        out.write(b'");\n')


def clear_away(folder: Path, written: Iterable[PageSound]) -> None:
    """Remove what an earlier page left: scripts that begin as ours do, and their twins."""
    kept, names = folder / FOLDER, {sound.name for sound in written}
    with told_as_problem(kept):
        for script in kept.glob("*.js"):
            if script.stem in names:
                continue
            with open(script, "rb") as file:
                ours = file.read(len(CALL)) == CALL.encode()
            if ours:
                script.with_suffix(".flac").unlink(missing_ok=True)
                script.unlink()
