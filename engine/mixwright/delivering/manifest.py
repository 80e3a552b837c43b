"""The manifest: what a delivery made, from what and with what, every file by its hash.

It is plain JSON beside the files, held to ``schemas/manifest.schema.json``. The same delivery says
the same text: no time of day, no absolute path, no name of a machine is in it.
"""

from __future__ import annotations

import dataclasses
import errno
import json
import os
import platform
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mixwright.audio import StemInfo
from mixwright.escaping import json_text, plain_data
from mixwright.problem import Fault, Problem, ProblemError, odd_kind
from mixwright.rendering.cache import SOUND
from mixwright.sheet import schema_path
from mixwright.version import __version__

if TYPE_CHECKING:
    from jsonschema import Draft202012Validator, ValidationError

FORMAT = 1
MANIFEST_FILE = "manifest.json"
SCHEMA_FILE = "manifest.schema.json"
# What touches the sound, or what a file holds beside it.
LIBRARIES = ("llvmlite", "mutagen", "numba", "numpy", "pedalboard", "scipy", "soundfile", "soxr")
_KINDS = {
    "object": "an object",
    "array": "a list",
    "string": "a string",
    "number": "a number",
    "integer": "a whole number",
    "null": "null",
}


@dataclass(frozen=True)
class SongName:
    """Whose song it is."""

    title: str
    artist: str | None = None


@dataclass(frozen=True)
class SheetEntry:
    """The sheet: a path relative to the manifest's folder, and the SHA-256 of its bytes."""

    file: str
    sha256: str


@dataclass(frozen=True)
class MadeBy:
    """What a sound depends on besides sheet and inputs; `sound` is `SOUND` of the cache."""

    mixwright: str
    sound: int
    python: str
    libraries: Mapping[str, str]


@dataclass(frozen=True)
class Platform:
    """What kind of machine it was: another may round the last bit of a sample otherwise.

    `processor` is its family, and `instructions` the sets of arithmetic instructions that code was
    compiled for (:func:`mixwright.dsp.kernels.target.compiled_for`); None where a manifest doesn't
    say.
    """

    system: str
    machine: str
    processor: str | None = None
    instructions: str | None = None


@dataclass(frozen=True)
class MadeWith:
    """What a file was made with, where an earlier delivery made it with something else."""

    made_by: MadeBy
    platform: Platform

    def __hash__(self) -> int:
        return hash((self.made_by.mixwright, self.platform))


@dataclass(frozen=True)
class InputEntry:
    """A sound file that was read; `file` is relative to the sheet's folder."""

    file: str
    sha256: str
    bytes: int
    rate_hz: int
    channels: int
    frames: int


@dataclass(frozen=True)
class FileMeters:
    """What a finished file measures; None for silence and for what can't be measured."""

    integrated_lufs: float | None = None
    loudness_range_lu: float | None = None
    true_peak_dbtp: float | None = None
    sample_peak_dbfs: float | None = None


@dataclass(frozen=True)
class OutputEntry:
    """A file that was made; `file` is relative to the manifest's folder, with forward slashes.

    `plan` is the hash of all it depends on (:func:`mixwright.delivering.orders.digest_of`).
    `sum_group` names the set of stems that adds up exactly and that it is one of. `dither` is
    ``tpdf`` or ``shaped``, None for formats without steps. `sheet_sha256` is that of the sheet from
    which it was made, or would come out the same. `made_with` is None for what was made with all
    that the manifest names.
    """

    file: str
    variant: str
    stem: str | None
    plan: str
    sha256: str
    bytes: int
    format: str
    sample_rate_hz: int
    frames: int
    seconds: float
    meters: FileMeters = FileMeters()
    gain_db: float = 0.0
    limited_db: float = 0.0
    sum_group: str | None = None
    dither: str | None = None
    sheet_sha256: str = ""
    channels: int = 2
    made_with: MadeWith | None = None


