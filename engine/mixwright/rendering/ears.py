"""All meters on one node at once: what a measurement hears, and the figures it gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from mixwright.meters import SoundMeter, SoundReadings
from mixwright.meters.silence import SilenceMeter, SilenceReadings
from mixwright.meters.spectrum import SpectrumMeter, SpectrumReadings
from mixwright.units import Block

NodeKind = Literal["file", "track", "group", "return", "mix"]


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
        self._silence = SilenceMeter(rate_hz, channels)

    def feed(self, block: Block) -> float:
        """Take a block (frames, channels); return a number, not finite if a sample is not."""
        self._spectrum.feed(block)
        self._silence.feed(block)
        return self.sound.feed(block)

    def figures(self, gain: float = 1.0) -> Figures:
        """Return the figures of the whole."""
        return Figures(
            self.kind,
            self.name,
            None,
            self.sound.readings(gain=gain),
            self._spectrum.readings(gain=gain),
            self._silence.readings(gain=gain),
        )

    def stretch(
        self, section: str | None, start_s: float, end_s: float | None, gain: float = 1.0
    ) -> Figures:
        """Return the figures from `start_s` to `end_s`."""
        sound = self.sound.readings(start_s, end_s, gain)
        spectrum = self._spectrum.readings(start_s, end_s, gain)
        return Figures(self.kind, self.name, section, sound, spectrum)
