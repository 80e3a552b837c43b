"""Laws that every processor keeps: the list below is every registered one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from mixwright.dsp.align import RunningAlign
from mixwright.dsp.band import BandSettings
from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.contract import bounds_of
from mixwright.dsp.curve import Curve, CurveMove
from mixwright.dsp.de_esser import DeEsserSettings
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.eq import BandRide, EqSettings
from mixwright.dsp.expander import ExpanderSettings
from mixwright.dsp.impulse import ImpulseSettings
from mixwright.dsp.inserts import (
    ChorusSettings,
    PhaserSettings,
    PitchShiftSettings,
    SaturationSettings,
)
from mixwright.dsp.limiter import LimiterSettings
from mixwright.dsp.reverb import ReverbSettings

RATE_HZ = 48000
SEVEN_BANDS = tuple(BandSettings("bell", 100.0 * 2**k, 3.0 - k, 1.0 + k) for k in range(7))


class _Align:
    def start(self, rate_hz: int, channels: int) -> RunningAlign:
        return RunningAlign(1234, channels)


class _Recorded:
    def start(self, rate_hz: int, channels: int) -> Any:
        decay = np.exp(-np.arange(12000) / 2000.0)
        noise = np.random.default_rng(3).standard_normal((12000, 2)) * decay[:, None]
        settings = ImpulseSettings(0.25, 10.0, 200.0, 9000.0, ((0.5, 25.0),))
        return settings.start_with(noise, rate_hz)


PROCESSORS: dict[str, Any] = {
    "eq": EqSettings(SEVEN_BANDS),
    "passes": EqSettings(
        (BandSettings("high_pass", 80, slope_db_per_oct=42), BandSettings("notch", 50, q=9.0))
    ),
    "sides": EqSettings(
        (
            BandSettings("bell", 300, 6.0, on="side"),
            BandSettings("high_shelf", 9000, 3.0, slope=0.8, on="mid"),
            BandSettings("bell", 12000, -6.0, 2.0),
        )
    ),
    "moving": EqSettings(
        (BandSettings("low_pass", 8000, slope_db_per_oct=24), BandSettings("bell", 900, 6.0)),
        (
            BandRide(0, Curve("octaves", 8000.0, (CurveMove(5000, 9000, 300.0),))),
            BandRide(1, gain_db=Curve("plain", 6.0, (CurveMove(9000, 900, -6.0, "smooth"),))),
        ),
    ),
    "compressor": CompressorSettings(-30.0, 4.0, 3.0, 40.0, 6.0, 120.0),
    "slap": DelaySettings(20.0, spread_ms=3.3),
    "echo": DelaySettings(37.7, 0.0, -6.0, 200.0, 3000.0, ((0.3, 50.0),)),
    "ping_pong": DelaySettings(
        20.3, 2.0, -6.0, 200.0, 3000.0, ((0.3, 31.7),), ping_pong=True, duck_db=12.0
    ),
    "tail": ReverbSettings(0.4, 10.0, early_db=None),
    "moving_reverb": ReverbSettings(
        0.4,
        10.0,
        ((125.0, 1.2),),
        200.0,
        9000.0,
        size_m=12.0,
        later_pre_delays_ms=((0.5, 25.0),),
    ),
    "recorded": _Recorded(),
    "reverb": ReverbSettings(0.4, 10.0, ((125.0, 1.2),), 200.0, 9000.0),
    "align": _Align(),
    "rms": CompressorSettings(-30.0, 4.0, 3.0, 40.0, detector="rms", rms_ms=5.0, mix_percent=60.0),
    "unlinked": CompressorSettings(
        -30.0, 4.0, 3.0, 40.0, 6.0, 120.0, 8000.0, link_percent=30.0, look_ahead_ms=4.3
    ),
    "gate": ExpanderSettings(-30.0, 4.0, 40.0, 0.5, 5.0, 30.0, 6.0, 90.0, 9000.0, 2.0),
    "de_esser": DeEsserSettings(-40.0),
    "limiter": LimiterSettings(-12.0, 50.0, 3.0),
    "chorus": ChorusSettings(0.8, 40.0, 9.0, 30.0, 60.0),
    "phaser": PhaserSettings(0.5, 60.0, 900.0, 40.0, 50.0),
    "saturation": SaturationSettings(9.0, 80.0),
    "pitch_up": PitchShiftSettings(3.0),
    "pitch_down": PitchShiftSettings(-12.0),
}
# Later than the declared latency by so many ms: delays by their time; less than none where
# linear-phase filters and frames sound before the impulse.
WAITS_MS = {
    "slap": 20.0 - 1.65,
    "echo": 37.7,
    "ping_pong": 19.3,
    "reverb": 10.0,
    "tail": 10.0,
    "moving_reverb": 10.0,
    "recorded": 10.0,
    "saturation": -0.8,
    "pitch_up": -35.7,
    "pitch_down": -35.2,
}


def run(settings: Any, signal: NDArray[np.float64], sizes: list[int]) -> NDArray[np.float64]:
    running = settings.start(RATE_HZ, 2)
    parts, at, turn = [], 0, 0
    while at < len(signal):
        size = sizes[turn % len(sizes)]
        parts.append(running.process(signal[at : at + size].copy()).copy())
        at, turn = at + size, turn + 1
    return np.concatenate(parts)


@pytest.fixture(scope="module")
def signal() -> NDArray[np.float64]:
    noise = np.random.default_rng(9).standard_normal((80000, 2)) * 0.2
    noise[20000:40000] *= 1e-4
    noise[60000:] = 0.0
    return noise


@pytest.mark.parametrize("name", PROCESSORS)
@pytest.mark.parametrize("sizes", [[512, 1, 77], [4096], [65536]])
def test_any_block_size_gives_the_same_bits(
    name: str, sizes: list[int], signal: NDArray[np.float64]
) -> None:
    whole = run(PROCESSORS[name], signal, [len(signal)])
    assert np.array_equal(run(PROCESSORS[name], signal, sizes), whole)
    assert np.isfinite(whole).all()
    assert whole.any()


@pytest.mark.parametrize(("channels", "on"), [(1, "both"), (2, "both"), (2, "mid")])
def test_an_equaliser_falls_silent_after_its_sound(channels: int, on: str) -> None:
    """Rounding would keep it ringing at 1e-323 for ever, which takes a hundred times as long."""
    bands = (
        BandSettings("bell", 320.0, -2.0, on=on),
        BandSettings("high_pass", 95.0, slope_db_per_oct=18, on=on),
    )
    running = EqSettings(bands).start(RATE_HZ, channels)
    running.process(np.full((1000, channels), 0.1))
    late = running.process(np.zeros((3 * RATE_HZ, channels)))[-RATE_HZ:]
    assert not late.any()


@pytest.mark.parametrize("name", PROCESSORS)
def test_silence_stays_silence(name: str) -> None:
    assert not run(PROCESSORS[name], np.zeros((70000, 2)), [8192]).any()


@pytest.mark.parametrize("name", PROCESSORS)
def test_the_declared_latency_is_the_real_one(name: str) -> None:
    impulse = np.zeros((70000, 2))
    impulse[0] = 1.0
    running = PROCESSORS[name].start(RATE_HZ, 2)
    out = running.process(impulse.copy())
    # The reverb's transforms leave noise near -140 dB before its first sound.
    first = int(np.flatnonzero(np.abs(out).max(axis=1) > 1e-3 * np.abs(out).max())[0])
    assert first - running.latency == pytest.approx(WAITS_MS.get(name, 0.0) * 48, abs=15)


@pytest.mark.parametrize("name", PROCESSORS)
def test_after_its_tail_it_is_60_db_down(name: str) -> None:
    running = PROCESSORS[name].start(RATE_HZ, 2)
    burst = np.random.default_rng(1).standard_normal((4800, 2))
    frames = 4800 + running.tail + running.latency + 9600
    out = running.process(np.concatenate([burst, np.zeros((frames, 2))]))
    after = 4800 + running.tail + running.latency
    loudest = np.sqrt((out**2).mean(axis=1).max())
    assert np.sqrt((out[after:] ** 2).mean()) <= loudest * 1e-3


REFUSING: dict[Any, dict[str, Any]] = {
    BandSettings: {"type": "bell", "freq_hz": 100.0},
    CompressorSettings: {"threshold_db": -20.0, "ratio": 2.0},
    ExpanderSettings: {"threshold_db": -20.0},
    DeEsserSettings: {"threshold_db": -20.0},
    LimiterSettings: {},
    DelaySettings: {"time_ms": 100.0},
    ReverbSettings: {"decay_s": 1.0},
    ChorusSettings: {},
    PhaserSettings: {},
    SaturationSettings: {},
    PitchShiftSettings: {},
}


@pytest.mark.parametrize("settings", REFUSING)
def test_numbers_out_of_bounds_are_refused(settings: Any) -> None:
    valid = REFUSING[settings]
    settings(**valid)
    for name, bounds in bounds_of(settings).items():
        for value in (bounds.low - 0.01, bounds.high + 1.0):
            with pytest.raises(ValueError, match=name):
                settings(**{**valid, name: value})