@dataclass(frozen=True)
class FormerEntry:
    """A file that the sheet no longer makes; `variant` None for one that was never listed."""

    file: str
    sha256: str
    variant: str | None = None


@dataclass(frozen=True)
class Manifest:
    """Everything about a delivery. `replacing` and `staged` are set during a commit alone."""

    song: SongName
    sheet: SheetEntry
    made_by: MadeBy
    platform: Platform
    inputs: tuple[InputEntry, ...] = ()
    outputs: tuple[OutputEntry, ...] = ()
    former: tuple[FormerEntry, ...] = ()
    replacing: tuple[OutputEntry, ...] = ()
    staged: str | None = None
    format: int = field(default=FORMAT, init=False)

    def output(self, file: str) -> OutputEntry | None:
        """Return the entry of a file, None if it isn't listed."""
        return next((entry for entry in self.outputs if entry.file == file), None)


def this_tool() -> MadeBy:
    """Return what deliveries are made by here and now; a library that isn't there is left out."""
    import soundfile
    import soxr

    found = {}
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue  # an optional part that this machine does without
    found["libsndfile"] = soundfile.__libsndfile_version__.removeprefix("libsndfile-")
    found["libsoxr"] = soxr.__libsoxr_version__.removeprefix("libsoxr-")
    return MadeBy(__version__, SOUND, platform.python_version(), dict(sorted(found.items())))


def this_platform() -> Platform:
    """Return the family of this machine's system and processor."""
    from mixwright.dsp.kernels.target import compiled_for

    return Platform(platform.system(), platform.machine(), *compiled_for())


def relative_file(path: Path, folder: Path) -> str:
    """Return a path as manifests say it: relative to a folder, with forward slashes.

    >>> relative_file(Path("song/mix.yaml"), Path("song/out"))
    '../mix.yaml'
    """
    return Path(os.path.relpath(path, folder)).as_posix()


def input_entry(info: StemInfo, sha256: str, sheet_folder: Path) -> InputEntry:
    """Return the entry of a sound file that a delivery reads."""
    file = relative_file(info.path, sheet_folder)
    return InputEntry(file, sha256, info.size, info.rate_hz, info.channels, info.frames)


def manifest_text(manifest: Manifest) -> str:
    """Return a manifest as JSON, files in the order of their names; ends with a newline.

    What is no finite number becomes null.
    """
    data: dict[str, Any] = {"format": FORMAT}
    data |= {part.name: getattr(manifest, part.name) for part in dataclasses.fields(manifest)}
    for name in ("inputs", "outputs", "former", "replacing"):
        data[name] = sorted(data[name], key=lambda entry: str(entry.file))
    return json_text(plain_data(data)) + "\n"


@cache
def _validator() -> Draft202012Validator:
    from jsonschema import Draft202012Validator

    return Draft202012Validator(json.loads(schema_path(SCHEMA_FILE).read_text("utf-8")))


def manifest_path(path: str | Path) -> Path:
    """Return the manifest's file, given it or the folder that it lies in."""
    path = Path(path)
    return path / MANIFEST_FILE if os.path.isdir(path) else path  # False for a name too long


def read_manifest(path: str | Path) -> Manifest:
    """Read and check a manifest, given its file or its folder.

    Raises ProblemError where there is none, where it can't be read (fault MACHINE), and where it
    is not JSON, of another format or not as the schema asks.
    """
    path = manifest_path(path)
    try:
        if (kind := odd_kind(path.stat().st_mode)) is not None:
            raise _fault("not-a-file", f"{path} is {kind}, expected a delivery's manifest")
        raw = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError, ValueError) as error:
        hint = "give the folder of a delivery, or make one: mixwright deliver mix.yaml"
        raise _fault("missing", f"there is no manifest at {path}", hint) from error
    except OSError as error:
        message = f"{path} can't be read: {error.strerror}"
        fault = Fault.INPUT if error.errno == errno.ENAMETOOLONG else Fault.MACHINE
        raise _fault("machine", message, fault=fault) from error
    data = _parsed(raw, path)
    _check_format(data, path)
    if errors := sorted(_validator().iter_errors(data), key=lambda e: list(map(str, e.path))):
        raise ProblemError(
            Problem("manifest/misshapen", f"{path} is no manifest: {_said(error)}")
            for error in errors[:8]
        )
    return _from_data(data)


