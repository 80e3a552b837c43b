"""What is known of recordings that have to be decoded: a decoder of their own has vouched for them.

A recording is decoded once, wholly, by another process
(:mod:`mixwright.audio.decoder_processes`). What came of it is remembered by content, the SHA-256 of
the file's bytes, with the version of the sound library; within this process also by path and stamp,
so that it is hashed once. Only what went well is remembered: time and memory may fail for reasons
that pass.
"""

from __future__ import annotations

import math
import platform
from collections import Counter
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from mixwright.audio.decoder_processes import Ended, Limits, NoDecoderError, decode_apart
from mixwright.audio.fingerprint import MOST_KNOWN, FileStamp, Memory, content_of
from mixwright.audio.mp3 import samples_of
from mixwright.audio.opened import changed, unreadable
from mixwright.problem import Fault, Problem, ProblemError

# Raised whenever a decoder comes to look at more than before.
DECODER = 1
AGAIN = "export it again as WAV, RF64, AIFF, FLAC or Ogg"
COPY = "copy or export it again"
# By how much a file may be shorter than it seems. Many MP3s don't say how long they are: that
# is guessed. The last page of an Ogg file says where it ends, and some encoders are a bit out.
MAY_LACK_S = {"MP3": math.inf, "OGG": 1.0}
# What an encoder adds before and after the sound, and a frame that holds no sound but the length.
MP3_SLACK_FRAMES = 9 * 1152
MOST_LINES_TOLD = 3


@dataclass(frozen=True)
class Vouched:
    """What decoding a whole file has shown: frames as many as there are, warnings in words."""

    container: str
    subtype: str
    rate_hz: int
    channels: int
    frames: int
    warnings: tuple[str, ...] = ()


# How its fields are kept.
KEPT_AS = {"container": str, "subtype": str, "rate_hz": int, "channels": int, "frames": int}
KEPT_AS |= {"warnings": list}

# What was found in this process; what can't be decoded is not decoded again to say so.
_known: dict[tuple[Path, FileStamp], Vouched | ProblemError] = {}


def vouch(
    files: Mapping[Path, FileStamp],
    memory: Memory | None = None,
    at_once: int = 1,
    whole: bool = True,
    hashes: Memory | None = None,
) -> dict[Path, Vouched | ProblemError]:
    """Return for each file, with its stamp, what is known of it or what is wrong with it.

    Files that nothing is known of are decoded, by up to `at_once` processes side by side; if not
    the `whole` of them, what they say of themselves is believed for now. `hashes` remembers what
    files hold. Raises ProblemError (fault MACHINE) where no process can be started.
    """
    found: dict[Path, Vouched | ProblemError] = {}
    for path, stamp in files.items():
        if (known := _known.get((path.absolute(), stamp))) is not None:
            found[path] = known
    unknown = [path for path in files if path not in found]
    if not unknown:
        return found
    keys = _keys(unknown, files, at_once, hashes)
    for path, key in keys.items():
        kept = _from_data(memory.get(key)) if memory is not None else None
        if kept is not None:
            found[path] = kept
            _note(path, files[path], kept)
    strange = [(path, files[path].size) for path in unknown if path not in found]
    for path, ended in _decoded(strange, at_once, whole).items():
        try:
            found[path] = vouched = read_ended(path, files[path], ended)
        except ProblemError as error:
            found[path] = error
            if whole and all(one.fault is Fault.INPUT for one in error.problems):
                _note(path, files[path], error)
            continue
        if not whole:
            continue
        _note(path, files[path], vouched)
        if memory is not None and path in keys:
            memory.put(keys[path], asdict(vouched))
    return found


