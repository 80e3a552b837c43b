"""A third-party plug-in, hosted by pedalboard.

What was read in pedalboard 0.9.26 and is relied on: `load_plugin(path)` returns an object with
`is_effect`, `parameters` (by name, each with `type`, `min_value`, `max_value`, `valid_values`),
`reported_latency_samples`, `reset()` and `process(input, rate, buffer_size=..., reset=...)`.
Parameters are set as attributes. `process` leaves out as many samples at the start as the plug-in
reports as its latency, so that the output of all calls together is in time; with `reset=False` it
returns that much less. `reset()` is called once, after a trial chunk: a plug-in may only know its
latency once it has been prepared. Where no latency is reported, an impulse is sent through and its
peak taken.

What was verified: all of the above against a stand-in with that interface, in the tests. No
third-party plug-in was at hand, so none has been loaded. Whether one gives the same bits twice, or
can be run from another thread than it was loaded in, is up to the plug-in.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.grid import CHUNK, RunningInsert
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.units import Block

Value = float | str | bool


class HostedPlugin(Protocol):
    """As much of a loaded plug-in as is used here."""

    @property
    def is_effect(self) -> bool:
        """Whether it takes sound in, rather than notes."""
        ...

    @property
    def parameters(self) -> Mapping[str, Any]:
        """Its parameters by the name of the attribute that sets them."""
        ...

    def reset(self) -> None:
        """Forget all sound."""
        ...

    def process(
        self,
        input_array: NDArray[np.float32],
        sample_rate: float,
        buffer_size: int = 8192,
        reset: bool = True,
    ) -> NDArray[np.float32]:
        """Take and return (channels, frames); what it lags is left out at the start."""
        ...


Load = Callable[[str], HostedPlugin]


@dataclass(frozen=True)
class PluginSettings:
    """`plugin` is the user's name for it, `path` where this machine has it.

    `parameters` holds names and values, as the plug-in calls them; they are set in that order.
    """

    plugin: str
    path: str = ""
    parameters: tuple[tuple[str, Value], ...] = ()

    def start(self, rate_hz: int, channels: int, load: Load | None = None) -> RunningInsert:
        """Load the plug-in afresh, set it up and return it running.

        `load` takes the path; by default it is pedalboard's. Raises ProblemError where the plug-in
        can't be loaded, ValueError for parameters and channels that it doesn't take.
        """
        if not self.path:
            raise ValueError(f"the plug-in {self.plugin} has no path, expected one")
        return RunningInsert(_started(self, rate_hz, channels, load), channels, 100.0)

    def tail_samples(self, rate_hz: int) -> int:
        """An estimate: a plug-in doesn't say how long it rings.

        >>> PluginSettings("old_tape", "/opt/old_tape.vst3").tail_samples(48000)
        240000
        """
        return round(TAIL_S * rate_hz)


TAIL_S = 5.0
# Past this, an impulse is not waited for any longer.
LONGEST_LATENCY_S = 2.0


def _started(
    settings: PluginSettings, rate_hz: int, channels: int, load: Load | None
) -> _PluginEffect:
    """The plug-in on as many channels, or a mono sound through both of a stereo one."""
    refused: Exception | None = None
    for inside in sorted({channels, 2}):
        hosted = _loaded(settings, load)
        for name, value in settings.parameters:
            _set(settings.plugin, hosted, name, value)
        try:
            return _PluginEffect(settings, hosted, rate_hz, inside)
        except (ValueError, RuntimeError) as error:
            refused = refused or error
    count = "1 channel" if channels == 1 else f"{channels} channels"
    raise ValueError(f"the plug-in {settings.plugin} doesn't take {count}: {refused}")


def _loaded(settings: PluginSettings, load: Load | None) -> HostedPlugin:
    """A fresh instance that is an effect."""
    try:
        hosted = (load or _load_by_pedalboard)(settings.path)
    except (ImportError, OSError, RuntimeError, ValueError) as error:
        message = f"the plug-in {settings.plugin} can't be loaded from {settings.path}: {error}"
        hint = "check that it is an effect for this system, one plug-in to the file"
        problem = Problem("plugin/unloadable", message, help=hint, fault=Fault.MACHINE)
        raise ProblemError([problem]) from error
    if not hosted.is_effect:
        raise ValueError(f"the plug-in {settings.plugin} is an instrument, expected an effect")
    return hosted


def _load_by_pedalboard(path: str) -> HostedPlugin:
    import pedalboard

    return cast(HostedPlugin, pedalboard.load_plugin(path))  # type: ignore[attr-defined]


def _folded(name: str) -> str:
    """A name without what people write differently.

    >>> _folded("Tape Speed (ips)")
    'tape_speed_ips'
    """
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")


def _set(plugin: str, hosted: HostedPlugin, said: str, value: Value) -> None:
    """Set one parameter; ValueError for a name or value that the plug-in doesn't know."""
    names = {_folded(str(getattr(p, "name", name))): name for name, p in hosted.parameters.items()}
    names |= {_folded(name): name for name in hosted.parameters}
    name = names.get(_folded(said))
    if name is None:
        near = [names[found] for found in get_close_matches(_folded(said), names, n=3)]
        known = f"similar ones are {', '.join(near)}" if near else "it has " + _some(names.values())
        raise ValueError(f"the plug-in {plugin} has no parameter {said}; {known}")
    if (wanted := _expected(hosted.parameters[name], value)) is not None:
        raise ValueError(f"{said} of the plug-in {plugin} is {value!r}, expected {wanted}")
    try:
        setattr(hosted, name, value)
    except (ValueError, TypeError) as error:
        raise ValueError(f"{said} of the plug-in {plugin} is {value!r}: {error}") from error