def _parsed(raw: bytes, path: Path) -> Any:
    def refused(word: str) -> None:
        raise ValueError(f"{word} is no JSON")

    try:
        data = json.loads(raw.decode("utf-8"), parse_constant=refused)
        # Half a character, which JSON can escape, is in no file's name, unless as a byte of one.
        json.dumps(data, ensure_ascii=False).encode("utf-8", "surrogateescape")
    except (ValueError, RecursionError) as error:
        place = f" at line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        message = f"{path} is not JSON{place}, expected a delivery's manifest"
        hint = "give the folder of a delivery, or its manifest.json"
        if path.name == MANIFEST_FILE:
            hint = "deliver into another folder"
        raise _fault("not-json", message, hint) from error
    return data


def _check_format(data: Any, path: Path) -> None:
    number = data.get("format") if isinstance(data, dict) else None
    if isinstance(number, int | float) and number > FORMAT:
        message = f"{path}: format {number:g} is newer than this mixwright reads ({FORMAT})"
        raise _fault("newer-format", message, "upgrade mixwright")


def _said(error: ValidationError) -> str:
    """One error of the validator in our words, with its place such as ``outputs[2].bytes``."""
    where = "".join(f"[{p}]" if isinstance(p, int) else f".{p}" for p in error.absolute_path)
    where = where.lstrip(".") or "it"
    rule = str(error.validator)
    value: Any = error.instance
    asked: Any = error.validator_value
    schema: Any = error.schema
    if rule == "required":
        lacking = [key for key in asked if key not in value]
        return f"{where} has no {lacking[0]}"
    if rule == "additionalProperties":
        extra = next(key for key in value if key not in schema["properties"])
        return f"{where} has an unknown key {extra}"
    if rule == "type":
        kinds = [asked] if isinstance(asked, str) else asked
        return f"{where} is of the wrong kind, expected {' or '.join(_KINDS[k] for k in kinds)}"
    written = json.dumps(value, ensure_ascii=False)
    written = written if len(written) <= 60 else f"{written[:57]}..."
    choices = asked if isinstance(asked, list) else []
    expected = {
        "const": f"{asked}",
        "enum": " or ".join("null" if word is None else str(word) for word in choices),
        "minimum": f"at least {asked}",
        "minLength": "some text",
        "pattern": "a hash" if where.endswith(("sha256", "plan")) else "a path inside its folder",
    }
    return f"{where} is {written}, expected {expected[rule]}"


def _from_data(data: dict[str, Any]) -> Manifest:
    return Manifest(
        song=SongName(**data["song"]),
        sheet=SheetEntry(**data["sheet"]),
        made_by=MadeBy(**data["made_by"]),
        platform=Platform(**data["platform"]),
        inputs=tuple(InputEntry(**entry) for entry in data["inputs"]),
        outputs=tuple(_output(entry) for entry in data["outputs"]),
        former=tuple(FormerEntry(**entry) for entry in data["former"]),
        replacing=tuple(_output(entry) for entry in data["replacing"]),
        staged=data["staged"],
    )


def _output(data: dict[str, Any]) -> OutputEntry:
    made_with = data.get("made_with")
    if made_with is not None:
        made_with = MadeWith(MadeBy(**made_with["made_by"]), Platform(**made_with["platform"]))
    meters = FileMeters(**data["meters"])
    return OutputEntry(**{**data, "meters": meters, "made_with": made_with})


def _fault(
    rule: str, message: str, help: str | None = None, fault: Fault = Fault.INPUT
) -> ProblemError:
    return ProblemError([Problem(f"manifest/{rule}", message, help=help, fault=fault)])
