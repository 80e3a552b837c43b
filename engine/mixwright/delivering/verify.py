"""Holding a delivery to its manifest: by hashes, and by making everything again.

What is made again need not have the same bits: another machine or library may round otherwise.
Then the two files are subtracted, and what is left must lie below a limit: for float files
`FLOAT_NULL_DBFS`; for integer files `MOST_STEPS` quantisation steps, since a last bit that differs
before the dither may come out as one step on either side; with shaped dither `MOST_SHAPED_STEPS`,
since one step that differs changes all the noise after it (11 measured at most); for lossy files
`LOSSY_NULL_DBFS`, since an encoder turns a last bit into other choices. The limits are ours.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from contextlib import ExitStack, closing
from dataclasses import astuple, dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from mixwright.audio import StemInfo, StemReader, probe
from mixwright.claims import claimed
from mixwright.delivering.hashes import lying_sha256
from mixwright.delivering.manifest import (
    MANIFEST_FILE,
    Manifest,
    OutputEntry,
    manifest_path,
    read_manifest,
)
from mixwright.delivering.strangers import Stranger, strangers
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering.probing import probed
from mixwright.rendering.session import USUAL, Session
from mixwright.units import SILENCE_DB, gain_to_db, or_silence, unless_silent
from mixwright.words import counted

FLOAT_NULL_DBFS, LOSSY_NULL_DBFS = -120.0, -60.0
MOST_STEPS, MOST_SHAPED_STEPS = 2, 16
INTEGER_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
READ_FRAMES = 65536

FileState = Literal["same", "changed", "missing", "from before"]
ListedKind = Literal["sheet", "input", "output"]


@dataclass(frozen=True)
class Remade:
    """How an output made again compares with the one that the manifest lists.

    `null_dbfs` is the peak of their difference, None for none. `limit_dbfs` is what it may reach;
    it is None where no difference was or could be taken, and then `words` say why.
    """

    same_bits: bool
    holds: bool
    null_dbfs: float | None = None
    limit_dbfs: float | None = None
    words: str | None = None


@dataclass(frozen=True)
class Held:
    """One file held to the manifest; `remade` is None where nothing was made again."""

    part: ListedKind
    file: str
    state: FileState
    remade: Remade | None = None

    @property
    def holds(self) -> bool:
        """Whether it is as listed, and, where made again, came out as it is."""
        return self.state == "same" and (self.remade is None or self.remade.holds)


@dataclass(frozen=True)
class Verified:
    """A manifest and everything that was held to it: sheet, inputs, outputs, in this order.

    `notes` say what else a person should know: another version of a library, a rerender left out.
    `strangers` are what the files were made with that is another one here.
    """

    path: Path
    manifest: Manifest
    files: tuple[Held, ...]
    notes: tuple[str, ...] = ()
    strangers: tuple[Stranger, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether every file is as the manifest lists it, and came out so again if asked for."""
        return all(held.holds for held in self.files)

    @property
    def outputs_hold(self) -> bool:
        """Whether what was delivered is as listed, whatever has become of sheet and inputs."""
        return all(held.holds for held in self.files if held.part == "output")


Rerender = Callable[[Path], Manifest | None]


def verify_manifest(
    path: str | Path, rerender: Rerender | None = None, session: Session = USUAL
) -> Verified:
    """Hold every file that a manifest lists to its hash; `path` may be the folder it lies in.

    `rerender` delivers everything again into the folder it is given; it is called only where the
    sheet and all inputs are as they were. Raises ProblemError for a manifest that can't be read or
    doesn't fit, and (fault MACHINE) for files that are there but can't be read.
    """
    path = manifest_path(path)
    manifest = read_manifest(path)
    folder = path.parent
    sources = _sources(manifest, folder)
    outputs = [_output(manifest, entry, folder) for entry in manifest.outputs]
    others = strangers(manifest)
    notes = [other.words for other in others]
    if manifest.staged is not None:
        notes.append("the last delivery was interrupted: deliver again to bring it to its end")
    if stale := sum(_is_stale(manifest, entry) for entry in manifest.outputs):
        files = counted(stale, "file is", "files are")
        notes.append(f"{files} from an earlier sheet: deliver again to bring them up to date")
    if rerender is not None and all(held.holds for held in sources):
        outputs = _made_again(manifest, folder, outputs, rerender, session)
        notes += _other_bits(outputs, others)
    elif rerender is not None:
        notes.append("nothing was made again: the sheet or an input isn't as it was")
    return Verified(path, manifest, (*sources, *outputs), tuple(notes), others)


def _sources(manifest: Manifest, folder: Path) -> list[Held]:
    sheet = manifest.sheet
    found = [Held("sheet", sheet.file, _state(folder / sheet.file, sheet.sha256))]
    home = (folder / sheet.file).parent
    return found + [
        Held("input", entry.file, _state(home / entry.file, entry.sha256))
        for entry in manifest.inputs
    ]


def _state(path: Path, sha256: str, before: Collection[str] = ()) -> FileState:
    lying = lying_sha256(path)
    if lying is None:
        return "missing"
    if lying == sha256:
        return "same"
    return "from before" if lying in before else "changed"


def _output(manifest: Manifest, entry: OutputEntry, folder: Path) -> Held:
    before = {was.sha256 for was in manifest.replacing if was.file == entry.file}
    before |= {was.sha256 for was in manifest.former if was.file == entry.file}
    return Held("output", entry.file, _state(folder / entry.file, entry.sha256, before))


