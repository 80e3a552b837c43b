"""A recording that a decoder had something to say about, read through a process of its own.

It may be damaged, so our process keeps off it; and what its decoder prints stays off the terminal.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any

import numpy as np

from mixwright.audio.decoder_processes import Decoder, Ended, Limits, NoDecoderError
from mixwright.audio.opened import changed
from mixwright.audio.probe import StemInfo
from mixwright.audio.vouching import no_decoder, undecoded
from mixwright.problem import ProblemError
from mixwright.units import Block


class PlayedApart:
    """Frames from a position in the file on, as float64."""

    def __init__(self, info: StemInfo, limits: Limits | None = None) -> None:
        self._info, self._limits = info, limits or Limits()
        self._at = 0
        self._jump: int | None = None
        try:
            self._decoder = Decoder(self._limits)
            self._decoder.begin()
        except NoDecoderError as error:
            raise ProblemError([no_decoder(info.path, error)]) from error
        found = self._asked({"play": os.fspath(info.path)})
        known = (info.rate_hz, info.channels, info.stamp.of_content)
        if (found["rate_hz"], found["channels"], tuple(found["stamp"])) != known:
            self.close()
            raise changed(info.path.name)

    def seek(self, frame: int) -> None:
        """Go on from this frame."""
        self._jump = self._at = min(frame, self._info.frames)

    def read(self, out: Block) -> int:
        """Fill `out` with frames as far as there are any, and return how many."""
        wanted, done = min(len(out), self._info.frames - self._at), 0
        while done < wanted:
            found = self._asked({"read": wanted - done, "seek": self._jump})
            self._jump = None
            count = int(found["got"]) * self._info.channels * 8
            samples = self._decoder.take(count)
            if not count:
                self.close()
                raise changed(self._info.path.name)
            if len(samples) < count:
                raise self._undecoded(self._decoder.how_it_died())
            block = np.frombuffer(samples).reshape(-1, self._info.channels)
            out[done : done + len(block)] = block
            done += len(block)
            self._at += len(block)
        return done

    def close(self) -> None:
        """End the process."""
        self._decoder.close()

    def _asked(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        ended = self._decoder.ask(request, self._info.size)
        if ended.how == "well":
            return ended.data
        self.close()
        raise self._undecoded(ended)

    def _undecoded(self, ended: Ended) -> ProblemError:
        name, size = self._info.path.name, self._info.size
        return ProblemError([undecoded(name, size, ended, self._limits)])
