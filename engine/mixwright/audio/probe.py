"""What a sound file says of itself: format, rate, length.

Files of plain samples say it in their header. Others are decoded wholly before, by a process of
their own, unless that is remembered: see :mod:`mixwright.audio.vouching`.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import soundfile

from mixwright.audio.fingerprint import FileStamp, Memory
from mixwright.audio.opened import opened_file
from mixwright.audio.plain import is_plain
from mixwright.audio.riff import LARGE, chunks
from mixwright.audio.vouching import AGAIN, Vouched, vouch
from mixwright.problem import Problem, ProblemError, Severity, odd_kind

PCM_BYTES = {
    "PCM_U8": 1,
    "PCM_S8": 1,
    "PCM_16": 2,
    "PCM_24": 3,
    "PCM_32": 4,
    "FLOAT": 4,
    "DOUBLE": 8,
}
# The sample rates that are read, in Hz. Below about 3,400 Hz there is no K-weighting (ITU-R
# BS.1770-5: its shelf lies at 1,682 Hz, which half the rate has to be above), and so no loudness,
# no level match and no check; 4,000 Hz is the lowest round rate over it. 768,000 Hz is the highest
# that converters record at; a header that says more is damaged.
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 4_000, 768_000
PLAIN_CONTAINERS = ("WAV", "WAVEX", "RF64")


@dataclass(frozen=True)
class StemInfo:
    """A stem as it lies on disk; by its `stamp` is told whether it is still the same.

    `warnings` are what its decoder has to say, in words; where there are any, it is read through a
    process of its own.
    """

    path: Path
    container: str
    subtype: str
    rate_hz: int
    channels: int
    frames: int
    stamp: FileStamp
    warnings: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        """Its size on disk in bytes."""
        return self.stamp.size

    @property
    def seconds(self) -> float:
        """Its length in seconds."""
        return self.frames / self.rate_hz

    @property
    def is_float(self) -> bool:
        """Whether samples may hold NaN or infinity."""
        return self.subtype in ("FLOAT", "DOUBLE")

    def is_still(self, status: os.stat_result) -> bool:
        """Return whether what the system says of a file is of the one that was probed."""
        return FileStamp.of(status).of_content == self.stamp.of_content

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Its warnings as problems."""
        return tuple(
            Problem(
                "audio/decoder-warning",
                f"{self.path.name}: {warning}",
                help="listen to it, or export it again",
                severity=Severity.WARNING,
            )
            for warning in self.warnings
        )


def probe(path: Path, memory: Memory | None = None, *, ours: bool = False) -> StemInfo:
    """Return what a file is; ProblemError when it can't be read as one or two channels.

    What is not plain samples is decoded by a process of its own first, or recalled from `memory`;
    not so what is `ours`: files that this run has just written. ProblemError too for a sample rate
    beyond `LOWEST_RATE_HZ` and `HIGHEST_RATE_HZ`.

    >>> probe(Path("stems/bass.wav")).rate_hz  # doctest: +SKIP
    48000
    """
    if ours:
        info = _header(path, _look(path))
        _check(info)
        return info
    (found,) = probe_all([path], memory)
    if isinstance(found, ProblemError):
        raise found
    return found


def probe_all(
    paths: Iterable[Path],
    memory: Memory | None = None,
    at_once: int = 1,
    whole: bool = True,
    hashes: Memory | None = None,
) -> list[StemInfo | ProblemError]:
    """Return what each file is, or what is wrong with it; with up to `at_once` processes.

    If not the `whole` of it, only what it says of itself, and nothing of it is decoded. `hashes`
    remembers what files hold.
    Raises ProblemError (fault MACHINE) where no process can be started for those that need one.
    """
    found: list[tuple[Path, StemInfo | ProblemError | FileStamp]] = []
    for path in paths:
        try:
            found.append((path, _plain_or_stamp(path)))
        except ProblemError as error:
            found.append((path, error))
    strange = {path: stamp for path, stamp in found if isinstance(stamp, FileStamp)}
    vouched = vouch(strange, memory, at_once, whole, hashes)
    return [
        _of(path, one, vouched[path]) if isinstance(one, FileStamp) else one for path, one in found
    ]


