"""Reverb, delay, pan, curves, dither: against published figures and plain arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from mixwright.dsp.convolution import STRIDE, RunningConvolution
from mixwright.dsp.curve import Curve, Move
from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.dither import Quantiser
from mixwright.dsp.pan import balance_gains, pan_gains, width_matrix
from mixwright.dsp.reverb import ReverbSettings, synthesise_impulse
from mixwright.meters import LoudnessMeter

RATE_HZ = 48000


def decay_time_s(impulse: NDArray[np.float64], rate_hz: int) -> float:
    """T30 by ISO 3382-1: least squares over -5..-35 dB of the backward-integrated decay."""
    energy = np.cumsum((impulse**2)[::-1])[::-1]
    level = 10 * np.log10(energy / energy[0] + 1e-30)
    first, last = np.argmax(level <= -5.0), np.argmax(level <= -35.0)
    slope = np.polyfit(np.arange(first, last) / rate_hz, level[first:last], 1)[0]
    return float(-60.0 / slope)


@pytest.mark.parametrize(("hz", "factor"), [(250, 1.0), (1000, 1.0), (4000, 0.6)])
def test_reverb_decays_as_asked_in_each_octave(hz: float, factor: float) -> None:
    settings = ReverbSettings(1.6, decay_by_band=((4000.0, 0.6),))
    impulse = synthesise_impulse(settings, RATE_HZ)
    edges = [hz / 2**0.5, hz * 2**0.5]
    sos = scipy.signal.butter(4, edges, "bandpass", fs=RATE_HZ, output="sos")
    band = scipy.signal.sosfilt(sos, impulse[:, 0])
    assert decay_time_s(band, RATE_HZ) == pytest.approx(1.6 * factor, rel=0.08)


@pytest.mark.parametrize("decay_s", [0.3, 1.0, 3.0])
def test_a_send_of_0_db_is_as_loud_wet_as_dry(decay_s: float) -> None:
    random = np.random.default_rng(5)
    spectrum = np.fft.rfft(random.standard_normal(RATE_HZ * 12))
    pink = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(len(spectrum)), 1.0)))
    pink *= 0.05 / pink.std()
    dry = np.column_stack([pink, pink])
    wet = ReverbSettings(decay_s, seed=3).start(RATE_HZ, 2).process(dry.copy())
    meters = [LoudnessMeter(RATE_HZ, 2) for _ in range(2)]
    settled = STRIDE + int((decay_s + 1) * RATE_HZ)
    meters[0].feed(np.ascontiguousarray(dry[settled:]))
    meters[1].feed(np.ascontiguousarray(wet[settled:]))
    assert meters[1].integrated_lufs == pytest.approx(meters[0].integrated_lufs, abs=0.5)


def test_reverb_sides_are_independent() -> None:
    impulse = synthesise_impulse(ReverbSettings(1.0), RATE_HZ)
    assert abs(np.corrcoef(impulse.T)[0, 1]) < 0.05


def test_pre_delay_is_silence_of_that_length() -> None:
    impulse = synthesise_impulse(ReverbSettings(0.5, pre_delay_ms=30.0), RATE_HZ)
    assert not impulse[: 30 * 48].any()
    assert np.abs(impulse[30 * 48 : 30 * 48 + 100]).max() > 0.0


def test_convolution_is_scipys() -> None:
    random = np.random.default_rng(0)
    signal, impulse = random.standard_normal((120000, 2)), random.standard_normal((40000, 2))
    theirs = scipy.signal.fftconvolve(signal, impulse, axes=0)[: len(signal)]
    ours = RunningConvolution(impulse, 0).process(signal.copy())
    error = np.abs(ours[STRIDE:] - theirs[:-STRIDE]).max() / np.abs(theirs).max()
    assert 20 * math.log10(error) < -120.0


def repeats(settings: DelaySettings, frames: int = 96000) -> NDArray[np.float64]:
    block = np.zeros((frames, 2))
    block[0] = 1.0
    return settings.start(RATE_HZ, 2).process(block)


def test_a_slap_is_one_copy_with_its_spread() -> None:
    out = repeats(DelaySettings(95.0, spread_ms=12.0))
    assert np.flatnonzero(out[:, 0]).tolist() == [(89 * 48)]
    assert np.flatnonzero(out[:, 1]).tolist() == [(101 * 48)]
    assert out.max() == 1.0


def test_feedback_falls_by_its_level_each_time() -> None:
    out = repeats(DelaySettings(250.0, feedback_db=-9.0))
    at = np.flatnonzero(np.abs(out[:, 0]) > 1e-9)
    assert at.tolist() == [12000 * k for k in range(1, 8)]
    assert 20 * np.log10(out[at, 0]) == pytest.approx([-9.0 * k for k in range(7)], abs=1e-9)


def test_fractional_times_are_exact_to_a_hundredth_of_a_millisecond() -> None:
    wanted_ms = 100.007
    tone = np.sin(2 * np.pi * 1000 / RATE_HZ * np.arange(48000))
    out = DelaySettings(wanted_ms).start(RATE_HZ, 1).process(tone[:, None].copy())[24000:, 0]
    spectrum = np.vdot(np.exp(2j * np.pi * 1000 / RATE_HZ * np.arange(24000, 48000)), out)
    lag_ms = (-np.angle(spectrum * 1j) / (2 * np.pi)) % 1.0
    assert lag_ms == pytest.approx(wanted_ms % 1.0, abs=0.002)


def test_a_later_time_takes_over_where_it_is_asked_to() -> None:
    settings = DelaySettings(100.0, later_times_ms=((1.0, 200.0),))
    block = np.zeros((96000, 2))
    block[[0, 60000]] = 1.0
    out = settings.start(RATE_HZ, 2).process(block)[:, 0]
    assert np.flatnonzero(out > 0.5).tolist() == [4800, 69600]


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


@given(st.floats(-100, 100))
def test_balance_never_boosts_and_is_neutral_at_the_centre(pan: float) -> None:
    left, right = (float(side[0]) for side in balance_gains(np.array([pan])))
    assert 0.0 <= min(left, right) <= max(left, right) == 1.0
    if pan == 0.0:
        assert left == right == 1.0


@given(st.floats(0, 200), st.floats(-1, 1), st.floats(-1, 1))
def test_width_keeps_the_mono_sum(width: float, left: float, right: float) -> None:
    out = np.array([left, right]) @ width_matrix(width)
    assert out.sum() == pytest.approx(left + right, abs=1e-12)
    assert out[0] - out[1] == pytest.approx(width / 100 * (left - right), abs=1e-12)


def test_a_gain_ramp_is_straight_in_db() -> None:
    curve = Curve("dB", -20.0, (Move(100, 1000, -8.0),))
    levels = 20 * np.log10(curve.values(0, 1200))
    assert levels[99] == pytest.approx(-20.0)
    assert levels[599] == pytest.approx(-14.0)
    assert levels[1099:] == pytest.approx(-8.0)
    assert np.abs(np.diff(levels)).max() == pytest.approx(0.012)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 900), st.integers(1, 400), st.sampled_from([-math.inf, -9.0, 3.0])
        ),
        max_size=5,
    ),
    st.integers(1, 300),
)
def test_curves_are_the_same_in_any_blocks(moves: list[tuple[int, int, float]], size: int) -> None:
    curve = Curve("dB", 0.0, tuple(Move(*move) for move in sorted(moves)))
    whole = np.broadcast_to(curve.values(0, 1200), 1200)
    starts = range(0, 1200, size)
    parts = [
        np.broadcast_to(curve.values(at, min(size, 1200 - at)), min(size, 1200 - at))
        for at in starts
    ]
    assert np.array_equal(np.concatenate(parts), whole)
    assert np.abs(np.diff(whole)).max(initial=0.0) <= 1.42


def test_dither_noise_is_the_published_one() -> None:
    # Lipshitz, Wannamaker, Vanderkooy (JAES 40(5), 1992): total TPDF noise is LSB^2 / 4, which at
    # 16 bits is -96.33 dBFS RMS; simulated tolerance 0.05 dB.
    tone = 10 ** (-12 / 20) * np.sin(2 * np.pi * 997 / RATE_HZ * np.arange(480000))[:, None]
    out = Quantiser(16, seed=7).quantise(tone) / 2.0**31
    error = out - tone
    assert 20 * math.log10(error.std()) == pytest.approx(-96.33, abs=0.05)
    assert abs(np.corrcoef(error[:, 0], tone[:, 0])[0, 1]) < 0.01


def test_the_same_seed_gives_the_same_bits_in_any_blocks() -> None:
    block = np.random.default_rng(1).uniform(-1.2, 1.2, (1000, 2))
    whole = Quantiser(24, 5).quantise(block)
    split = Quantiser(24, 5)
    assert np.array_equal(
        whole, np.concatenate([split.quantise(block[:77]), split.quantise(block[77:])])
    )
    assert not np.array_equal(whole, Quantiser(24, 6).quantise(block))
    assert whole.max() == 2**31 - 256
    assert whole.min() == -(2**31)
