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
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.eq import EqSettings
from mixwright.dsp.reverb import ReverbSettings

RATE_HZ = 48000
SEVEN_BANDS = tuple(BandSettings("bell", 100.0 * 2**k, 3.0 - k, 1.0 + k) for k in range(7))


class _Align:
    def start(self, rate_hz: int, channels: int) -> RunningAlign:
        return RunningAlign(1234, channels)


PROCESSORS: dict[str, Any] = {
    "eq": EqSettings(SEVEN_BANDS),
    "passes": EqSettings(
        (BandSettings("high_pass", 80, slope_db_per_oct=42), BandSettings("notch", 50, q=9.0))
    ),
    "compressor": CompressorSettings(-30.0, 4.0, 3.0, 40.0, 6.0, 120.0),
    "slap": DelaySettings(20.0, spread_ms=3.3),
    "echo": DelaySettings(37.7, 0.0, -6.0, 200.0, 3000.0, ((0.3, 50.0),)),
    "reverb": ReverbSettings(0.4, 10.0, ((125.0, 1.2),), 200.0, 9000.0),
    "align": _Align(),
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
    waits = {"slap": (20.0 - 1.65), "echo": 37.7, "reverb": 10.0}.get(name, 0.0)
    assert first - running.latency == pytest.approx(waits * 48, abs=15)


@pytest.mark.parametrize("name", PROCESSORS)
def test_after_its_tail_it_is_60_db_down(name: str) -> None:
    running = PROCESSORS[name].start(RATE_HZ, 2)
    burst = np.random.default_rng(1).standard_normal((4800, 2))
    frames = 4800 + running.tail + running.latency + 9600
    out = running.process(np.concatenate([burst, np.zeros((frames, 2))]))
    after = 4800 + running.tail + running.latency
    loudest = np.sqrt((out**2).mean(axis=1).max())
    assert np.sqrt((out[after:] ** 2).mean()) <= loudest * 1e-3


@pytest.mark.parametrize(
    "settings", [BandSettings, CompressorSettings, DelaySettings, ReverbSettings]
)
def test_numbers_out_of_bounds_are_refused(settings: Any) -> None:
    valid = {
        BandSettings: {"type": "bell", "freq_hz": 100.0},
        CompressorSettings: {"threshold_db": -20.0, "ratio": 2.0},
        DelaySettings: {"time_ms": 100.0},
        ReverbSettings: {"decay_s": 1.0},
    }[settings]
    settings(**valid)
    for name, bounds in bounds_of(settings).items():
        for value in (bounds.low - 0.01, bounds.high + 1.0):
            with pytest.raises(ValueError, match=name):
                settings(**{**valid, name: value})
