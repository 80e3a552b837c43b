"""Processes that decode recordings for us, so that none of a stranger's files can hurt our own.

A decoder (:mod:`mixwright.audio.decoder`) takes one file after another, with limits on memory and
time. When it dies or hangs, the file under way is to blame: that is the answer for this file, and a
new decoder goes on with the rest. The limits are our choice:

- memory: a decoder needs 0.2 GB of addresses with all its libraries, so 1 GB is ample;
- frames: what any ordinary encoder makes of silence. FLAC takes some 12 bytes for a block of at
  most 16,384 frames (RFC 9639's streamable subset), so 1,400 frames a byte; Vorbis, Opus and MP3
  take more. Up to 10 minutes at 192 kHz are let through whatever their size. 3 hours of silence at
  96 kHz pass; a file of 60 kB that yields a day doesn't;
- time: 20 s, and 1 s for each megabyte and each half million frames. Decoders do 5 to 200 million
  frames a second on an ordinary machine. That is time at work; three times as much by the clock.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

SCRIPT = Path(__file__).with_name("decoder.py")
# Longer than any line of an answer.
LINE_BYTES = 1 << 17
START_S = 120.0
TIME_TO_END_S = 5.0
# A second decoder is worth its start from here on.
BYTES_A_DECODER = 4_000_000


@dataclass(frozen=True)
class Limits:
    """What decoding one file may take, see above; `waiting` is clock time by time at work."""

    memory_bytes: int = 1 << 30
    frames_anyway: int = 600 * 192_000
    frames_a_byte: int = 1400
    seconds: float = 20.0
    frames_a_second: float = 500_000.0
    waiting: float = 3.0

    def most_frames(self, size: int) -> int:
        """Return how many frames a file of `size` bytes may hold.

        >>> Limits().most_frames(3_600_000) > 3 * 3600 * 96_000  # silence, compressed
        True
        """
        return max(self.frames_anyway, self.frames_a_byte * size)

    def clock_s(self, frames: int, size: int) -> float:
        """Return the seconds that a file may take by the clock."""
        return self.waiting * (self.seconds + size / 1e6 + frames / self.frames_a_second)


@dataclass(frozen=True)
class Ended:
    """How something asked of a decoder ended.

    `how` is its own word, "well" or what was wrong, or ours: "died" (with the `status` of the
    process), "late" (after `seconds`) or "babble". `opened` is whether the file could be opened.
    """

    how: str
    data: Mapping[str, Any]
    opened: bool = False
    status: int = 0
    seconds: float = 0.0


class NoDecoderError(Exception):
    """A decoder can't be started: the machine's fault."""


class Decoder:
    """One process that decodes; any thread may kill it."""

    def __init__(self, limits: Limits, script: Path = SCRIPT) -> None:
        self._limits = limits
        given = asdict(limits) | {"places": _places()}
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-I", str(script), json.dumps(given)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                # Ctrl-C is for us alone; the decoder ends with its input.
                start_new_session=os.name == "posix",
                # A pool of threads for algebra would only take memory.
                env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
            )
        except OSError as error:
            raise NoDecoderError(error.strerror or str(error)) from error
        self.alive = True
        self._late = False

    def begin(self) -> None:
        """Wait until it is there; NoDecoderError if it doesn't come to that."""
        ready = self._heard(START_S)
        if ready.how != "ready":
            self.close()
            raise NoDecoderError(_start_words(ready))

    def ask(self, request: Mapping[str, Any], size: int) -> Ended:
        """Ask for something about a file of `size` bytes and wait for how it ends."""
        self._send(request)
        seconds = self._limits.clock_s(0, size)
        ended = self._heard(seconds)
        if ended.how != "opened":
            return ended
        frames = min(int(ended.data["opened"]), self._limits.most_frames(size))
        last = self._heard(self._limits.clock_s(frames, size))
        if self._late and self.alive:  # it answered as its time was up: the next has a new one
            self.close()
        return Ended(last.how, last.data, True, last.status, last.seconds)

    def how_it_died(self) -> Ended:
        """Return how it ended, of one that is at its end."""
        return self._death(self._limits.clock_s(0, 0))

    def take(self, count: int) -> bytes:
        """Return so many bytes of what follows an answer; fewer if there are no more."""
        assert self._process.stdout is not None
        with self._until(self._limits.clock_s(0, count)):
            return self._process.stdout.read(count)

    def kill(self) -> None:
        """End it at once."""
        self._process.kill()

    def close(self) -> None:
        """Let it go, and see it end."""
        self.alive = False
        self._process.kill()
        for stream in (self._process.stdin, self._process.stdout):
            assert stream is not None
            try:
                stream.close()
            except OSError:
                continue  # what was still to be sent is of no use to it any more
        try:
            self._process.wait(TIME_TO_END_S)
        except subprocess.TimeoutExpired:
            return  # it waits for a disk that doesn't answer: the system ends it when it does

    def _send(self, request: Mapping[str, Any]) -> None:
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(request).encode() + b"\n")
            self._process.stdin.flush()
        except OSError:
            return  # it has died: that is what will be heard

    def _heard(self, seconds: float) -> Ended:
        """The next line, within so many seconds; else the process is at its end."""
        assert self._process.stdout is not None
        with self._until(seconds):
            line = self._process.stdout.readline(LINE_BYTES)
        try:
            data = json.loads(line) if line.endswith(b"\n") else None
        except ValueError:
            data = None
        if isinstance(data, dict):
            word = next((w for w in ("ready", "opened") if w in data), data.get("ended"))
            if isinstance(word, str):
                return Ended(word, data)
        if line:
            self.close()
            return Ended("babble", {})
        return self._death(seconds)

    @contextmanager
    def _until(self, seconds: float) -> Iterator[None]:
        """Kill it if this takes longer; the decoder's own clock, where it has one, comes first."""

        def end() -> None:
            self._late = True
            self._process.kill()

        timer = threading.Timer(seconds + 2.0, end)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def _death(self, seconds: float) -> Ended:
        """What its end says: a signal that stands for too much time, or a fault."""
        self.alive = False
        try:
            status = self._process.wait(TIME_TO_END_S)
        except subprocess.TimeoutExpired:  # it has closed its output, and goes on
            self.close()
            return Ended("babble", {})
        self.close()
        name = signal.Signals(-status).name if -status in set(signal.Signals) else ""
        if name == "SIGXCPU":  # so much time at work
            return Ended("late", {}, seconds=seconds / self._limits.waiting)
        if self._late or name == "SIGALRM":
            return Ended("late", {}, seconds=seconds)
        return Ended("died", {}, status=status)


