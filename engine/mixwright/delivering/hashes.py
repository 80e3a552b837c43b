"""Hashes: of files, and of everything that a variant depends on.

SHA-256 throughout (FIPS 180-4).
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
import re
from collections.abc import Iterable, Mapping
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np

from mixwright.audio import StemInfo
from mixwright.audio.fingerprint import FileStamp, sha256_of
from mixwright.dsp.inserts import PluginSettings
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering import Plan
from mixwright.rendering.cache import SOUND, DataCache
from mixwright.version import __version__

SHA256 = re.compile("[0-9a-f]{64}")


def lying_sha256(path: Path) -> str | None:
    """Return the hash of what lies at a path, None where no file does.

    Raises ProblemError (fault MACHINE) when there is one that can't be read.
    """
    try:
        return sha256_of(path)
    except (FileNotFoundError, NotADirectoryError, IsADirectoryError):
        return None
    except OSError as error:
        message = f"{path} can't be read: {error.strerror}"
        raise ProblemError([Problem("deliver/machine", message, fault=Fault.MACHINE)]) from error


def stem_sha256(info: StemInfo, cache: DataCache) -> str:
    """Return the hash of a stem's file, recalled where the file lies there as it did before.

    Raises ProblemError (fault MACHINE) when it changed since it was probed or can't be read.
    """
    depends = repr(("sha256", str(info.path), info.stamp))
    kept = cache.get(depends)
    if isinstance(kept, str) and SHA256.fullmatch(kept):
        return kept
    found = lying_sha256(info.path)
    check_unchanged([info])
    if found is None:
        raise ProblemError([_changed(info, "was removed")])
    cache.put(depends, found)
    return found


def check_unchanged(infos: Iterable[StemInfo]) -> None:
    """Refuse to go on with stems that are not as they were when they were probed.

    Raises ProblemError (fault MACHINE) that names each one, once.
    """
    problems = {}
    for info in infos:
        try:
            now = FileStamp.of(os.stat(info.path))
        except OSError:
            problems[info.path] = _changed(info, "was removed")
            continue
        if now != info.stamp:
            problems[info.path] = _changed(info, "was changed")
    if problems:
        raise ProblemError(problems.values())


def _changed(info: StemInfo, what: str) -> Problem:
    return Problem(
        "deliver/stem-changed",
        f"{info.path.name} {what} while it was being delivered, expected it to stay as it was",
        help="let it be written to its end, then deliver again",
        fault=Fault.MACHINE,
    )


def plan_digest(plan: Plan, stems: Mapping[Path, str], *more: object) -> str:
    """Return one hash of a plan, its stems' content, this version, and whatever else is given.

    `stems` maps each stem's path (as probed) to its hash: what a stem holds goes in, where it
    lies and when it was written doesn't, and so a copy of a song elsewhere has the same digest.
    `more` may be values, sequences, mappings and dataclasses of them: finishing, formats, labels.
    A plug-in goes by its name and parameters; what it does may change behind our back.

    Raises KeyError for a stem without a hash, TypeError for what has no lasting text.
    """
    hashed = hashlib.sha256()
    for part in (__version__, SOUND, plan, *more):
        hashed.update(_lasting(part, stems).encode())
        hashed.update(b"\n")
    return hashed.hexdigest()


def _lasting(value: Any, stems: Mapping[Path, str]) -> str:
    """A text of a value that is the same in another place, at another time and in another run."""
    if isinstance(value, StemInfo):
        return f"StemInfo({stems[value.path]})"
    if isinstance(value, PluginSettings):
        value = dataclasses.replace(value, path="")
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = dataclasses.fields(value)
        inner = (f"{p.name}={_lasting(getattr(value, p.name), stems)}" for p in parts)
        return f"{type(value).__name__}({', '.join(inner)})"
    if isinstance(value, Mapping):
        pairs = ((_lasting(key, stems), _lasting(item, stems)) for key, item in value.items())
        return "{" + ", ".join(f"{key}: {item}" for key, item in sorted(pairs)) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_lasting(item, stems) for item in value) + "]"
    if isinstance(value, set | frozenset):
        return "{" + ", ".join(sorted(_lasting(item, stems) for item in value)) + "}"
    if isinstance(value, Enum):
        return f"{type(value).__name__}.{value.name}"
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, bool | int | float | str | bytes):
        return repr(value)
    raise TypeError(f"{type(value).__name__} has no text that lasts")