def _keys(
    paths: Sequence[Path], files: Mapping[Path, FileStamp], at_once: int, hashes: Memory | None
) -> dict[Path, str]:
    """What the answer for each file depends on; a file that can't be hashed has no key."""
    import soundfile

    library = (soundfile.__libsndfile_version__, soundfile.__version__, platform.machine())

    def key(path: Path) -> str | None:
        try:
            content = content_of(path, files[path], hashes)
        except OSError:
            return None  # the decoder meets the same, and says it
        return None if content is None else repr(("decoded", DECODER, library, content))

    with ThreadPoolExecutor(at_once) as pool:
        found = zip(paths, pool.map(key, paths), strict=True)
        return {path: key for path, key in found if key is not None}


def _decoded(files: Sequence[tuple[Path, int]], at_once: int, whole: bool) -> dict[Path, Ended]:
    try:
        return decode_apart(files, at_once, whole=whole)
    except NoDecoderError as error:
        raise ProblemError([no_decoder(files[0][0], error)]) from error


def no_decoder(path: Path, error: NoDecoderError) -> Problem:
    """Return the problem of a machine that lets us start no process for a file."""
    message = f"{path.name} can't be decoded: no process of its own can be started for it: {error}"
    return Problem("audio/no-decoder", message, help=MACHINE_HELP, fault=Fault.MACHINE)


MACHINE_HELP = "end other programs, or allow more processes or memory"


def _note(path: Path, stamp: FileStamp, found: Vouched | ProblemError) -> None:
    if len(_known) >= MOST_KNOWN:
        _known.clear()
    _known[path.absolute(), stamp] = found


def read_ended(path: Path, stamp: FileStamp, ended: Ended, limits: Limits | None = None) -> Vouched:
    """Return what a file was found to be; ProblemError if it can't be decoded to its end."""
    name, data = path.name, ended.data
    if ended.how != "well":
        raise ProblemError([undecoded(name, stamp.size, ended, limits or Limits())])
    if tuple(data["stamp"]) != stamp.of_content:
        raise changed(name)
    if not data["seekable"]:
        message = f"{name} is {data['subtype']}, which can't be played from any place on"
        raise ProblemError.of("audio/encoding", message, AGAIN)
    if not data["finite"]:
        message = f"{name} decodes to a NaN or infinity, expected finite samples"
        raise ProblemError.of("audio/not-finite", message, AGAIN)
    promised, frames, rate_hz = data["promised"], data["frames"], data["rate_hz"]
    warnings = told(data["said"])
    lacking_s = (promised - frames) / rate_hz
    most_s = MAY_LACK_S.get(data["container"], 0.0)
    if frames < promised and (frames == 0 or lacking_s > most_s):
        message = (
            f"{name} is damaged or cut short: it promises {promised / rate_hz:.2f} s, "
            f"{frames / rate_hz:.2f} s can be decoded"
        )
        raise ProblemError.of("audio/unreadable", message, COPY)
    if data["container"] == "MP3" and frames == promised:
        _refuse_longer(path, frames, rate_hz)
    if frames < promised:
        warnings.append(
            f"its length seems to be {promised / rate_hz:.2f} s, "
            f"but {frames / rate_hz:.2f} s can be decoded"
        )
    if data["jumps"] is not None:
        # A mix reads from any place, and the sound library jumps even from block to block.
        message = f"{name} is damaged: it can't be read from the middle: {_reason(data['jumps'])}"
        raise ProblemError.of("audio/unreadable", message, COPY)
    kind = (data["container"], data["subtype"], rate_hz, data["channels"])
    return Vouched(*kind, frames, tuple(warnings))


def _refuse_longer(path: Path, frames: int, rate_hz: int) -> None:
    """Refuse an MP3 whose end the sound library doesn't see, since it took it for shorter."""
    try:
        there = samples_of(path)
    except OSError as error:
        raise unreadable(path.name, error) from error
    if there <= frames + MP3_SLACK_FRAMES:
        return
    message = (
        f"{path.name} lasts {there / rate_hz:.2f} s, but only {frames / rate_hz:.2f} s can be "
        "decoded: it has no header with its length"
    )
    raise ProblemError.of("audio/unreadable", message, "convert it to WAV or FLAC")


