"""What random sheets are made of beside numbers: files that exist, names, sections, texts."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from fuzzing.sheet_grammar import Path as Place
from scribbled_sheets import WORDS


@dataclass(frozen=True)
class StemFile:
    """A sound file of 16 bits that sheets may name: rate, channels, length in seconds."""

    rate_hz: int
    channels: int
    seconds: float

    @property
    def frames(self) -> int:
        """Its length in frames."""
        return round(self.seconds * self.rate_hz)


STEMS = {
    "stems/kick.wav": StemFile(48000, 1, 2.0),
    "stems/snare.wav": StemFile(48000, 1, 2.5),
    "stems/bass guitar.wav": StemFile(44100, 1, 3.0),
    "stems/voice_1.wav": StemFile(48000, 1, 3.5),
    "stems/no.wav": StemFile(44100, 2, 1.5),
    "stems/überfall_ß 2.wav": StemFile(48000, 2, 4.0),
    "12": StemFile(96000, 1, 1.0),
    "keys.wav": StemFile(48000, 2, 3.0),
}
ROOMS = {"rooms/stairs.wav": StemFile(48000, 2, 0.4)}
REFERENCES = {"others/radio.wav": StemFile(44100, 2, 3.0), "null": StemFile(48000, 2, 2.0)}
FILES = {**STEMS, **ROOMS, **REFERENCES}

TRACKS = ["kick", "snare", "bass", "lead_vocal", "on", "12", "null", "0x1F", "1e3", "a-b_c", "Z"]
GROUPS = ["drums", "music", "yes", "007", "y"]
RETURNS = ["hall", "slap", "true", "3", "room-2"]
VARIANTS = ["main", "instrumental", "stems", "off", "01", "TV"]
SECTIONS = ["verse 1", "chorus", "yes", "12", "no: end", "ünï 🎚", "Bridge, quiet", "~"]
PATTERNS = ["{variant}", "{title} - {variant}", "x/{variant}/{title}", "{variant} {rate_hz}"]
PATTERNS += ["{artist} {variant}", "{track_number} {variant} ({format})", "ä {album}/{variant}"]
TEXTS = [
    *WORDS,
    "Salt Road",
    "~",
    "01:30",
    "0.5",
    "=",
    "<<",
    "a\tb",
    "x" * 70,
    "\u00a0",
    "back\\slash",
]
TEXTS += [
    "line\u2028end",
    "'",
    '"',
    "no # remark",
    "# at the start",
    "ends with space ",
    ": x",
    "&a",
]
_MEMBERS = {"only", "without", "mute", "stems", "name", "instead", "offset_db"}


def words_for(place: Place) -> list[str] | None:
    """Texts that make sense at a place of a sheet; None where the schema's pattern says it all."""
    key = next((part for part in reversed(place) if isinstance(part, str) and part), "")
    if place and place[-1] == "":
        return _free_names(place[:-1])
    if key == "file":
        return list(REFERENCES if place[0] == "references" else STEMS)
    if place[:2] == ("song", "sections") or key in ("section", "loudest_section"):
        return SECTIONS
    if place[:1] == ("variants",) and _MEMBERS & set(place[2:]):
        return TRACKS + GROUPS
    known = {
        "group": GROUPS,
        "key": TRACKS,
        "name": [*TRACKS, *GROUPS, *RETURNS, "mix_bus"],
        "impulse": list(ROOMS),
        "file_name": PATTERNS,
        "title": TEXTS,
        "artist": TEXTS,
        "why": TEXTS,
    }
    if "parameters" in place:
        return TEXTS
    return known.get(key)


def _free_names(place: Place) -> list[str]:
    last = str(place[-1]) if place else ""
    if last == "automation":
        return [f"sends_db.{name}" for name in RETURNS]
    named = {"tracks": TRACKS, "groups": GROUPS, "returns": RETURNS, "variants": VARIANTS}
    named |= {"sends_db": RETURNS, "offset_db": TRACKS + GROUPS, "stems": ["part 1", *VARIANTS]}
    named["stems"] = ["low", "high", "rest", "voices"]
    named["parameters"] = ["Drive", "mix (%)", "a: b", "12"]
    return named.get(last, [])


@cache
def wav_head(file: StemFile) -> bytes:
    """The header of a plain WAV file of 16 bits; what follows are its samples."""
    frame, size = 2 * file.channels, 2 * file.channels * file.frames
    kind = struct.pack("<HHIIHH", 1, file.channels, file.rate_hz, file.rate_hz * frame, frame, 16)
    return b"RIFF" + struct.pack("<I", 36 + size) + b"WAVEfmt \x10\0\0\0" + kind + _data(size)


def _data(size: int) -> bytes:
    return b"data" + struct.pack("<I", size)


def write_silent_files(home: Path) -> None:
    """Write every file that sheets may name, silent: holes in the disk, done at once."""
    for name, file in FILES.items():
        path = home / name
        path.parent.mkdir(exist_ok=True)
        head = wav_head(file)
        with path.open("wb") as out:
            out.write(head)
            out.truncate(len(head) + 2 * file.channels * file.frames)
