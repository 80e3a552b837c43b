"""The compressor against Giannoulis, Massberg, Reiss (JAES 60(6), 2012) and a readable twin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from mixwright.dsp.compressor import CompressorSettings, static_curve_db, time_coefficient

# Output in dB by eq. 4 of the paper for (threshold, ratio, knee), exact.
INPUTS = (-30, -23, -22, -20, -18, -17, -14, -10, 0)
CURVES = {
    (-20.0, 2.0, 6.0): (-30, -23.0, -22.0417, -20.375, -19.0417, -18.5, -17, -15, -10),
    (-20.0, 4.0, 0.0): (-30, -23, -22, -20, -19.5, -19.25, -18.5, -17.5, -15),
    (-20.0, 4.0, 12.0): (-30, -23.28125, -22.5, -21.125, -20.0, -19.53125, -18.5, -17.5, -15),
}
CASES = [(key, x, out) for key, row in CURVES.items() for x, out in zip(INPUTS, row, strict=True)]


def twin(
    block: NDArray[np.float64], settings: CompressorSettings, rate_hz: int
) -> NDArray[np.float64]:
    """The same compressor, slow and readable."""
    attack = time_coefficient(settings.attack_ms, rate_hz)
    release = time_coefficient(settings.release_ms, rate_hz)
    reduction, out = 0.0, block.copy()
    for frame in out:
        level = float(np.abs(frame).max())
        wanted = 0.0
        if level > 1e-30:
            level_db = 20 * math.log10(level)
            wanted = level_db - static_curve_db(settings, level_db)
        a = attack if wanted > reduction else release
        reduction = a * reduction + (1 - a) * wanted
        frame *= 10 ** (-reduction / 20)
    return out


@pytest.mark.parametrize(("key", "level_db", "expected_db"), CASES)
def test_static_curve(key: tuple[float, float, float], level_db: float, expected_db: float) -> None:
    settings = CompressorSettings(key[0], key[1], 1.0, 10.0, key[2])
    assert static_curve_db(settings, level_db) == pytest.approx(expected_db, abs=5e-5)


@pytest.mark.parametrize(("key", "level_db", "expected_db"), CASES)
def test_a_steady_level_settles_on_the_curve(
    key: tuple[float, float, float], level_db: float, expected_db: float
) -> None:
    settings = CompressorSettings(key[0], key[1], 1.0, 5.0, key[2])
    block = np.full((24000, 2), 10 ** (level_db / 20))
    out = settings.start(48000, 2).process(block)
    assert 20 * math.log10(out[-1, 0]) == pytest.approx(expected_db, abs=1e-4)


def test_attack_and_release_reach_63_percent_in_their_time() -> None:
    # A step that asks for 10 dB: 6.3212 dB after tau_A; after its end 3.6788 dB at tau_R.
    settings = CompressorSettings(-20.0, 2.0, attack_ms=10.0, release_ms=100.0, knee_db=0.0)
    loud, quiet = np.full((48000, 1), 1.0), np.full((9600, 1), 10 ** (-30 / 20))
    running = settings.start(48000, 1)
    out = running.process(np.concatenate([loud, quiet]))
    reduction = -20 * np.log10(out[:, 0] / np.concatenate([loud, quiet])[:, 0])
    assert reduction[479] == pytest.approx(6.3212, abs=1e-3)
    assert reduction[1439] == pytest.approx(9.5021, abs=1e-3)
    assert reduction[48000 + 4799] == pytest.approx(3.6788, abs=1e-3)
    assert running.reduction.max_db == pytest.approx(10.0, abs=1e-3)


@given(
    st.floats(-50, -5),
    st.floats(1, 20),
    st.floats(0.5, 40),
    st.floats(5, 300),
    st.floats(0, 20),
    st.integers(0, 99),
)
def test_the_compiled_loop_is_its_readable_twin(
    threshold: float, ratio: float, attack: float, release: float, knee: float, seed: int
) -> None:
    settings = CompressorSettings(threshold, ratio, attack, release, knee)
    block = np.random.default_rng(seed).standard_normal((1500, 2)) * 0.3
    block[500:900] *= 0.001
    out = settings.start(48000, 2).process(block.copy())
    assert out == pytest.approx(twin(block, settings, 48000), abs=1e-8)


@given(st.floats(-60, 0), st.floats(1, 100), st.floats(0, 40), st.floats(-80, 10))
def test_the_curve_rises_and_never_adds_level(
    threshold: float, ratio: float, knee: float, level: float
) -> None:
    settings = CompressorSettings(threshold, ratio, knee_db=knee)
    out = static_curve_db(settings, level)
    assert out <= level + 1e-9
    assert static_curve_db(settings, level + 0.1) >= out - 1e-9


def test_below_the_threshold_every_bit_is_left_alone() -> None:
    block = np.random.default_rng(1).uniform(-0.01, 0.01, (5000, 2))
    assert np.array_equal(
        CompressorSettings(-30.0, 4.0).start(48000, 2).process(block.copy()), block
    )


def test_channels_are_linked() -> None:
    block = np.column_stack([np.full(48000, 0.5), np.full(48000, 0.005)])
    out = CompressorSettings(-20.0, 4.0, 1.0, 50.0).start(48000, 2).process(block.copy())
    assert out[-1, 0] / block[-1, 0] == pytest.approx(out[-1, 1] / block[-1, 1])


def test_the_detector_high_pass_makes_it_deaf_to_lows() -> None:
    low = (0.5 * np.sin(2 * np.pi * 40 / 48000 * np.arange(48000)))[:, None]
    plain = CompressorSettings(-20.0, 4.0).start(48000, 1)
    passed = CompressorSettings(-20.0, 4.0, detector_high_pass_hz=400.0).start(48000, 1)
    plain.process(low.copy())
    passed.process(low.copy())
    assert plain.reduction.max_db > 6.0
    assert passed.reduction.max_db == 0.0
