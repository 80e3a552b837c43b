"""Pan, balance and width: published laws and plain arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from mixwright.dsp.pan import balance_gains, pan_gains, width_matrix
from mixwright.meters.sound import SoundMeter

RATE_HZ = 48000

pans = st.floats(-100, 100)
amplitudes = st.floats(-1, 1)


@pytest.mark.parametrize(
    ("pan", "left", "right"),
    [  # sin/cos law, -3.01 dB centre (common practice; computed)
        (-100, 1.0, 0.0),
        (-50, 0.923880, 0.382683),
        (0, 0.707107, 0.707107),
        (50, 0.382683, 0.923880),
        (100, 0.0, 1.0),
    ],
)
def test_pan_law(pan: float, left: float, right: float) -> None:
    found = [float(side[0]) for side in pan_gains(np.array([float(pan)]))]
    assert found == pytest.approx([left, right], abs=5e-7)
    assert found[0] ** 2 + found[1] ** 2 == pytest.approx(1.0)


def test_pan_law_in_decibels() -> None:
    levels = [20 * math.log10(float(side[0])) for side in pan_gains(np.array([-50.0]))]
    assert levels == pytest.approx([-0.6877, -8.3432], abs=5e-5)
    assert 20 * math.log10(float(pan_gains(np.zeros(1))[0][0])) == pytest.approx(-3.0103, abs=5e-5)


@given(pans)
def test_pan_is_the_same_mirrored(pan: float) -> None:
    ours, theirs = (np.concatenate(pan_gains(np.array([side]))) for side in (pan, -pan))
    assert ours == pytest.approx(theirs[::-1], abs=1e-15)


@given(pans)
def test_balance_never_boosts_and_is_neutral_at_the_centre(pan: float) -> None:
    left, right = (float(side[0]) for side in balance_gains(np.array([pan])))
    assert 0.0 <= min(left, right) <= max(left, right) == 1.0
    if pan == 0.0:
        assert left == right == 1.0


@given(st.floats(0, 200), amplitudes, amplitudes)
def test_width_keeps_the_mono_sum(width: float, left: float, right: float) -> None:
    out = np.array([left, right]) @ width_matrix(width)
    assert out.sum() == pytest.approx(left + right, abs=1e-12)
    assert out[0] - out[1] == pytest.approx(width / 100 * (left - right), abs=1e-12)


@given(amplitudes, amplitudes)
def test_width_0_is_the_mono_fold_down(left: float, right: float) -> None:
    out = np.array([left, right]) @ width_matrix(0.0)
    assert out[0] == out[1] == 0.5 * left + 0.5 * right


@given(amplitudes, amplitudes)
def test_width_100_changes_nothing_and_200_doubles_the_side(left: float, right: float) -> None:
    block = np.array([left, right])
    assert (block @ width_matrix(100.0)).tolist() == block.tolist()
    out = block @ width_matrix(200.0)
    assert out[0] - out[1] == pytest.approx(2.0 * (left - right), abs=1e-15)


def stereo_reading(block: NDArray[np.float64]) -> tuple[float | None, float | None]:
    """Correlation of left and right, and side over middle in dB."""
    meter = SoundMeter(RATE_HZ, 2)
    meter.feed(np.ascontiguousarray(block))
    readings = meter.readings()
    return readings.correlation, readings.side_to_mid_db


def tone(degrees: float = 0.0) -> NDArray[np.float64]:
    """One second of 1 kHz, whole periods."""
    phase = 2 * np.pi * 1000 / RATE_HZ * np.arange(RATE_HZ) + np.radians(degrees)
    return np.asarray(0.5 * np.sin(phase))


@pytest.mark.parametrize(
    ("degrees", "correlation"),
    [(0, 1.0), (30, 0.866025), (60, 0.5), (90, 0.0), (120, -0.5), (180, -1.0)],
)
def test_correlation_of_equal_tones_is_the_cosine_of_their_phase(
    degrees: float, correlation: float
) -> None:
    # The common definition: the sum of L R over the root of the product of both energies.
    found, _ = stereo_reading(np.column_stack([tone(), tone(degrees)]))
    assert found == pytest.approx(correlation, abs=1e-6)


@pytest.mark.parametrize(("width", "correlation"), [(50.0, 0.6), (100.0, 0.0), (200.0, -0.6)])
def test_width_sets_the_correlation_of_independent_middle_and_sides(
    width: float, correlation: float
) -> None:
    # (1 - k^2) / (1 + k^2), k being side over middle: 0.6, 0 and -0.6 for k 0.5, 1 and 2.
    middle, side = tone(), tone(90.0)
    block = np.column_stack([middle + side, middle - side])
    found, side_to_mid_db = stereo_reading(block @ width_matrix(width))
    assert found == pytest.approx(correlation, abs=1e-6)
    assert side_to_mid_db == pytest.approx(20 * math.log10(width / 100), abs=1e-6)


def test_a_panned_mono_source_is_wholly_correlated() -> None:
    # Side over middle at pan -50: -7.656 dB, that is tan(22.5 degrees).
    left, right = pan_gains(np.array([-50.0]))
    found, side_to_mid_db = stereo_reading(np.column_stack([tone() * left, tone() * right]))
    assert found == pytest.approx(1.0, abs=1e-12)
    assert side_to_mid_db == pytest.approx(-7.656, abs=1e-3)


def test_what_is_on_one_side_alone_has_no_correlation() -> None:
    left, right = pan_gains(np.array([-100.0]))
    found, _ = stereo_reading(np.column_stack([tone() * left, tone() * right]))
    assert found is None
