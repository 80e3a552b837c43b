"""Decodes recordings in a process of its own, which may die of it: nothing else does.

Run by its path, with limits as JSON on the command line; imports nothing of this package, so that
it starts quickly. Each line of its standard input asks for one thing, each line of its output
answers one: "ready" first, then for a file "opened" with the frames that it promises, and how its
decoding ended. A file may be played as well: opened, and read from any place; then a line says how
many frames follow as float64.

What decoders print goes into a pipe of this process and is told in the answer. The process ends
with its input, even in the middle of a file, so none is left behind when the other side dies.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import queue
import signal
import sys
import threading
import time
from typing import Any

BLOCK_SAMPLES = 131072
# Places, as shares of a file, that are read again after a jump: its parsers run for that as well.
JUMPS = (0.5, 0.9, 0.25, 0.0)
JUMP_FRAMES = 2048
LOSSY = ("MP3", "OGG")
UNKNOWN = 1 << 62  # a length of this or more is none: the file doesn't say it
SAID_BYTES = 65536  # what a pipe holds; what decoders print beyond that is dropped
SAID_LINES, SAID_LETTERS = 20, 300


class OwnLimits:
    """The limits of this process, and of each thing that it is asked to do."""

    def __init__(self, given: dict[str, Any]) -> None:
        self._seconds = float(given["seconds"])
        self._frames_a_second = float(given["frames_a_second"])
        self._waiting = float(given["waiting"])
        with contextlib.suppress(ImportError):
            import resource

            most = int(given["memory_bytes"])
            for kind, limit in (
                (resource.RLIMIT_AS, most),
                (resource.RLIMIT_CORE, 0),
                (resource.RLIMIT_FSIZE, 0),
            ):
                hard = resource.getrlimit(kind)[1]
                if hard != resource.RLIM_INFINITY:
                    limit = min(limit, hard)
                with contextlib.suppress(ValueError, OSError):  # some systems refuse some
                    resource.setrlimit(kind, (limit, hard))

    def hurry(self, frames: int = 0, size: int = 0) -> None:
        """From now on: so much time for that many frames, then the system ends this process."""
        seconds = self._seconds + size / 1e6 + frames / self._frames_a_second
        with contextlib.suppress(ImportError):
            import resource

            hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
            limit = math.ceil(time.process_time() + seconds)
            limit = limit if hard == resource.RLIM_INFINITY else min(limit, hard)
            resource.setrlimit(resource.RLIMIT_CPU, (limit, hard))
        if hasattr(signal, "setitimer"):
            signal.setitimer(signal.ITIMER_REAL, seconds * self._waiting)

    def rest(self) -> None:
        """Nothing is under way."""
        if hasattr(signal, "setitimer"):
            signal.setitimer(signal.ITIMER_REAL, 0.0)


class Overheard:
    """Takes what anyone prints on standard output or error; `answers` is the real output."""

    def __init__(self) -> None:
        self.answers = os.fdopen(os.dup(1), "wb")
        self._pipe, into = os.pipe()
        # A decoder that prints without end must neither wait for a reader nor fill the memory.
        os.set_blocking(self._pipe, False)
        os.set_blocking(into, False)
        for stream in (1, 2):
            os.dup2(into, stream)
        os.close(into)

    def take(self) -> list[str]:
        """Return the lines printed since the last time, as far as they are kept."""
        said = b""
        with contextlib.suppress(BlockingIOError):
            while len(said) < SAID_BYTES and (more := os.read(self._pipe, SAID_BYTES)):
                said += more
        lines = said.decode("utf-8", "replace").splitlines()
        shown = ("".join(c if c.isprintable() else " " for c in line).strip() for line in lines)
        return [line[:SAID_LETTERS] for line in shown if line][:SAID_LINES]


def decode(ask: dict[str, Any], limits: OwnLimits, answer: Any) -> dict[str, Any]:
    """Decode a whole file, then jump about in it, and say what it is and how it went.

    If not asked for all of it, say what it says of itself.
    """
    import numpy
    import soundfile

    with opened(ask["decode"]) as (file, stamp):
        found = {
            "container": file.format,
            "subtype": file.subtype,
            "rate_hz": file.samplerate,
            "channels": file.channels,
            "promised": file.frames,
            "seekable": file.seekable(),
            "stamp": stamp,
        }
        most = int(ask["most_frames"])
        answer({"opened": min(file.frames, most)})
        if file.frames >= UNKNOWN:
            return {"ended": "endless"}
        if file.frames > most:
            return {"ended": "long", "frames": file.frames, "rate_hz": file.samplerate}
        if not ask["whole"]:
            return found | {"ended": "well", "frames": file.frames, "finite": True, "jumps": None}
        limits.hurry(file.frames, stamp[0])
        room = numpy.empty((max(1, BLOCK_SAMPLES // file.channels), file.channels))
        frames, finite, first = 0, True, b""
        while got := len(file.read(out=room)):
            first = first or room[: min(got, JUMP_FRAMES)].tobytes()
            frames += got
            finite = finite and bool(numpy.isfinite(room[:got]).all())
            if frames > most:
                return {"ended": "long", "frames": frames, "rate_hz": file.samplerate}
        jumps = None
        try:
            for share in JUMPS if frames else ():
                file.seek(int(frames * share))
                got = len(file.read(out=room[: min(JUMP_FRAMES, len(room))]))
            # The last jump was to the beginning. What lossy decoders begin with may differ.
            if file.format not in LOSSY and room[:got].tobytes()[: len(first)] != first:
                jumps = "what is there is not what was there before"
        except soundfile.LibsndfileError as error:
            jumps = error.error_string
    return found | {"ended": "well", "frames": frames, "finite": finite, "jumps": jumps}


@contextlib.contextmanager
def opened(path: str) -> Any:
    """Give a file as the sound library has it, and its size, time of change and number."""
    import soundfile

    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    number = os.open(path, flags)
    try:
        status = os.fstat(number)
        with soundfile.SoundFile(number, closefd=False) as file:
            yield file, [status.st_size, status.st_mtime_ns, status.st_ino]
    finally:
        os.close(number)


class Played:
    """One file that is read from any place, a block at a time."""

    def __init__(self, path: str, stack: contextlib.ExitStack) -> None:
        self._file, self._stamp = stack.enter_context(opened(path))

    def about(self) -> dict[str, Any]:
        """What it is."""
        file = self._file
        return {
            "ended": "well",
            "rate_hz": file.samplerate,
            "channels": file.channels,
            "promised": file.frames,
            "stamp": self._stamp,
        }

    def read(self, ask: dict[str, Any]) -> tuple[dict[str, Any], bytes]:
        """Go to a frame if asked to, and return frames as bytes."""
        if ask["seek"] is not None:
            self._file.seek(ask["seek"])
        block = self._file.read(ask["read"], dtype="float64", always_2d=True)
        return {"ended": "well", "got": len(block)}, block.tobytes()


def failed(error: Exception) -> dict[str, Any]:
    """How a fault is told: by what it is about."""
    said = getattr(error, "error_string", None)
    if isinstance(error, MemoryError) or "malloc" in (said or "").lower():
        return {"ended": "memory"}
    if isinstance(error, OSError):
        return {"ended": "system", "reason": error.strerror or str(error)}
    return {"ended": "fault", "reason": said or str(error)}


def asked() -> queue.Queue[dict[str, Any]]:
    """What is asked for, as it comes; the process ends where it ends."""
    wanted: queue.Queue[dict[str, Any]] = queue.Queue()

    def listen() -> None:
        for line in sys.stdin.buffer:
            wanted.put(json.loads(line))
        os._exit(0)

    threading.Thread(target=listen, daemon=True).start()
    return wanted


def main() -> None:
    """Answer until there is nothing more to do."""
    given = json.loads(sys.argv[1])
    sys.path += [place for place in given["places"] if place not in sys.path]
    limits, overheard = OwnLimits(given), Overheard()
    wanted = asked()
    import numpy  # noqa: F401 - now, so that "ready" is true
    import soundfile  # noqa: F401

    def answer(data: dict[str, Any], more: bytes = b"") -> None:
        overheard.answers.write(json.dumps(data).encode() + b"\n" + more)
        overheard.answers.flush()

    with contextlib.ExitStack() as stack:
        played: Played | None = None
        answer({"ready": True})
        while True:
            ask = wanted.get()
            limits.hurry()
            told, more = {}, b""
            try:
                if "decode" in ask:
                    told = decode(ask, limits, answer)
                elif "play" in ask:
                    played = Played(ask["play"], stack)
                    told = played.about()
                elif played is not None:
                    told, more = played.read(ask)
            except Exception as error:  # noqa: BLE001 - whatever it is, it is this file's
                told = failed(error)
            limits.rest()
            answer(told | {"said": overheard.take()}, more)


if __name__ == "__main__":
    main()