def _places() -> list[str]:
    """Where the libraries are that a decoder needs: it looks at no environment of ours."""
    import numpy
    import soundfile

    files = (Path(soundfile.__file__).parent, Path(numpy.__file__).parent.parent)
    return list(dict.fromkeys(str(place.absolute()) for place in files))


def _start_words(ended: Ended) -> str:
    if ended.how == "late":
        return f"it did not begin within {ended.seconds:.0f} s"
    if ended.how == "died":
        status = ended.status
        return f"it ended by signal {-status}" if status < 0 else f"it ended with status {status}"
    return "it gave no answer that makes sense"


class Crew:
    """Decoders at work on a row of files, each with one at a time."""

    def __init__(self, limits: Limits, script: Path, whole: bool) -> None:
        self._limits, self._script, self._whole = limits, script, whole
        self._lock = threading.Lock()
        self._at_work: set[Decoder] = set()
        self._stopped = False

    def decode(self, files: Sequence[tuple[Path, int]], at_once: int) -> dict[Path, Ended]:
        """Return how each file ended, given with its size in bytes; NoDecoderError."""
        waiting, ended = deque(files), dict[Path, Ended]()
        with ThreadPoolExecutor(at_once) as pool:
            work: list[Future[None]] = []
            try:
                work += [pool.submit(self._work, waiting, ended) for _ in range(at_once)]
                faults = [fault for one in work if (fault := one.exception()) is not None]
            except BaseException:
                self._stop()
                raise
        if faults and not (len(ended) == len(files) and isinstance(faults[0], NoDecoderError)):
            raise faults[0]  # one that can't be started is missed only if work is left
        return ended

    def _work(self, waiting: deque[tuple[Path, int]], ended: dict[Path, Ended]) -> None:
        decoder: Decoder | None = None
        try:
            while waiting and not self._stopped:
                decoder = decoder or self._started()
                try:
                    path, size = waiting.popleft()
                except IndexError:
                    return  # another one has taken the last
                request = {
                    "decode": os.fspath(path.absolute()),
                    "most_frames": self._limits.most_frames(size),
                    "whole": self._whole,
                }
                ended[path] = decoder.ask(request, size)
                if not decoder.alive:
                    self._let_go(decoder)
                    decoder = None
        finally:
            if decoder is not None:
                self._let_go(decoder)

    def _started(self) -> Decoder:
        decoder = Decoder(self._limits, self._script)
        with self._lock:
            self._at_work.add(decoder)
            if self._stopped:
                decoder.kill()
        decoder.begin()
        return decoder

    def _let_go(self, decoder: Decoder) -> None:
        with self._lock:
            self._at_work.discard(decoder)
        decoder.close()

    def _stop(self) -> None:
        with self._lock:
            self._stopped = True
            for decoder in self._at_work:
                decoder.kill()


def decode_apart(
    files: Sequence[tuple[Path, int]],
    at_once: int = 1,
    limits: Limits | None = None,
    script: Path = SCRIPT,
    whole: bool = True,
) -> dict[Path, Ended]:
    """Decode files, each given with its size in bytes, and return how each ended.

    If not the `whole` of them, they are opened only, and what they say of themselves is returned.
    At most `at_once` decoders are at work; `script` is what they run. NoDecoderError where there
    can be none.
    """
    if not files:
        return {}
    worth = 1 + sum(size for _, size in files) // BYTES_A_DECODER
    return Crew(limits or Limits(), script, whole).decode(files, min(len(files), at_once, worth))