def undecoded(name: str, size: int, ended: Ended, limits: Limits) -> Problem:
    """Return the problem of a file whose decoding did not go well."""
    reason = _reason(str(ended.data.get("reason", "")))
    if "psf_fseek" in reason:  # the library can't go on to where there is nothing any more
        reason = "it ends early"
    if ended.how == "endless":
        message = f"{name} does not say how long it is, expected a length in its header"
        return Problem("audio/unreadable", message, help=AGAIN)
    if ended.how == "fault" and ended.opened:
        message = f"{name} is damaged or cut short: {reason}"
        return Problem("audio/unreadable", message, help=COPY)
    if ended.how == "fault":
        message = f"{name} can't be read as sound: {reason}"
        return Problem("audio/unreadable", message, help=AGAIN)
    if ended.how == "system":
        return Problem("audio/unreadable", f"{name} can't be opened: {ended.data['reason']}")
    if ended.how == "died" and ended.status in KILLED:
        message = f"{name} can't be decoded: the decoder was killed (signal {-ended.status})"
        return Problem("audio/no-decoder", message, help=MACHINE_HELP, fault=Fault.MACHINE)
    words = {
        "died": f"the decoder died ({_end_words(ended.status)})",
        "late": f"it takes more than {ended.seconds:,.0f} s",
        "memory": f"it takes more than {limits.memory_bytes // 2**20:,} MB of memory",
        "long": _too_long(size, ended, limits),
    }
    reason = words.get(ended.how, "the decoder gave no answer that makes sense")
    return Problem("audio/undecodable", f"{name} can't be decoded: {reason}", help=AGAIN)


# Signals that come from outside, not from a fault: SIGKILL, SIGTERM, SIGHUP.
KILLED = (-9, -15, -1)


def _end_words(status: int) -> str:
    return f"signal {-status}" if status < 0 else f"status {status}"


def _too_long(size: int, ended: Ended, limits: Limits) -> str:
    if ended.how != "long":
        return ""
    frames, rate_hz = int(ended.data["frames"]), max(1, int(ended.data["rate_hz"]))
    most = limits.most_frames(size)
    return (
        f"{size:,} bytes hold {_hours(frames / rate_hz)} or more, expected {_hours(most / rate_hz)}"
        f" at most ({limits.frames_a_byte:,} frames a byte, which is more than silence needs)"
    )


def _hours(seconds: float) -> str:
    """A length in words.

    >>> _hours(90.0), _hours(360000.0)
    ('1.5 min', '100.0 h')
    """
    return f"{seconds / 60:,.1f} min" if seconds < 6000 else f"{seconds / 3600:,.1f} h"


def told(said: Sequence[str]) -> list[str]:
    """Return what a decoder has printed as a few warnings, alike ones once.

    >>> told(["[layer3.c:1804] error: no bits left!"] * 2)
    ['its decoder says: error: no bits left! (2 times)']
    """
    counts = Counter(_without_place(line) for line in said)
    lines = [
        f"its decoder says: {line}" + (f" ({count} times)" if count > 1 else "")
        for line, count in counts.most_common(MOST_LINES_TOLD)
    ]
    if more := len(counts) - len(lines):
        lines.append(f"its decoder says {more} more thing{'s' * (more > 1)}")
    return lines


def _without_place(line: str) -> str:
    """A line without the place in a source file that some decoders put in front."""
    place, bracket, rest = line.partition("] ")
    return rest.strip() if bracket and place.startswith("[") and rest.strip() else line


def _reason(text: str) -> str:
    return text.rstrip(".").lower() or "no reason is known"


def _from_data(data: Any) -> Vouched | None:
    """What was remembered; None for what this version did not write."""
    if not isinstance(data, dict) or {key: type(data[key]) for key in data} != KEPT_AS:
        return None
    if not all(isinstance(one, str) for one in data["warnings"]):
        return None
    if min(data["rate_hz"], data["channels"], data["frames"]) < 0:
        return None
    return Vouched(**data | {"warnings": tuple(data["warnings"])})