def _made_again(
    manifest: Manifest, folder: Path, outputs: list[Held], rerender: Rerender, session: Session
) -> list[Held]:
    with ExitStack() as kept:
        try:
            room = kept.enter_context(claimed(folder))
        except OSError as error:
            message = f"nothing can be made again in {folder}: {error.strerror}"
            hint = "copy the song and its delivery to where it can be written"
            problem = Problem("verify/machine", message, help=hint, fault=Fault.MACHINE)
            raise ProblemError([problem]) from error
        again = rerender(room)
        if again is None and (room / MANIFEST_FILE).exists():
            again = read_manifest(room)
        fresh = {} if again is None else {entry.file: entry for entry in again.outputs}
        places = folder, room
        return [
            held
            if _is_stale(manifest, entry)
            else replace(held, remade=_remade(entry, fresh.get(entry.file), held, places, session))
            for entry, held in zip(manifest.outputs, outputs, strict=True)
        ]


def _other_bits(outputs: Collection[Held], others: Collection[Stranger]) -> list[str]:
    """What to say of files that came out with other bits: by how much, and what may be why."""
    again = [held for held in outputs if held.remade is not None]
    other = {h.file: h.remade for h in again if h.remade and not h.remade.same_bits}
    if not other:
        return []
    measured = {
        file: or_silence(remade.null_dbfs)
        for file, remade in other.items()
        if remade.limit_dbfs is not None
    }
    words = f"other bits in {len(other)} of {len(again)} files made again"
    if measured:
        file = max(measured, key=lambda name: measured[name])
        level = measured[file]
        how = "no sample" if level == SILENCE_DB else f"{level:.1f} dBFS"
        words += f", the largest difference of samples is {how} ({file})"
    names = ", ".join(dict.fromkeys(stranger.name for stranger in others))
    if others:
        return [f"{words}; another one here than then: {names}"]
    return [f"{words}; versions, libraries and processor are the same, so something else is why"]


def _is_stale(manifest: Manifest, entry: OutputEntry) -> bool:
    """Whether a file was made from an earlier sheet, and would come out otherwise from this one."""
    return entry.sheet_sha256 != manifest.sheet.sha256


_NOT_MADE = Remade(False, False, words="not made again")


def _remade(
    entry: OutputEntry,
    fresh: OutputEntry | None,
    held: Held,
    places: tuple[Path, Path],
    session: Session,
) -> Remade:
    one, other = (place / entry.file for place in places)
    lying = lying_sha256(other)
    if fresh is None or lying is None:
        return _NOT_MADE
    if lying == entry.sha256:
        if _listed_otherwise(entry, fresh):
            return Remade(True, False, words="same bits, but other figures are listed")
        return Remade(True, True)
    if held.state != "same":
        return Remade(False, False, words="other bits, and nothing as listed to compare with")
    return null_test(one, other, entry.dither == "shaped", session)


def _listed_otherwise(entry: OutputEntry, fresh: OutputEntry) -> bool:
    """Whether the manifest says something else of a file than what was found again."""
    names = ("bytes", "format", "sample_rate_hz", "frames", "seconds", "sum_group", "dither")
    if any(getattr(entry, name) != getattr(fresh, name) for name in names):
        return True
    pairs = [(entry.gain_db, fresh.gain_db), (entry.limited_db, fresh.limited_db)]
    pairs += zip(astuple(entry.meters), astuple(fresh.meters), strict=True)
    return any((a is None) != (b is None) or abs((a or 0.0) - (b or 0.0)) > 0.01 for a, b in pairs)


def null_test(one: Path, other: Path, shaped: bool = False, session: Session = USUAL) -> Remade:
    """Subtract one sound file from another, block by block, and say whether enough cancels.

    The limit is that of the first file's kind and its dither, see above. Files of another rate,
    length or number of channels, and files that can't be decoded, don't hold.
    """
    try:
        # The first may have been brought here by anyone; the second was made just now.
        a, b = probed(one, session), probe(other, ours=True)
        for what, first, second in (
            ("Hz", a.rate_hz, b.rate_hz),
            ("channels", a.channels, b.channels),
            ("frames", a.frames, b.frames),
        ):
            if first != second:
                return Remade(False, False, words=f"{second} {what}, not {first}")
        limit, peak = limit_of(a.subtype, shaped), _peak_of_difference(a, b)
    except ProblemError as error:
        said = error.problems[0].message.removeprefix(f"{one.name} ")
        return Remade(False, False, words=f"can't be compared: it {said}")
    null_dbfs = unless_silent(gain_to_db(peak))
    return Remade(False, peak <= limit, null_dbfs, gain_to_db(limit))


def limit_of(subtype: str, shaped: bool = False) -> float:
    """Return what may be left of a difference, as an amplitude, by the kind of samples.

    >>> limit_of("PCM_16") * 2**15
    2.0
    """
    if (bits := INTEGER_BITS.get(subtype)) is not None:
        steps = MOST_SHAPED_STEPS if shaped else MOST_STEPS
        return float(steps * 2.0 ** (1 - bits))
    level_dbfs = FLOAT_NULL_DBFS if subtype in ("FLOAT", "DOUBLE") else LOSSY_NULL_DBFS
    return float(10.0 ** (level_dbfs / 20.0))


def _peak_of_difference(a: StemInfo, b: StemInfo) -> float:
    """The largest difference of two samples; ProblemError where one of them is no number."""
    peak = 0.0
    with ExitStack() as kept:
        one, other = (
            kept.enter_context(closing(StemReader(info, info.rate_hz))) for info in (a, b)
        )
        for at in range(0, a.frames, READ_FRAMES):
            room = np.empty((2, min(READ_FRAMES, a.frames - at), a.channels))
            difference = one.read(room[0]) - other.read(room[1])
            peak = max(peak, float(np.max(np.abs(difference))))
    return peak
