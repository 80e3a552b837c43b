"""Laws of everything that can listen to a key: with the mix as key, what it does is linear.

So the parts of a mix, each through a processor of its own that listens to the whole mix, add up to
what the processor makes of the mix. These are the only processors of the project that are not
linear by themselves and stand where tracks have already been added up.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.de_esser import DeEsserSettings
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.expander import ExpanderSettings
from mixwright.dsp.limiter import LimiterSettings

RATE_HZ = 48000
FRAMES = 14000
Samples = NDArray[np.float64]

KEYED: dict[str, Any] = {
    "compressor": CompressorSettings(-30.0, 4.0, 3.0, 40.0),
    "filtered and late": CompressorSettings(
        -40.0, 4.0, 3.0, 40.0, 6.0, 120.0, 8000.0, link_percent=30.0, look_ahead_ms=4.3
    ),
    "late": CompressorSettings(-30.0, 8.0, 1.0, 20.0, look_ahead_ms=5.0),
    "rms": CompressorSettings(-30.0, 4.0, 3.0, 40.0, detector="rms", rms_ms=5.0, mix_percent=60.0),
    "gate": ExpanderSettings(-25.0, 4.0, 40.0, 0.5, 5.0, 30.0),
    "gate, late": ExpanderSettings(-25.0, 4.0, 40.0, 0.5, 5.0, 30.0, 6.0, 90.0, 9000.0, 2.0),
    "de-esser": DeEsserSettings(-40.0),
    "limiter": LimiterSettings(-12.0, 50.0, 3.0),
    "limiter, late": LimiterSettings(-14.0, 200.0, 20.0),
    "ducked echo": DelaySettings(37.7, 4.0, -6.0, 200.0, 3000.0, ((0.1, 50.0),), duck_db=12.0),
    "ducked ping-pong": DelaySettings(20.3, 2.0, -6.0, ping_pong=True, duck_db=12.0),
    "echo": DelaySettings(37.7, 4.0, -6.0),
}


def mix(channels: int) -> Samples:
    """Noise that comes and goes, in parts (3, frames, channels); the parts differ in when."""
    parts = np.random.default_rng(4).standard_normal((3, FRAMES, channels)) * 0.2
    parts[0, 3000:6000] *= 1e-3
    parts[1, 2000:8000] *= 1e-3
    parts[2, 2500:9000:3] *= -4.0
    parts[:, 10000:] *= 1e-2
    return np.asarray(parts)


def played(settings: Any, block: Samples, key: Samples | None, sizes: list[int]) -> Samples:
    running = settings.start(RATE_HZ, block.shape[1])
    out, at, turn = block.copy(), 0, 0
    while at < len(block):
        end = at + sizes[turn % len(sizes)]
        running.process(out[at:end], *([] if key is None else [key[at:end]]))
        at, turn = end, turn + 1
    return out


def channels_of(name: str) -> list[int]:
    return [2] if "ping-pong" in name else [1, 2]


CASES = [(name, channels) for name in KEYED for channels in channels_of(name)]


@pytest.mark.parametrize(("name", "channels"), CASES)
@pytest.mark.parametrize("sizes", [[FRAMES], [512, 1, 77, 3000]])
def test_parts_that_listen_to_the_mix_add_up_to_it(
    name: str, channels: int, sizes: list[int]
) -> None:
    parts = mix(channels)
    whole = parts.sum(axis=0)
    wanted = played(KEYED[name], whole, None, [FRAMES])
    key = whole.copy()
    key.setflags(write=False)
    made = sum(played(KEYED[name], part, key, sizes) for part in parts)
    assert np.abs(made - wanted).max() <= 1e-12 * np.abs(wanted).max()
    # The processor was at work, and each part for itself would not have done.
    if name != "echo":
        alone = sum(played(KEYED[name], part, None, sizes) for part in parts)
        assert np.abs(alone - wanted).max() > 1e-3 * np.abs(wanted).max()


@pytest.mark.parametrize(("name", "channels"), CASES)
def test_a_key_that_is_the_sound_itself_changes_no_bit(name: str, channels: int) -> None:
    whole = mix(channels).sum(axis=0)
    key = whole.copy()
    found = played(KEYED[name], whole, key, [512, 1, 77, 3000])
    assert np.array_equal(found, played(KEYED[name], whole, None, [512, 1, 77, 3000]))
    assert np.array_equal(key, whole)


@pytest.mark.parametrize("name", [name for name, channels in CASES if channels == 1])
def test_a_key_of_two_equal_channels_is_the_key_of_one(name: str) -> None:
    block, _, key = mix(1)
    both = np.ascontiguousarray(np.repeat(key, 2, axis=1))
    one = played(KEYED[name], block, key, [4096])
    assert np.array_equal(played(KEYED[name], block, both, [4096]), one)


def test_the_limiter_counts_what_it_did_to_the_key() -> None:
    loud, soft = mix(2)[2], mix(2)[0] * 1e-3
    alone, led = (LimiterSettings(-12.0).start(RATE_HZ, 2) for _ in range(2))
    alone.process(loud.copy())
    led.process(soft.copy(), loud)
    assert led.tally == alone.tally
    assert led.reduction.max_db > 6.0
