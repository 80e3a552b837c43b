"""The files a sheet names: there, files, inside its folder, and none on two tracks.

Whether a file holds sound is for the room that reads sound.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from mixwright.problem import About, Problem, Span, odd_kind
from mixwright.sheet.nearest import Hints
from mixwright.sheet.tree import Entry


@dataclass
class FileCheck:
    """Checks one file after the other; remembers which track each one is on."""

    folder: Path
    allow_outside: bool = False
    _tracks: dict[str, str] = field(default_factory=dict)
    _hints: Hints = field(default_factory=Hints)

    def __post_init__(self) -> None:
        self._root = os.path.realpath(self.folder)

    def check(self, node: Entry, track: str | None = None) -> Iterator[Problem]:
        """A file that a track (by its name) or a reference (None) is read from."""
        if not node.text:
            return
        if not node.text.isprintable():
            message = "the file's name holds a line break or control character"
            yield Problem("sheet/bad-file-name", message, node.span)
            return
        try:
            yield from self._checked(node, node.text, track)
        except OSError as error:
            # A name too long for any file, or a folder that may not be looked into.
            message = f"{node.text} can't be looked at: {str(error.strerror).lower()}"
            yield _around("bad-file-name", message, node.span)

    def _checked(self, node: Entry, name: str, track: str | None) -> Iterator[Problem]:
        real = os.path.realpath(self.folder / name)
        if not self.allow_outside and not self._is_inside(name, real):
            message = f"{name} leads out of the sheet's folder"
            help = "put the file inside it, or use --allow-outside"
            yield _around("outside-folder", message, node.span, help)
        elif os.path.isdir(real):
            message = f"{name} is a folder, expected a sound file"
            yield _around("file-is-a-folder", message, node.span)
        elif not os.path.exists(real):
            # exists() hides a name that is too long; lstat says so.
            self._look(real)
            message = f"there is no file {name}"
            yield _around("missing-file", message, node.span, self._similar(name))
        elif (kind := odd_kind(os.stat(real).st_mode)) is not None:
            yield _around("not-a-file", f"{name} is {kind}, expected a sound file", node.span)
        elif track is not None:
            yield from self._used_once(node, name, real, track)

    def _is_inside(self, name: str, real: str) -> bool:
        below = os.path.join(self._root, "")
        return not os.path.isabs(name) and os.path.join(real, "").startswith(below)

    def _used_once(self, node: Entry, name: str, real: str, track: str) -> Iterator[Problem]:
        other = self._tracks.setdefault(real, track)
        if other != track:
            message = f"{name} is already the file of track {other}"
            yield _around("file-used-twice", message, node.span)

    @staticmethod
    def _look(real: str) -> None:
        try:
            os.lstat(real)
        except (FileNotFoundError, NotADirectoryError):
            return

    def _similar(self, name: str) -> str | None:
        if "\\" in name:
            return "write / between folders"
        parent = os.path.dirname(name)
        folder = self.folder / parent
        if not folder.is_dir():
            return f"there is no folder {parent}"
        if self._hints.left <= 0:
            return None
        found = self._hints.nearest(os.path.basename(name), os.listdir(folder))
        return (
            f"a file with a similar name exists: {os.path.join(parent, found)}" if found else None
        )


def _around(fault: str, message: str, span: Span, help: str | None = None) -> Problem:
    """A fault of what lies around the sheet, not of what it says."""
    return Problem(f"sheet/{fault}", message, span, help, about=About.FILES)