def _some(words: Iterable[str]) -> str:
    """A list that is not too long to read."""
    every = sorted(set(words))
    return (", ".join(every[:12]) or "none") + (", ..." if len(every) > 12 else "")


def _expected(parameter: Any, value: Value) -> str | None:
    """What a parameter takes instead of `value`, None where it takes that."""
    if parameter.type is bool:
        return None if isinstance(value, bool) else "true or false"
    if parameter.type is float:
        low, high = parameter.min_value, parameter.max_value
        if isinstance(value, str | bool):
            return f"a number between {low:g} and {high:g}"
        return None if low <= value <= high else f"between {low:g} and {high:g}"
    words = [str(word) for word in parameter.valid_values]
    return None if str(value) in words else f"one of {_some(words)}"


class _PluginEffect:
    """A plug-in at work, a chunk at a time.

    A plug-in that takes stereo alone is given mono sound on both sides, and the mean of what it
    returns is taken.
    """

    def __init__(
        self, settings: PluginSettings, hosted: HostedPlugin, rate_hz: int, inside: int
    ) -> None:
        self._plugin = settings.plugin
        self._hosted = hosted
        self._rate_hz = rate_hz
        self._inside = inside
        self.tail = settings.tail_samples(rate_hz)
        self.latency = 0
        self._try_out()
        reported = getattr(hosted, "reported_latency_samples", None)
        left_out, self.latency = self._measured() if reported is None else (reported, reported)
        # What it leaves out at the start is put back, so that each chunk gives a chunk.
        self._queue = np.zeros((inside, left_out), dtype=np.float32)

    def _try_out(self) -> None:
        """One chunk of silence, then forget it: the plug-in is now prepared."""
        self._call(np.zeros((self._inside, CHUNK), dtype=np.float32))
        self._hosted.reset()

    def _measured(self) -> tuple[int, int]:
        """How much it leaves out at the start, and its latency by the peak of an impulse."""
        impulse = np.zeros((self._inside, CHUNK), dtype=np.float32)
        impulse[:, 0] = 0.5
        made = [self._call(impulse)]
        for _ in range(math.ceil(LONGEST_LATENCY_S * self._rate_hz / CHUNK)):
            made.append(self._call(np.zeros_like(impulse)))
        self._hosted.reset()
        heard = np.abs(np.concatenate(made, axis=1)).max(axis=0)
        left_out = len(made) * CHUNK - len(heard)
        return left_out, left_out + int(np.argmax(heard))

    def _call(self, heard: NDArray[np.float32]) -> NDArray[np.float32]:
        return self._hosted.process(heard, self._rate_hz, buffer_size=CHUNK, reset=False)

    def render(self, chunk: Block) -> Block:
        """Return the next chunk (`CHUNK`, channels), `latency` late."""
        heard = np.ascontiguousarray(chunk.T, dtype=np.float32)
        heard = np.repeat(heard, self._inside // len(heard), axis=0)
        joined = np.concatenate([self._queue, self._call(heard)], axis=1)
        made, self._queue = joined[:, :CHUNK], joined[:, CHUNK:].copy()
        if made.shape[1] < CHUNK or not np.isfinite(made).all():
            what = "fewer samples than its latency allows" if made.shape[1] < CHUNK else "no number"
            raise ValueError(f"the plug-in {self._plugin} returned {what}")
        if chunk.shape[1] < self._inside:
            made = made.mean(axis=0, keepdims=True)
        return np.ascontiguousarray(made.T, dtype=np.float64)
