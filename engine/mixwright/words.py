"""How a value is told to people: every level, ratio, time, setting and list, in one way each.

Settings are told as a sheet sets them, with no more digits than they have; what was measured is
told with a fixed number of decimals. Names and units of fields come from their keys.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

from mixwright.dsp.band import GAIN_TYPES, PASSES, BandSettings

# What a level is that there is nothing of, and what a figure is that can't be had.
SILENT, NO_FIGURE = "silent", "-"

_UNITS = {
    **{"db": "dB", "dbfs": "dBFS", "dbtp": "dBTP", "lu": "LU", "lufs": "LUFS", "percent": "%"},
    **{"ms": "ms", "s": "s", "hz": "Hz", "m": "m", "oct": "dB/oct"},
    **{"bars": "bars", "bpm": "bpm", "semitones": "semitones"},
}
_HYPHENED = r"\b(high|low|look|pre|ping|pitch|de) (?=pass|shelf|ahead|delay|pong|shift|esser)"
_SPELT = {
    "bpm": "",
    "eq": "EQ",
    "freq": "frequency",
    "integrated": "loudness",
    "isrc": "ISRC",
    "key": "keyed by",
    "makeup": "make-up",
    "plugin": "plug-in",
    "q": "Q",
    "rms": "RMS",
    "semitones": "",
}
# What stands in a sheet where such a field is left out; anything else is "none".
_LEFT_OUT = {
    "early_db": "off",
    "end": "with the longest track",
    "feedback_db": "one repeat",
    "head_s": "as it is",
    "key": "its own signal",
    "makeup_db": "matched",
    "size_m": "by the decay",
    "tail_s": "as it is",
}
# Gains, told with their sign and at least one decimal.
_GAINS = ("gain_db", "trim_db", "makeup_db", "offset_db", "early_db")
# What a setting that does nothing is: among others it goes without saying.
_QUIET: Mapping[str, Any] = {
    "detector": "peak",
    "feedback_percent": 0.0,
    "link_percent": 100.0,
    "look_ahead_ms": 0.0,
    "mix_percent": 100.0,
    "pre_delay_ms": 0.0,
    "spread_ms": 0.0,
}


# ---- what was measured ----


def figure(value: float | None, unit: str = "", decimals: int = 2, sign: bool = False) -> str:
    """Return a measured figure with its unit; ``-`` where it can't be had. There is no "-0.0".

    >>> figure(-23.014, "LUFS"), figure(None, "LU"), figure(0.5, "dB", sign=True)
    ('-23.01 LUFS', '-', '+0.50 dB')
    >>> figure(-0.001, sign=True)
    '0.00'
    """
    if value is None or math.isnan(value):
        return NO_FIGURE
    if math.isinf(value):  # a ratio of which one side is nothing
        return f"{'+' if value > 0.0 else '-'}inf"
    # Rounded first: -0.001 is 0.00, not -0.00.
    rounded = round(value, decimals) + 0.0
    return f"{rounded:{'+' if sign and rounded else ''}.{decimals}f} {unit}".rstrip()


def level(value: float | None, unit: str = "", decimals: int = 2) -> str:
    """Return a measured level, of which there is none in silence alone.

    >>> level(-3.014, "dBFS"), level(None, "dBFS")
    ('-3.01 dBFS', 'silent')
    """
    return SILENT if value is None else figure(value, unit, decimals)


def share(part: float | None) -> str:
    """Return a share of one in per cent.

    >>> share(0.352), share(None)
    ('35 %', '-')
    """
    return figure(None if part is None else 100.0 * part, "%", 0)


def clock(seconds: float, decimals: int = 1) -> str:
    """Return minutes and seconds.

    >>> clock(76.25), clock(59.97), clock(76.25, 0)
    ('1:16.2', '1:00.0', '1:16')
    """
    units = 10**decimals
    minutes, rest = divmod(round(max(0.0, seconds) * units), 60 * units)
    width = 3 + decimals if decimals else 2
    return f"{minutes}:{rest / units:0{width}.{decimals}f}"


def bar_and_beat(bar: int, beat: float) -> str:
    """Return a place in the bars; the beat is cut: beat 4.98 of four must not read as beat 5.

    >>> bar_and_beat(19, 4.98), bar_and_beat(3, 1.0)
    ('bar 19 beat 4.9', 'bar 3 beat 1')
    """
    return f"bar {bar} beat {math.floor(beat * 10.0 + 1e-6) / 10.0:g}"


def moment(seconds: float, *within: str | None) -> str:
    """Return a time, and what it lies within: a section, a bar.

    >>> moment(49.42, "chorus 2", "bar 19 beat 4.8"), moment(7.0, None)
    ('0:49.4 (chorus 2, bar 19 beat 4.8)', '0:07.0')
    """
    known = ", ".join(filter(None, within))
    return clock(seconds) + (f" ({known})" if known else "")


def change(old: float | None, new: float | None, decimals: int = 2) -> str:
    """Return by how much a figure changed; ``-`` where one of the two can't be had.

    >>> change(-20.0, -19.25), change(None, 1.0), change(1.0, 1.0)
    ('+0.75', '-', '0.00')
    """
    return figure(None if old is None or new is None else new - old, "", decimals, sign=True)


# ---- what is set ----


def number(value: float, decimals: int = 0) -> str:
    """Return a number with no more digits than it has but at least `decimals`; -inf is ``off``.

    >>> number(-4.5), number(-2.0, 1), number(5217.391), number(-math.inf)
    ('-4.5', '-2.0', '5217.391', 'off')
    """
    if value == -math.inf:
        return "off"
    text = f"{value + 0.0:.10g}"
    if decimals and re.fullmatch(r"-?\d+", text):
        text += "." + "0" * decimals
    return text


def signed(value: float, decimals: int = 1) -> str:
    """Return a number with its sign; zero has none.

    >>> signed(0.8), signed(0.0), signed(-3.0)
    ('+0.8', '0.0', '-3.0')
    """
    return ("+" if value > 0.0 else "") + number(value, decimals)


def pan_words(pan: float | None) -> str:
    """Return a pan as a sheet writes it.

    >>> [pan_words(pan) for pan in (-100.0, 0.0, 12.5, None)]
    ['L100', 'C', 'R12.5', '-']
    """
    if pan is None:
        return NO_FIGURE
    return "C" if pan == 0 else f"{'L' if pan < 0 else 'R'}{number(abs(pan))}"


def unit_of(key: str) -> str:
    """Return the unit that a field's name ends with; a ratio has none.

    >>> unit_of("mono_loss_lu"), unit_of("slope_db_per_oct"), unit_of("bus_ratio")
    ('LU', 'dB/oct', '')
    """
    return _UNITS.get(key.rpartition("_")[2], "")


def named(key: str) -> str:
    """Return the words of a field's name without its unit.

    >>> named("pre_delay_ms"), named("makeup_db"), named("size_m"), named("de_esser"), named("eq")
    ('pre-delay', 'make-up', 'size', 'de-esser', 'EQ')
    """
    stem = key.removesuffix("_db_per_oct")
    stem = stem.rpartition("_")[0] if unit_of(key) and stem == key and "_" in key else stem
    words = re.sub(_HYPHENED, r"\1-", stem.replace("_", " "))
    return _SPELT.get(words, words)


def part_named(name: str) -> str:
    """Return the name of a part of a strip as a person says it.

    >>> part_named("lead_vocal.de_esser"), part_named("mix_bus.compressor")
    ('lead_vocal de-esser', 'mix bus compressor')
    """
    strip, _, part = name.rpartition(".")
    return f"{'mix bus' if strip == 'mix_bus' else strip} {named(part)}"


def value_words(key: str, value: Any) -> str:
    """Return the value of a field with its unit.

    >>> value_words("attack_ms", 20.0), value_words("gain_db", 2.0), value_words("ratio", 3.0)
    ('20 ms', '+2.0 dB', '3:1')
    >>> value_words("makeup_db", None), value_words("without", ("bass", "pad"))
    ('matched', 'bass, pad')
    """
    if value is None:
        return _LEFT_OUT.get(key, "none")
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, int | float):
        return _number_words(key, value)
    return str(value).replace("_", " ") if key == "role" else _any_words(key, value)


def _number_words(key: str, value: float) -> str:
    if key == "pan":
        return pan_words(value)
    if key.endswith("ratio"):
        return f"{number(value)}:1"
    text = signed(value) if key.endswith(_GAINS) else number(value)
    return text if text == "off" else f"{text} {unit_of(key)}".rstrip()


def _any_words(key: str, value: Any) -> str:
    """Whatever it is, as text: nothing in it is left out."""
    if isinstance(value, Mapping):
        said = [f"{name} {value_words(key, one)}" for name, one in value.items()]
        return ", ".join(said) or "none"
    if isinstance(value, tuple | list):
        return ", ".join(value_words(key, one) for one in value) or "none"
    if dataclasses.is_dataclass(value) and type(value).__str__ is object.__str__:
        pairs = [(entry.name, getattr(value, entry.name)) for entry in dataclasses.fields(value)]
        return ", ".join(
            f"{named(key)} {value_words(key, one)}".lstrip()
            for key, one in pairs
            if one is not None
        )
    return str(value)


def settings_words(settings: Any) -> str:
    """Return the settings of a processor, in their order; what does nothing is left out.

    >>> from mixwright.dsp.compressor import CompressorSettings
    >>> settings_words(CompressorSettings(-18.0, 3.0, attack_ms=20.0))
    'threshold -18 dB, ratio 3:1, attack 20 ms, release 100 ms, knee 6 dB'
    """
    pairs = {entry.name: getattr(settings, entry.name) for entry in dataclasses.fields(settings)}
    if pairs.get("detector") == "peak":
        pairs.pop("rms_ms", None)
    said = []
    for key, value in pairs.items():
        if value is None and key in ("early_db", "feedback_db"):
            said.append({"early_db": "no early reflections"}.get(key, _LEFT_OUT[key]))
        elif key == "decay_by_band":
            said += [f"decay x{number(factor)} at {number(hz)} Hz" for hz, factor in value]
        elif key == "parameters":
            said += [f"{name} {value_words('', one)}" for name, one in value]
        elif key == "plugin":
            said.append(str(value))
        elif value is True:
            said.append(named(key))
        elif value not in (None, (), "") and value is not False and _QUIET.get(key) != value:
            said.append(f"{named(key)} {value_words(key, value)}".lstrip())
    return ", ".join(said)


def band_name(band: BandSettings) -> str:
    """Return what an EQ band is called: its type and its frequency."""
    return f"{named(band.type)} {value_words('freq_hz', band.freq_hz)}"


def band_words(band: BandSettings) -> str:
    """Return an EQ band.

    >>> band_words(BandSettings("bell", 320.0, 2.0, q=1.4))
    'bell 320 Hz +2.0 dB Q 1.4'
    >>> band_words(BandSettings("high_pass", 95.0, slope_db_per_oct=18, on="side"))
    'high-pass 95 Hz 18 dB/oct on the sides'
    """
    said = [band_name(band)]
    if band.type in GAIN_TYPES:
        said.append(value_words("gain_db", band.gain_db))
    if band.type in PASSES:
        said.append(value_words("slope_db_per_oct", band.slope_db_per_oct))
    else:
        said.append(f"Q {number(band.q)}" if band.slope is None else f"slope {number(band.slope)}")
    said += {"both": [], "mid": ["on the mid"], "side": ["on the sides"]}[band.on]
    return " ".join(said)


# ---- lists and quantities ----


def listed(words: Iterable[str], joint: str = "or") -> str:
    """Return words as a person lists them.

    >>> listed(["a", "b", "c"])
    'a, b or c'
    """
    every = list(words)
    return f" {joint} ".join(filter(None, [", ".join(every[:-1]), *every[-1:]]))


def counted(count: float, one: str, many: str = "") -> str:
    """Return a quantity with its unit, which is that of `many` for all but one (one and an s).

    >>> counted(1, "file"), counted(0.5, "beat"), counted(2, "file is", "files are")
    ('1 file', '0.5 beats', '2 files are')
    """
    return f"{number(count)} {one if count == 1 else many or f'{one}s'}"
