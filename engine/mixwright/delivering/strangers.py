"""What a delivery was made with that is another one here: its bits may differ for that."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from mixwright.delivering.manifest import (
    MadeWith,
    Manifest,
    OutputEntry,
    this_platform,
    this_tool,
)

StrangerKind = Literal["version", "library", "processor"]
INSTRUCTIONS = "instructions"


@dataclass(frozen=True)
class Stranger:
    """Something that is not as it was: `then` None where the manifest doesn't name it.

    `here` is None where it isn't there. `files` is how many files it is said of, None for all.
    """

    part: StrangerKind
    name: str
    then: str | None
    here: str | None
    files: int | None = None

    @property
    def words(self) -> str:
        """What is said of it.

        >>> Stranger("library", "numpy", "2.0.1", "2.4.6").words
        'made with numpy 2.0.1, here is 2.4.6'
        >>> Stranger("processor", "processor", None, "znver4", files=2).words
        'of 2 files the manifest names no processor, here is znver4'
        >>> Stranger("processor", "instructions", "avx fma", "avx avx2").words
        'made for the instructions fma, which are not used here; here avx2 are used as well'
        """
        of = {None: "", 1: "1 file was "}.get(self.files, f"{self.files} files were ")
        if self.then is None:
            of = "" if self.files is None else f"of {self.files} file{'s' * (self.files > 1)} "
            return f"{of}the manifest names no {self.name}, here is {self.here or 'none'}"
        if self.name == INSTRUCTIONS and self.here is not None:
            return f"{of}{_instruction_words(self.then, self.here)}"
        if self.here is None:
            return f"{of}made with {self.name} {self.then}, which isn't here"
        return f"{of}made with {self.name} {self.then}, here is {self.here}"


def _instruction_words(then: str, here: str) -> str:
    lost = [word for word in then.split() if word not in here.split()]
    more = [word for word in here.split() if word not in then.split()]
    said = [f"made for the instructions {' '.join(lost)}, which are not used here"] if lost else []
    if more:
        said.append(f"here {' '.join(more)} are used as well")
    return "; ".join(said)


def made_with(entry: OutputEntry, manifest: Manifest) -> MadeWith:
    """Return what a file was made with: its own, or what the manifest says of all."""
    return entry.made_with or MadeWith(manifest.made_by, manifest.platform)


def still_made_with(manifest: Manifest, now: Manifest) -> tuple[OutputEntry, ...]:
    """Return a manifest's files as a later one lists them: each with what it was made with.

    What a later delivery keeps was not made by it, and its versions are not the file's.
    """
    here = MadeWith(now.made_by, now.platform)
    before = ((entry, made_with(entry, manifest)) for entry in manifest.outputs)
    return tuple(replace(e, made_with=None if was == here else was) for e, was in before)


def strangers(manifest: Manifest) -> tuple[Stranger, ...]:
    """Return all that the files of a manifest were made with and that is another one here."""
    counts: dict[MadeWith, int] = {}
    origins = [made_with(entry, manifest) for entry in manifest.outputs]
    for origin in origins or [MadeWith(manifest.made_by, manifest.platform)]:
        counts[origin] = counts.get(origin, 0) + 1
    here, whole = MadeWith(this_tool(), this_platform()), len(counts) == 1
    return tuple(
        replace(one, files=None if whole else count)
        for origin, count in counts.items()
        for one in _between(origin, here)
    )


def _between(then: MadeWith, here: MadeWith) -> Iterator[Stranger]:
    """What differs between two ways to make a file."""
    for (part, name, a), (_, _, b) in zip(_named(then), _named(here), strict=True):
        if a != b:
            yield Stranger(part, name, a, b)
    libraries, ours = then.made_by.libraries, here.made_by.libraries
    for name in sorted({*libraries, *ours}):
        if libraries.get(name) != ours.get(name):
            yield Stranger("library", name, libraries.get(name), ours.get(name))


def _named(what: MadeWith) -> list[tuple[StrangerKind, str, str | None]]:
    tool, machine = what.made_by, what.platform
    return [
        ("version", "mixwright", tool.mixwright),
        ("version", "mixwright's sound", str(tool.sound)),
        ("version", "Python", tool.python),
        ("processor", "system", machine.system),
        ("processor", "machine", machine.machine),
        ("processor", "processor", machine.processor),
        ("processor", INSTRUCTIONS, machine.instructions),
    ]
