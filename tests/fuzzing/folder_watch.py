"""What lies in a folder, by hash, and what has to hold of it and of what a command says."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

from fuzzing.forked import Done

# What commands leave on purpose: an empty file that two deliveries meet at.
MANIFEST = "manifest.json"
# Python itself tries whether it can write to a folder for passing files, by a file of such a name.
TRIED_BY_PYTHON = re.compile(r"[a-z0-9_]{8}")
# Words that only a person who looks into the program understands.
INSIDE_WORDS = ("Traceback", "could not import", "bug in mixwright", "an exception got out")
STATUSES = (0, 1, 2, 3)


def lying(folder: Path) -> dict[str, str]:
    """Every file below a folder with its hash, hidden ones too; of links where they lead to."""
    found = {}
    for place, folders, files in os.walk(folder):
        for name in (*files, *(one for one in folders if Path(place, one).is_symlink())):
            path = Path(place, name)
            found[path.relative_to(folder).as_posix()] = content_of(path)
    return found


def content_of(path: Path) -> str:
    """A file's hash, or what else is there in words."""
    if path.is_symlink():
        return f"link to {os.readlink(path)}"
    if not path.is_file():
        return "no file"
    return hashlib.sha256(path.read_bytes()).hexdigest()


def is_hidden(file: str) -> bool:
    """Whether a file is out of sight: it or a folder on the way begins with a dot."""
    return any(part.startswith(".") for part in Path(file).parts)


def in_sight(found: Mapping[str, str]) -> dict[str, str]:
    """Those files that a person sees."""
    return {file: content for file, content in found.items() if not is_hidden(file)}


def debris(folder: Path, all_of_it: bool = False) -> list[str]:
    """What was left behind below a folder, files and folders: what is hidden, or anything there."""
    files = (path.relative_to(folder).as_posix() for path in folder.rglob("*"))
    return sorted(file for file in files if all_of_it or is_hidden(file))


def faults_of_status(done: Done, allowed: Collection[int] = STATUSES) -> Iterator[str]:
    """What is wrong with how a command ended, and with what it said of it."""
    if done.status is None:
        yield f"it hangs: {done.told}"
    elif done.status not in allowed:
        yield f"a wrong exit status, {done.status}: {done.told}{_bug_report(done)}"
    elif words := [words for words in INSIDE_WORDS if words in done.said]:
        yield f"words from inside, {words[0]}: {done.told}"
    elif done.status in (2, 3) and not done.said.strip():
        yield f"it failed without a word: {done.told}"


def faults_of_reason(done: Done, error: int, names: Collection[str]) -> Iterator[str]:
    """What is wrong with how a refusal of the machine was told: 3, or 2, with the reason."""
    yield from faults_of_status(done, (2, 3))
    said = done.said.lower()
    if done.status in (2, 3) and os.strerror(error).lower() not in said:
        yield f"the reason {errno.errorcode[error]} isn't told: {done.told}"
    elif done.status in (2, 3) and not any(name.lower() in said for name in names):
        yield f"the file isn't told: {done.told}"


def _bug_report(done: Done) -> str:
    """The end of the report that mixwright wrote of a bug."""
    for word in done.err.split():
        if Path(word).name.startswith("mixwright-bug-"):
            try:
                return Path(word).read_text("utf-8")[-1500:]
            except OSError:
                return "(its report is gone)"
    return ""


def faults_of_files(
    now: Mapping[str, str], old: Mapping[str, str], new: Mapping[str, str]
) -> Iterator[str]:
    """What is wrong with files in sight, in the middle: each is the old one or the new one, whole.

    A file that was there and is to be there has to be there at any moment.
    """
    old, new = in_sight(old), in_sight(new)
    for file, content in in_sight(now).items():
        if Path(file).name == MANIFEST and {file} & {*old, *new}:
            continue  # it tells of a delivery that is half done, and is held to what lies there
        if content not in (old.get(file), new.get(file)):
            known = "neither the old nor the new one" if file in {*old, *new} else "a stranger"
            yield f"{file} is {known}"
    for file in sorted({*old} & {*new} - {*now}):
        yield f"{file} is gone"


def faults_of_end(now: Mapping[str, str], expected: Mapping[str, str]) -> Iterator[str]:
    """What is wrong with files in sight at the end: they are what an undisturbed run makes."""
    now, expected = in_sight(now), in_sight(expected)
    for file in sorted({*now, *expected}):
        if now.get(file) != expected.get(file):
            how = "missing" if file not in now else "other bits" if file in expected else "too much"
            yield f"{file} is not what an undisturbed run makes: {how}"


def faults_of_manifest(folder: Path, now: Mapping[str, str], settled: bool) -> Iterator[str]:
    """What is wrong with the manifest of a folder, read without our own reader.

    Everything it lists of the files is true; `settled`: all of its outputs are there.
    """
    place = folder / MANIFEST
    if not place.exists():
        return
    try:
        data = json.loads(place.read_text("utf-8"))
    except ValueError as error:
        yield f"the manifest is broken: {error}"
        return
    listed: dict[str, set[str]] = {}
    for part in ("outputs", "replacing", "former"):
        for entry in data.get(part, ()):
            listed.setdefault(entry["file"], set()).add(entry["sha256"])
    for file, hashes in listed.items():
        if file in now and now[file] not in hashes:
            yield f"the manifest lists another {file}"
    for entry in data["outputs"] if settled else ():
        if now.get(entry["file"]) != entry["sha256"]:
            yield f"the manifest lists {entry['file']}, which isn't there"
