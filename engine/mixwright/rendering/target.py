"""Where a render goes and in which format; what it must never overwrite; the dither's seed."""

from __future__ import annotations

import re
from pathlib import Path

from mixwright.audio import RENDER_FORMATS, MixFormat
from mixwright.audio.staged import told_as_problem
from mixwright.audio.write import refuse_folder
from mixwright.problem import Problem, ProblemError
from mixwright.sheet import STEPS, Sheet
from mixwright.sheet.model import RecordedRoom
from mixwright.timeline import Position


def default_target(
    sheet: Sheet,
    form: MixFormat,
    through: str,
    section: str | None,
    span: tuple[Position | None, Position | None],
    mono: bool = False,
) -> Path:
    """Return where a render goes that was not told: ``out/mix.wav``, ``out/mix-balance.wav`` ..."""
    words = ["mix"]
    if through != STEPS[-1]:
        words.append(through)
    if section is not None:
        words.append(section)
    elif span != (None, None):
        words += [str(span[0] or "start"), "to", str(span[1] or "end")]
    if mono:
        words.append("mono")
    name = re.sub(r"[^\w.]+", "-", " ".join(words)).strip("-.")
    return sheet.folder / "out" / f"{name}{form.suffix}"


def chosen_format(name: str | None, out: str | Path | None) -> MixFormat:
    """Return the format asked for, or the one that the file's name asks for; both must agree."""
    if name is not None and name not in RENDER_FORMATS:
        message = f"unknown format '{name}', expected one of: {', '.join(RENDER_FORMATS)}"
        raise ProblemError([Problem("usage/unknown-format", message)])
    out = None if out is None else Path(out)
    by_suffix = {".wav": "wav24", ".flac": "flac24"}
    if out is None:
        return RENDER_FORMATS[name or "wav24"]
    refuse_folder(out)
    suffix = out.suffix.lower()
    if suffix not in by_suffix or (name is not None and RENDER_FORMATS[name].suffix != suffix):
        expected = f"a name ending in {RENDER_FORMATS[name].suffix}" if name else ".wav or .flac"
        message = f"{out.name} ends in '{out.suffix}', expected {expected}"
        raise ProblemError([Problem("usage/suffix", message, help="change --out or --format")])
    return RENDER_FORMATS[name or by_suffix[suffix]]


def keep_sources(sheet: Sheet, target: Path) -> None:
    """Refuse to write over the sheet or anything it reads, forced or not."""
    sources = {sheet.path: "the mix sheet"}
    sources |= {sheet.folder / track.file: "a stem of this mix" for track in sheet.tracks}
    sources |= {sheet.folder / part.file: "a reference of this mix" for part in sheet.references}
    rooms = [part.effect for part in sheet.returns if isinstance(part.effect, RecordedRoom)]
    sources |= {sheet.folder / room.impulse: "a room of this mix" for room in rooms}
    for path, what in sources.items():
        with told_as_problem(target):
            same = target.exists() and path.exists() and target.samefile(path)
        if same:
            problem = Problem("output/is-source", f"{target} is {what}", help="give another --out")
            raise ProblemError([problem])


def seed_of(sheet: Sheet, stem: str | None = None) -> int:
    """Return the seed of the dither: from the song's name, so that a render repeats.

    Not from the settings: what two versions of a mix have in common then stays the same bits. Each
    `stem` has its own: the same dither in all of them would add up as one sound.
    """
    import hashlib

    name = f"{sheet.song.title}\n{sheet.song.artist}" + ("" if stem is None else f"\n{stem}")
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
