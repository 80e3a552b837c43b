"""Plug-ins: the list of those on a machine, and running one, by a stand-in for it."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from mixwright.dsp.grid import CHUNK
from mixwright.dsp.plugin import PluginSettings
from mixwright.problem import Fault, ProblemError
from mixwright.rendering.plugin_list import plugin_list_path, read_plugin_list, unknown_plugin

RATE_HZ = 48000
Signal = NDArray[np.float64]


def noise(seconds: float, channels: int = 2) -> Signal:
    frames = round(seconds * RATE_HZ)
    return np.random.default_rng(4).standard_normal((frames, channels)) * 0.2


class StandIn:
    """A gain with latency and the interface of a plug-in that pedalboard has loaded."""

    is_effect = True

    def __init__(self, lag: int = 0, takes: tuple[int, ...] = (1, 2), hidden: int = 0) -> None:
        self.parameters = {
            "drive_db": SimpleNamespace(name="Drive", type=float, min_value=0.0, max_value=24.0),
            "tape_speed": SimpleNamespace(
                name="Tape Speed", type=str, valid_values=["7.5 ips", "15 ips"]
            ),
            "bypass": SimpleNamespace(name="Bypass", type=bool),
        }
        self.drive_db = 0.0
        self.tape_speed = "15 ips"
        self.bypass = False
        self._lag, self._hidden, self._takes = lag, hidden, takes
        self._prepared = False
        self.reset()

    @property
    def reported_latency_samples(self) -> int:
        # As some do, it only knows once it has been given sound.
        return self._lag if self._prepared else 0

    def reset(self) -> None:
        self._line = np.zeros((2, self._lag + self._hidden), dtype=np.float32)
        self._given = 0

    def process(
        self,
        input_array: NDArray[np.float32],
        sample_rate: float,
        buffer_size: int = 8192,
        reset: bool = True,
    ) -> NDArray[np.float32]:
        assert not reset
        assert input_array.dtype == np.float32
        channels, frames = input_array.shape
        if channels not in self._takes:
            raise ValueError(f"provided audio data contained {channels} channel(s)")
        self._prepared = True
        gain = np.float32(10 ** (self.drive_db / 20))
        joined = np.concatenate([self._line[:channels], input_array * gain], axis=1)
        self._line = joined[:, frames:]
        usable = min(frames, max(0, self._given + frames - self._lag))
        self._given += frames
        return joined[:, frames - usable : frames] if usable else joined[:, :0]


class Mute(StandIn):
    """One that does not say what it lags."""

    reported_latency_samples: Any = None


def started(stand_in: Any, *parameters: tuple[str, float | str | bool], channels: int = 2) -> Any:
    settings = PluginSettings("old_tape", "/opt/old_tape.vst3", parameters)
    return settings.start(RATE_HZ, channels, load=lambda path: stand_in)


@pytest.mark.parametrize("lag", [0, 1, 500, CHUNK, 5000])
def test_a_plugins_latency_is_declared_and_real(lag: int) -> None:
    running = started(StandIn(lag), ("Drive", 6.0))
    assert running.latency == CHUNK + lag
    signal = noise(0.3)
    padded = np.concatenate([signal, np.zeros((running.latency, 2))])
    out = np.concatenate([running.process(part) for part in np.array_split(padded, 37)])
    heard = signal.astype(np.float32) * np.float32(10 ** (6 / 20))
    assert np.array_equal(out[running.latency :], heard)
    assert not out[: running.latency].any()


def test_a_latency_that_is_not_reported_is_measured() -> None:
    running = started(Mute(0, hidden=1234))
    assert running.latency == CHUNK + 1234
    signal = noise(0.2)
    padded = np.concatenate([signal, np.zeros((running.latency, 2))])
    assert np.array_equal(running.process(padded)[running.latency :], signal.astype(np.float32))


def test_parameters_are_set_by_either_name() -> None:
    stand_in = StandIn()
    started(stand_in, ("drive_db", 3.0), ("Tape Speed", "7.5 ips"), ("bypass", True))
    assert (stand_in.drive_db, stand_in.tape_speed, stand_in.bypass) == (3.0, "7.5 ips", True)


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("driv", 3.0, "no parameter driv; similar ones are drive_db"),
        ("warmth", 3.0, "no parameter warmth; it has bypass, drive_db, tape_speed"),
        ("Drive", 30.0, "Drive of the plug-in old_tape is 30.0, expected between 0 and 24"),
        ("Drive", "loud", "is 'loud', expected a number between 0 and 24"),
        ("Drive", True, "is True, expected a number between 0 and 24"),
        ("tape_speed", "30 ips", "is '30 ips', expected one of 15 ips, 7.5 ips"),
        ("bypass", 1.0, "is 1.0, expected true or false"),
    ],
)
def test_wrong_parameters_are_named(name: str, value: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        started(StandIn(), (name, value))


def test_mono_goes_through_both_sides_of_a_stereo_plugin() -> None:
    running = started(StandIn(takes=(2,)), channels=1)
    signal = noise(0.1, 1)
    padded = np.concatenate([signal, np.zeros((running.latency, 1))])
    assert np.array_equal(running.process(padded)[running.latency :], signal.astype(np.float32))
    with pytest.raises(ValueError, match=r"old_tape doesn't take 2 channels: provided audio"):
        started(StandIn(takes=(1,)))


def test_an_instrument_is_refused() -> None:
    stand_in = StandIn()
    stand_in.is_effect = False
    with pytest.raises(ValueError, match="old_tape is an instrument, expected an effect"):
        started(stand_in)


def test_a_plugin_that_returns_no_number_is_stopped() -> None:
    stand_in = StandIn()
    running = started(stand_in)
    stand_in.drive_db = math.nan
    with pytest.raises(ValueError, match="old_tape returned no number"):
        running.process(noise(0.1))


def test_a_file_that_is_no_plugin_can_not_be_loaded(tmp_path: Path) -> None:
    # Through pedalboard itself.
    path = tmp_path / "old_tape.vst3"
    path.write_bytes(b"nothing")
    with pytest.raises(ProblemError, match=r"old_tape can't be loaded from .*old_tape\.vst3") as it:
        PluginSettings("old_tape", str(path)).start(RATE_HZ, 2)
    assert it.value.problems[0].fault is Fault.MACHINE
    with pytest.raises(ValueError, match="old_tape has no path"):
        PluginSettings("old_tape").start(RATE_HZ, 2)


# --- the list of plug-ins ----------------------------------------------------------------------


def test_where_the_list_is_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", "/home/mara")
    monkeypatch.delenv("MIXWRIGHT_PLUGINS", raising=False)
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    assert plugin_list_path() == Path("/home/mara/.config/mixwright/plugins.yaml")
    monkeypatch.setenv("XDG_CONFIG_HOME", "relative")
    assert plugin_list_path() == Path("/home/mara/.config/mixwright/plugins.yaml")
    monkeypatch.setenv("XDG_CONFIG_HOME", "/etc/mara")
    assert plugin_list_path() == Path("/etc/mara/mixwright/plugins.yaml")
    monkeypatch.setenv("MIXWRIGHT_PLUGINS", "~/mine.yaml")
    assert plugin_list_path() == Path("/home/mara/mine.yaml")


def test_a_good_list_is_read(tmp_path: Path) -> None:
    (tmp_path / "a.vst3").mkdir()
    path = tmp_path / "plugins.yaml"
    path.write_text(f"# mine\nold_tape: {tmp_path}/a.vst3\n'76': {tmp_path}/a.vst3\n", "utf-8")
    assert read_plugin_list(path) == {"old_tape": tmp_path / "a.vst3", "76": tmp_path / "a.vst3"}
    path.write_text("# nothing yet\n", "utf-8")
    assert read_plugin_list(path) == {}


@pytest.mark.parametrize(
    ("text", "place", "message"),
    [
        ("a: /\n- b\n", "2:1", "not valid YAML"),
        ("[a, b]\n", "1:1", "a list of plug-ins is a mapping of names to paths"),
        ("a: /\nb: /\na: /\n", "3:1", "the plug-in a is listed twice"),
        ("a: /\nb: x/b.vst3\n", "2:4", "path of the plug-in b is relative"),
        ("a: /nowhere/at/all.vst3\n", "1:4", "the plug-in a is not at /nowhere/at/all.vst3"),
        ("a:\n", "1:3", "the plug-in a has no path"),
        ("a: 3\n", "1:4", "the plug-in a has no path"),
        ("a: [/]\n", "1:4", "the plug-in a has no path"),
        ("old tape: /\n", "1:1", "a plug-in's name has letters, digits, _ and -"),
        ("76: /\n", "1:1", 'the name 76 for something other than text (help: put it in quotes: "'),
        ("[a]: /\n", "1:1", "a plug-in's name has letters"),
    ],
)
def test_each_fault_of_a_list_is_shown_at_its_place(
    tmp_path: Path, text: str, place: str, message: str
) -> None:
    path = tmp_path / "plugins.yaml"
    path.write_text(text, "utf-8")
    with pytest.raises(ProblemError) as caught:
        read_plugin_list(path)
    assert len(caught.value.problems) == 1
    assert message in str(caught.value)
    assert str(caught.value).startswith(f"{path}:{place}: error: ")


def test_all_faults_are_shown_at_once_and_unreadable_lists_named(tmp_path: Path) -> None:
    path = tmp_path / "plugins.yaml"
    path.write_text("a: x\nb: y\n", "utf-8")
    with pytest.raises(ProblemError) as caught:
        read_plugin_list(path)
    assert len(caught.value.problems) == 2
    for data, message in ((b"a: \xff\n", "is not UTF-8 text"), (b"a: \x00\n", "is not valid YAML")):
        path.write_bytes(data)
        with pytest.raises(ProblemError, match=message):
            read_plugin_list(path)
    with pytest.raises(ProblemError, match="can't be read"):
        read_plugin_list(tmp_path)
    with pytest.raises(ProblemError, match=r"no list of plug-ins at .*MIXWRIGHT_PLUGINS"):
        read_plugin_list(tmp_path / "none.yaml")


def test_an_unknown_plugin_is_helped_with() -> None:
    where = Path("/etc/plugins.yaml")
    assert "similar name is there: Old_Tape" in str(
        unknown_plugin("old_tapes", {"Old_Tape": Path("/")}, where)
    )
    assert "there are b, c; add a line" in str(
        unknown_plugin("warm", {"c": Path("/"), "b": Path("/")}, where)
    )
    assert "add a line such as warm: /path/to/it" in str(unknown_plugin("warm", {}, where))
