"""What a sound file says of itself: format, rate, length, without decoding it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import soundfile

from mixwright.problem import Problem, ProblemError

PCM_BYTES = {
    "PCM_U8": 1,
    "PCM_S8": 1,
    "PCM_16": 2,
    "PCM_24": 3,
    "PCM_32": 4,
    "FLOAT": 4,
    "DOUBLE": 8,
}
UNKNOWN_SIZE = 0xFFFFFFFF
AGAIN = "export it again as WAV, RF64, AIFF, FLAC or Ogg"
PLAIN_CONTAINERS = ("WAV", "WAVEX", "RF64")


@dataclass(frozen=True)
class StemInfo:
    """A stem as it lies on disk; the last four fields tell whether it is still the same."""

    path: Path
    container: str
    subtype: str
    rate_hz: int
    channels: int
    frames: int
    size: int
    modified_ns: int
    changed_ns: int
    inode: int

    @property
    def seconds(self) -> float:
        """Its length in seconds."""
        return self.frames / self.rate_hz

    @property
    def is_float(self) -> bool:
        """Whether samples may hold NaN or infinity."""
        return self.subtype in ("FLOAT", "DOUBLE")


def probe(path: Path) -> StemInfo:
    """Return what the header says; ProblemError when it can't be opened as one or two channels.

    >>> probe(Path("stems/bass.wav")).rate_hz  # doctest: +SKIP
    48000
    """
    try:
        status = os.stat(path)
        if status.st_size == 0:
            raise _fault("audio/empty-file", f"{path.name} is empty (0 bytes), expected sound")
        with soundfile.SoundFile(path) as file:
            _check_encoding(file, path.name)
            info = StemInfo(
                path.absolute(),
                file.format,
                file.subtype,
                file.samplerate,
                file.channels,
                file.frames,
                status.st_size,
                status.st_mtime_ns,
                status.st_ctime_ns,
                status.st_ino,
            )
    except (soundfile.LibsndfileError, TypeError) as error:
        # TypeError: the library takes a name ending in .raw for sound without a header.
        reason = getattr(error, "error_string", "it has no header").rstrip(".").lower()
        raise _fault(
            "audio/unreadable",
            f"{path.name} can't be read as sound: {reason}",
            AGAIN,
        ) from error
    except OSError as error:
        raise _fault(
            "audio/unreadable", f"{path.name} can't be opened: {error.strerror}"
        ) from error
    _check(info)
    return info


def _check_encoding(file: soundfile.SoundFile, name: str) -> None:
    """Refuse what the library makes up or can't play from any place on."""
    if file.format == "RAW":
        # By its name alone: any bytes in a file called .au, .snd or .vox are sound to it.
        raise _fault("audio/unreadable", f"{name} can't be read as sound: it has no header", AGAIN)
    if not file.seekable():
        message = f"{name} is {file.subtype_info}, which can't be played from any place on"
        raise _fault("audio/encoding", message, AGAIN)


def _check(info: StemInfo) -> None:
    name = info.path.name
    if info.frames == 0:
        raise _fault("audio/no-samples", f"{name} holds no samples, expected sound")
    if info.channels > 2:
        raise _fault(
            "audio/channels",
            f"{name} has {info.channels} channels, expected 1 or 2",
            "split it into mono or stereo files",
        )
    promised = promised_bytes(info)
    if promised is not None and promised > info.size:
        raise _fault(
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
        form = file.read(12)
        if form[:4] not in (b"RIFF", b"RF64") or form[8:] != b"WAVE":
            return None
        long_size = None
        while len(header := file.read(8)) == 8:
            size = int.from_bytes(header[4:], "little")
            if header[:4] == b"ds64":
                body = file.read(size)
                long_size = int.from_bytes(body[8:16], "little")
                size = 0
            if header[:4] == b"data":
                if size == UNKNOWN_SIZE and long_size is not None:
                    size = long_size
                return file.tell(), size
            file.seek(size + size % 2, os.SEEK_CUR)
    return None


def promised_bytes(info: StemInfo) -> int | None:
    """Return the least size in bytes that the header promises, where it is one that does."""
    if (found := data_chunk(info)) is not None:
        offset, size = found
        known = size if size != UNKNOWN_SIZE else PCM_BYTES.get(info.subtype, 0) * info.frames
        return offset + known
    if info.container == "AIFF":
        with open(info.path, "rb") as file:
            form = file.read(8)
        return 8 + int.from_bytes(form[4:], "big") if form[:4] == b"FORM" else None
    return None


def _fault(rule: str, message: str, help: str | None = None) -> ProblemError:
    return ProblemError([Problem(rule, message, help=help)])
