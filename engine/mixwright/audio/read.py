"""Streaming read of one stem at the song's rate, as float64 blocks.

Plain 24-bit, 16-bit and float WAV data is read as bytes and converted by a compiled loop: on 24-bit
files that is about five times as fast as the sound library's own conversion, to the same bits (a
test compares them). Everything else goes through the library, and through a process of its own
where a decoder has had something to say.
"""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from typing import Protocol

import numpy as np
import soundfile

from mixwright.audio.opened import changed, opened, refuse_changed
from mixwright.audio.play_apart import PlayedApart
from mixwright.audio.probe import PCM_BYTES, StemInfo, data_chunk
from mixwright.audio.vouching import COPY
from mixwright.problem import Fault, ProblemError
from mixwright.units import Block, scratch_block

# Whose samples may be any numbers.
UNBOUNDED_SUBTYPES = ("FLOAT", "DOUBLE", "VORBIS", "OPUS")
PLAIN_SUBTYPES = ("PCM_16", "PCM_24", "FLOAT")
PLAYED_FRAMES = 65536
# Floating-point samples beyond this, 240 dB over full scale, are damage and no sound: twice as many
# decibels over, their energies are no longer numbers. Integers that nobody scaled reach 2.1e9.
LARGEST_SAMPLE = 1e12


class _Frames(Protocol):
    """Something that yields frames from a position in the file on."""

    def seek(self, frame: int) -> None: ...
    def read(self, out: Block) -> int: ...
    def close(self) -> None: ...


class StemReader:
    """Reads a stem forward: `read` fills blocks, silence before its start and after its end.

    `offset` is the sample of the song at which the stem begins, `start` the sample of the song
    to begin reading at. Only whole samples of offset are possible.
    """

    def __init__(self, info: StemInfo, rate_hz: int, offset: int = 0, start: int = 0) -> None:
        self.info = info
        self.channels = info.channels
        self._may_be_odd = info.subtype in UNBOUNDED_SUBTYPES
        # A file is never closed under a thread that still reads from it.
        self._lock = threading.Lock()
        with _told_as_problem(info):
            self._frames: _Frames = _open(info)
        if info.rate_hz != rate_hz:
            self._frames = _Resampled(self._frames, info, rate_hz)
        self._at = start - offset
        if self._at > 0:
            try:
                with _told_as_problem(info):
                    self._frames.seek(self._at)
            except BaseException:  # whoever called has nothing to close yet
                self._frames.close()
                raise

    def read(self, block: Block) -> Block:
        """Fill `block` (frames, channels) with the next frames and return it.

        Raises ProblemError for a NaN or infinity, a sample beyond `LARGEST_SAMPLE`, or a file that
        ends before its header says.
        """
        lead = min(max(0, -self._at), len(block))
        block[:lead] = 0.0
        got = lead
        if lead < len(block):
            with self._lock, _told_as_problem(self.info):
                got += self._frames.read(block[lead:])
        block[got:] = 0.0
        if self._may_be_odd:
            largest = max(np.max(block, initial=0.0), -np.min(block, initial=0.0))
            if not largest <= LARGEST_SAMPLE:
                self._refuse(block)
        self._at += len(block)
        return block

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._frames.close()

    def _refuse(self, block: Block) -> None:
        first = int(np.flatnonzero(~(np.abs(block) <= LARGEST_SAMPLE).all(axis=1))[0])
        where = f"at sample {self._at + first}"
        largest = float(next(x for x in block[first] if not abs(x) <= LARGEST_SAMPLE))
        rule, what, expected = "audio/not-finite", "a NaN or infinity", "finite samples"
        if np.isfinite(largest):
            rule, what = "audio/too-large", f"the value {largest:.3g}"
            expected = f"no more than {LARGEST_SAMPLE:g} (full scale is 1)"
        message = f"{self.info.path.name} holds {what} {where}, expected {expected}"
        raise ProblemError.of(rule, message, "export it again from its source")


def played(info: StemInfo) -> Iterator[tuple[int, Block]]:
    """Yield a whole file at its own rate: frames so far, and a block that is valid until the next.

    Raises ProblemError for what turns out unreadable, or was written to meanwhile.
    """
    room = np.empty((min(PLAYED_FRAMES, info.frames), info.channels))
    with closing(StemReader(info, info.rate_hz)) as reader:
        for at in range(0, info.frames, PLAYED_FRAMES):
            yield at, reader.read(room[: info.frames - at])
        refuse_changed([info])


def read_part(info: StemInfo, rate_hz: int, frames: int, offset: int = 0, start: int = 0) -> Block:
    """Return so many frames as a :class:`StemReader` reads them, shape ``(frames, channels)``."""
    with closing(StemReader(info, rate_hz, offset, start)) as reader:
        return reader.read(np.empty((frames, info.channels)))


def _open(info: StemInfo) -> _Frames:
    if info.warnings:
        return PlayedApart(info)
    chunk = data_chunk(info) if info.subtype in PLAIN_SUBTYPES else None
    if chunk is not None and chunk[1] == info.frames * info.channels * PCM_BYTES[info.subtype]:
        return _Plain(info, chunk[0])
    return _Library(info)


