"""Meters: fed blocks, then asked. Settings and running state are apart from the readings."""

from mixwright.meters.loudness import FilterLoudnessMeter, LoudnessMeter, integrated_lufs
from mixwright.meters.mix import MixReadings
from mixwright.meters.sound import SoundMeter, SoundReadings

__all__ = [
    "FilterLoudnessMeter",
    "LoudnessMeter",
    "MixReadings",
    "SoundMeter",
    "SoundReadings",
    "integrated_lufs",
]