def _of(path: Path, stamp: FileStamp, vouched: Vouched | ProblemError) -> StemInfo | ProblemError:
    """What is known of a file that had to be decoded."""
    if isinstance(vouched, ProblemError):
        return vouched
    kind = (vouched.container, vouched.subtype, vouched.rate_hz, vouched.channels, vouched.frames)
    info = StemInfo(path.absolute(), *kind, stamp, vouched.warnings)
    try:
        _check(info)
    except ProblemError as error:
        return error
    return info


def _look(path: Path) -> FileStamp:
    """How a file lies on disk; ProblemError for what is none, or empty."""
    try:
        status = os.stat(path)
    except OSError as error:
        raise _not_opened(path, error) from error
    # It is not opened to find out: a pipe would be waited for.
    if (kind := odd_kind(status.st_mode)) is not None:
        message = f"{path.name or path} is {kind}, expected a sound file"
        raise ProblemError.of("audio/not-a-file", message)
    if status.st_size == 0:
        raise ProblemError.of("audio/empty-file", f"{path.name} is empty (0 bytes), expected sound")
    return FileStamp.of(status)


def _plain_or_stamp(path: Path) -> StemInfo | FileStamp:
    """What a file of plain samples is; of another one only its stamp."""
    stamp = _look(path)
    try:
        with open(path, "rb") as file:
            plain = is_plain(file)
    except OSError as error:
        raise _not_opened(path, error) from error
    if not plain:
        return stamp
    info = _header(path, stamp)
    if info.subtype not in PCM_BYTES:
        return stamp  # to the library it is something else than to us
    _check(info)
    return info


def _header(path: Path, stamp: FileStamp) -> StemInfo:
    """What the sound library, here in our own process, reads from a header."""
    try:
        with opened_file(path) as number, soundfile.SoundFile(number, closefd=False) as file:
            kind = (file.format, file.subtype, file.samplerate, file.channels, file.frames)
            return StemInfo(path.absolute(), *kind, stamp)
    except soundfile.LibsndfileError as error:
        reason = error.error_string.rstrip(".").lower()
        message = f"{path.name} can't be read as sound: {reason}"
        raise ProblemError.of("audio/unreadable", message, AGAIN) from error
    except OSError as error:
        raise _not_opened(path, error) from error


def _not_opened(path: Path, error: OSError) -> ProblemError:
    return ProblemError.of("audio/unreadable", f"{path.name} can't be opened: {error.strerror}")


def _check(info: StemInfo) -> None:
    name = info.path.name
    if info.frames == 0:
        raise ProblemError.of("audio/no-samples", f"{name} holds no samples, expected sound")
    if info.channels > 2:
        raise ProblemError.of(
            "audio/channels",
            f"{name} has {info.channels} channels, expected 1 or 2",
            "split it into mono or stereo files",
        )
    if not LOWEST_RATE_HZ <= info.rate_hz <= HIGHEST_RATE_HZ:
        raise ProblemError.of(
            "audio/rate",
            f"{name} has a sample rate of {info.rate_hz} Hz, "
            f"expected {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz",
            "export it again at the rate it was recorded at, such as 48000 Hz",
        )
    promised = promised_bytes(info)
    if promised is not None and promised > info.size:
        raise ProblemError.of(
            "audio/truncated",
            f"{name} is cut short: its header promises {promised:,} bytes, "
            f"the file has {info.size:,}",
            "copy or export it again",
        )


def data_chunk(info: StemInfo) -> tuple[int, int] | None:
    """Return offset and declared length in bytes of a RIFF or RF64 file's samples, if it is one."""
    if info.container not in PLAIN_CONTAINERS:
        return None
    with open(info.path, "rb") as file:
        found = (chunk for chunk in chunks(file) if chunk.name == b"data")
        return next(((chunk.body_at, chunk.size) for chunk in found), None)


def promised_bytes(info: StemInfo) -> int | None:
    """Return the least size in bytes that the header promises, where it is one that does."""
    if (found := data_chunk(info)) is not None:
        offset, size = found
        known = size if size != LARGE else PCM_BYTES.get(info.subtype, 0) * info.frames
        return offset + known
    if info.container == "AIFF":
        with open(info.path, "rb") as file:
            form = file.read(8)
        return 8 + int.from_bytes(form[4:], "big") if form[:4] == b"FORM" else None
    return None
