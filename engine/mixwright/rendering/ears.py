"""All meters on one node at once: what a measurement hears, and the figures it gives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from mixwright.meters import SoundMeter, SoundReadings
from mixwright.meters.silence import SilenceReadings
from mixwright.meters.spectrum import SpectrumMeter, SpectrumReadings
from mixwright.units import Block

NodeKind = Literal["file", "track", "group", "return", "mix"]


class Listener(Protocol):
    """Whatever is fed the blocks of a point of the graph, in order and without gaps."""

    def feed(self, block: Block) -> Any:
        """Take a block (frames, channels), which is neither kept nor changed."""
        ...


# Who listens, by point and name: at a track's "source" (polarity and trim done), "equalised",
# "treated" (after its chain) and "track" (as placed); at a group's "group in" and "group"; at a
# "return"; at the bus "dry" and "wet" (all returns); see Apart for "apart", "rest" and others.
Ears = Mapping[tuple[str, str], Listener]
NO_EARS: Ears = {}


@dataclass(frozen=True)
class Figures:
    """Every figure of a node: of the whole, or of one section of the song.

    `silence` is of whole files and mixes only.
    """

    kind: NodeKind
    name: str
    section: str | None
    sound: SoundReadings
    spectrum: SpectrumReadings
    silence: SilenceReadings | None = None


class Ear:
    """Fed blocks of one node; then asked for the whole or any stretch of it, at any gain."""

    def __init__(self, kind: NodeKind, name: str, rate_hz: int, channels: int = 2) -> None:
        self.kind, self.name, self.rate_hz = kind, name, rate_hz
        self.sound = SoundMeter(rate_hz, channels)
        self._spectrum = SpectrumMeter(rate_hz, channels)

    def feed(self, block: Block) -> float:
        """Take a block (frames, channels); return a number, not finite if a sample is not."""
        self._spectrum.feed(block)
        return self.sound.feed(block)

    def figures(self, gain: float = 1.0) -> Figures:
        """Return the figures of the whole."""
        return Figures(
            self.kind,
            self.name,
            None,
            self.sound.readings(gain=gain),
            self._spectrum.readings(gain=gain),
            self.sound.silence(gain),
        )

    def stretch(
        self, section: str | None, start_s: float, end_s: float | None, gain: float = 1.0
    ) -> Figures:
        """Return the figures from `start_s` to `end_s`."""
        sound = self.sound.readings(start_s, end_s, gain)
        spectrum = self._spectrum.readings(start_s, end_s, gain)
        return Figures(self.kind, self.name, section, sound, spectrum)


class Together:
    """Several listeners at one point."""

    def __init__(self, *listeners: Listener) -> None:
        self._listeners = listeners

    def feed(self, block: Block) -> None:
        """Give every one of them the block."""
        for listener in self._listeners:
            listener.feed(block)


class Within:
    """Lets a listener hear only what lies from sample `start` up to `end`, from the first fed."""

    def __init__(self, listener: Listener, start: int, end: int | None) -> None:
        self._listener, self._start, self._end, self._at = listener, start, end, 0

    def feed(self, block: Block) -> None:
        """Pass on the part of the block that lies within."""
        stop = len(block) if self._end is None else self._end - self._at
        inside = block[max(0, self._start - self._at) : max(0, stop)]
        self._at += len(block)
        if len(inside):
            self._listener.feed(inside)