@contextmanager
def _told_as_problem(info: StemInfo) -> Iterator[None]:
    """Turn what goes wrong on the way into a problem that names the stem."""
    try:
        yield
    except soundfile.LibsndfileError as error:
        message = f"{info.path.name} is damaged or cut short: {error.error_string.rstrip('.')}"
        raise ProblemError.of("audio/unreadable", message, COPY) from error
    except OSError as error:
        message = f"{info.path.name} can't be read: {error.strerror}"
        raise ProblemError.of("audio/machine", message, fault=Fault.MACHINE) from error


def ended_early(info: StemInfo) -> ProblemError:
    """Return the error of a file that ends before its header says.

    It may have changed in the meantime, or its header has never told the truth.
    """
    name, status = info.path.name, os.stat(info.path)
    if info.is_still(status):
        message = f"{name} is cut short: its header promises {info.frames:,} samples, it has fewer"
        return ProblemError.of("audio/truncated", message, COPY)
    return changed(name)


class _Plain:
    """Raw samples at a known place in the file."""

    def __init__(self, info: StemInfo, offset: int) -> None:
        self._info, self._offset = info, offset
        self._file = open(info.path, "rb", buffering=0)  # noqa: SIM115 - closed by close()
        if not info.is_still(os.fstat(self._file.fileno())):
            self._file.close()
            raise changed(info.path.name)
        self._frame_bytes = info.channels * PCM_BYTES[info.subtype]
        self._left = 0
        self.seek(0)

    def seek(self, frame: int) -> None:
        frame = min(frame, self._info.frames)
        self._file.seek(self._offset + frame * self._frame_bytes)
        self._left = self._info.frames - frame

    def read(self, out: Block) -> int:
        from mixwright.audio.decode import decode_into

        frames = min(len(out), self._left)
        size = frames * self._frame_bytes
        # Eight bytes a sample are enough for any width.
        raw = scratch_block(frames, self._info.channels, "raw").view(np.uint8).reshape(-1)[:size]
        view, filled = raw.data, 0
        while filled < size:
            count = self._file.readinto(view[filled:])
            if not count:
                raise ended_early(self._info)
            filled += count
        decode_into(raw, self._info.subtype, out[:frames])
        self._left -= frames
        return frames

    def close(self) -> None:
        self._file.close()


class _Library:
    """Any format the sound library knows."""

    def __init__(self, info: StemInfo) -> None:
        self._info = info
        self._open = ExitStack()
        self._file = self._open.enter_context(opened(info))

    def seek(self, frame: int) -> None:
        self._file.seek(min(frame, self._info.frames))

    def read(self, out: Block) -> int:
        wanted = min(len(out), self._info.frames - self._file.tell())
        got = len(self._file.read(out=out)) if len(out) else 0
        if got < wanted:
            raise ended_early(self._info)
        return got

    def close(self) -> None:
        self._open.close()


class _Resampled:
    """Another reader's frames at another rate, converted by soxr at its very-high quality."""

    CHUNK = 16384

    def __init__(self, source: _Frames, info: StemInfo, rate_hz: int) -> None:
        self._source, self._info, self._rate_hz = source, info, rate_hz
        self._restart()

    def _restart(self) -> None:
        import soxr

        self._stream = soxr.ResampleStream(
            self._info.rate_hz, self._rate_hz, self._info.channels, "float64", quality="VHQ"
        )
        self._done = False
        # The converter gets the first samples of a stream wrong: silence goes first, as long as a
        # whole number of samples on both sides, and what becomes of it is dropped. Between odd
        # rates that is a whole second, so it goes in pieces, which changes no bit of what follows.
        common = math.gcd(self._info.rate_hz, self._rate_hz)
        self._dropping = self._rate_hz // common
        ahead = self._info.rate_hz // common
        silence = np.zeros((min(ahead, self.CHUNK), self._info.channels))
        for at in range(0, ahead, self.CHUNK):
            self._take(self._stream.resample_chunk(silence[: ahead - at]))

    def _take(self, converted: Block) -> None:
        """Keep what has come out of the converter for the next reads."""
        self._pending = converted[self._dropping :]
        self._dropping -= len(converted) - len(self._pending)

    def seek(self, frame: int) -> None:
        """Go to a frame at the song's rate: near it in the file, then exactly by skipping."""
        common = math.gcd(self._info.rate_hz, self._rate_hz)
        ours, theirs = self._rate_hz // common, self._info.rate_hz // common
        early = max(0, frame - self._rate_hz // 2) // ours
        self._source.seek(early * theirs)
        self._restart()
        self.read(np.empty((frame - early * ours, self._info.channels)))

    def read(self, out: Block) -> int:
        done = 0
        while done < len(out):
            if not len(self._pending):
                if self._done:
                    break
                chunk = np.empty((self.CHUNK, self._info.channels))
                got = self._source.read(chunk)
                self._done = got < len(chunk)
                self._take(self._stream.resample_chunk(chunk[:got], last=self._done))
                continue
            count = min(len(out) - done, len(self._pending))
            out[done : done + count] = self._pending[:count]
            self._pending = self._pending[count:]
            done += count
        return done

    def close(self) -> None:
        self._source.close()
