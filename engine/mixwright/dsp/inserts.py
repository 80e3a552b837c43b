"""Effects within a strip, by the name they have in a sheet.

All have whole samples of latency, at least one chunk (:mod:`mixwright.dsp.grid`), except a pitch
shift of nothing.
"""

from __future__ import annotations

from typing import TypeAlias

from mixwright.dsp.hosted import ChorusSettings, PhaserSettings
from mixwright.dsp.pitch import PitchShiftSettings
from mixwright.dsp.plugin import PluginSettings
from mixwright.dsp.saturation import SaturationSettings

__all__ = [
    "INSERTS",
    "ChorusSettings",
    "InsertSettings",
    "PhaserSettings",
    "PitchShiftSettings",
    "PluginSettings",
    "SaturationSettings",
]

InsertSettings: TypeAlias = (
    ChorusSettings | PhaserSettings | SaturationSettings | PitchShiftSettings | PluginSettings
)

INSERTS: dict[str, type[InsertSettings]] = {
    "chorus": ChorusSettings,
    "phaser": PhaserSettings,
    "saturation": SaturationSettings,
    "pitch_shift": PitchShiftSettings,
    "plugin": PluginSettings,
}
