"""The expander against the mirrored curve of Giannoulis et al. (2012), pedalboard and a twin."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pedalboard
import pytest
from hypothesis import Phase, given
from hypothesis import settings as examples
from hypothesis import strategies as st
from numpy.typing import NDArray

from mixwright.dsp.detector import time_coefficient
from mixwright.dsp.expander import ExpanderSettings
from static_curves import expander_curve_db

RATE_HZ = 48000
# Output in dB of the compressor of the paper (eq. 4) for (threshold, ratio, knee), exact.
INPUTS = (-30, -23, -22, -20, -18, -17, -14, -10, 0)
CURVES = {
    (-20.0, 2.0, 6.0): (-30, -23.0, -22.0417, -20.375, -19.0417, -18.5, -17, -15, -10),
    (-20.0, 4.0, 0.0): (-30, -23, -22, -20, -19.5, -19.25, -18.5, -17.5, -15),
    (-20.0, 4.0, 12.0): (-30, -23.28125, -22.5, -21.125, -20.0, -19.53125, -18.5, -17.5, -15),
}
# Mirrored at the threshold: 2T - x is as far below it as x is above. An expander of ratio r turns
# down by r - 1 dB a dB where that compressor turned down by 1 - 1/R.
CASES = [
    (key, ratio, 2 * key[0] - x, (x - out) * (ratio - 1) / (1 - 1 / key[1]))
    for key, row in CURVES.items()
    for x, out in zip(INPUTS, row, strict=True)
    for ratio in (1.5, 3.0)
]


def twin(
    block: NDArray[np.float64], settings: ExpanderSettings, key: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The same expander, slow and readable; without filters on its detector."""
    opening = time_coefficient(settings.attack_ms, RATE_HZ)
    closing = time_coefficient(settings.release_ms, RATE_HZ)
    ahead = round(settings.look_ahead_ms * RATE_HZ / 1000)
    hold = round(settings.hold_ms * RATE_HZ / 1000) + ahead
    out = np.concatenate([np.zeros((ahead, block.shape[1])), block])[: len(block)]
    reduction, left = (settings.range_db if settings.ratio > 1 else 0.0), 0
    for level, frame in zip(key, out, strict=True):
        level_db = 20 * math.log10(max(float(np.abs(level).max()), 1e-30))
        wanted = level_db - expander_curve_db(settings, level_db)
        if wanted <= reduction:
            reduction, left = wanted + opening * (reduction - wanted), hold
            reduction = 0.0 if reduction < 1e-7 else reduction
        elif left:
            left -= 1
        else:
            reduction = wanted + closing * (reduction - wanted)
        frame *= 10 ** (-reduction / 20)
    return out


def steady(level_db: float, frames: int = 24000) -> NDArray[np.float64]:
    return np.full((frames, 1), 10 ** (level_db / 20))


@pytest.mark.parametrize(("key", "ratio", "level_db", "expected_db"), CASES)
def test_static_curve(
    key: tuple[float, float, float], ratio: float, level_db: float, expected_db: float
) -> None:
    threshold, _, knee = key
    settings = ExpanderSettings(threshold, ratio, 80.0, 1.0, 0.0, 5.0, knee)
    # The table is printed to four decimals, which the ratio multiplies.
    reduction = level_db - expander_curve_db(settings, level_db)
    assert reduction == pytest.approx(expected_db, abs=3e-4)
    out = settings.start(RATE_HZ, 1).process(steady(level_db))
    assert 20 * math.log10(out[-1, 0]) == pytest.approx(level_db - expected_db, abs=5e-4)


@pytest.mark.parametrize("level_db", [-40.0, -30.0, -22.0, -20.0, -6.0])
def test_a_steady_level_comes_out_as_from_pedalboard(level_db: float) -> None:
    # pedalboard's gate has a hard knee and no range; on a steady level its RMS detector reads what
    # a peak detector reads. Its ballistics differ and are not compared.
    theirs = pedalboard.NoiseGate(threshold_db=-20, ratio=3, attack_ms=1, release_ms=50)
    block = steady(level_db, RATE_HZ)
    expected = float(theirs(block.T.astype(np.float32), RATE_HZ)[0, -1])
    settings = ExpanderSettings(-20.0, 3.0, 80.0, 1.0, 0.0, 50.0, 0.0)
    out = settings.start(RATE_HZ, 1).process(block)
    assert 20 * math.log10(out[-1, 0] / expected) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize(("attack", "release"), [(0.5, 120.0), (20.0, 40.0)])
def test_it_opens_and_closes_by_63_percent_in_its_time(
    attack: float, release: float, rate_hz: int
) -> None:
    settings = ExpanderSettings(-30.0, 100.0, 40.0, attack, 0.0, release)
    loud, quiet = np.full((rate_hz, 1), 0.5), np.full((rate_hz, 1), 0.0005)
    signal = np.concatenate([quiet, loud, quiet])
    out = settings.start(rate_hz, 1).process(signal.copy())
    reduction = -20 * np.log10(out[:, 0] / signal[:, 0])
    # After that many whole samples and the one of the step itself.
    opened = np.argmax(reduction[rate_hz:] <= 40 / math.e) + 1
    assert opened * 1000 / rate_hz == pytest.approx(attack, rel=0.03, abs=1000 / rate_hz)
    closed = np.argmax(reduction[2 * rate_hz :] >= 40 * (1 - 1 / math.e)) + 1
    assert closed * 1000 / rate_hz == pytest.approx(release, rel=0.03)


@examples(max_examples=40, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    st.tuples(
        st.floats(-50, -5),
        st.floats(1, 20),
        st.floats(0, 60),
        st.floats(0.05, 20),
        st.floats(0, 10),
        st.floats(5, 300),
        st.floats(0, 20),
        st.floats(0, 5),
        st.sampled_from([None, 1, 2]),
        st.integers(0, 99),
    )
)
def test_the_compiled_loop_is_its_readable_twin(drawn: tuple[Any, ...]) -> None:
    threshold, ratio, most, attack, hold, release, knee, ahead, key_channels, seed = drawn
    settings = ExpanderSettings(
        threshold, ratio, most, attack, hold, release, knee, look_ahead_ms=ahead
    )
    random = np.random.default_rng(seed)
    block = random.standard_normal((1500, 2)) * 0.3
    block[500:900] *= 0.001
    block[1200:] = 0.0
    key = None if key_channels is None else random.standard_normal((1500, key_channels)) * 0.1
    out = settings.start(RATE_HZ, 2).process(block.copy(), key)
    assert np.abs(out - twin(block, settings, block if key is None else key)).max() <= 1e-8


@given(st.floats(-80, 0), st.floats(1, 100), st.floats(0, 80), st.floats(0, 40), st.floats(-99, 9))
def test_the_curve_rises_and_stays_within_its_range(
    threshold: float, ratio: float, most: float, knee: float, level: float
) -> None:
    settings = ExpanderSettings(threshold, ratio, most, knee_db=knee)
    out = expander_curve_db(settings, level)
    assert level - most - 1e-9 <= out <= level + 1e-9
    assert expander_curve_db(settings, level + 0.1) >= out - 1e-9


def test_fully_open_every_bit_is_left_alone() -> None:
    block = np.random.default_rng(1).standard_normal((9600, 2)) * 0.3
    running = ExpanderSettings(-40.0, hold_ms=100.0).start(RATE_HZ, 2)
    out = running.process(block.copy())
    # It begins closed, and has opened 40 dB to less than 1e-7 dB after 20 time constants.
    assert out[0, 0] != block[0, 0]
    assert np.array_equal(out[480:], block[480:])
    running.forget_readings()
    running.process(block.copy())
    assert running.reduction.max_db == running.reduction.active_share == 0.0


def test_it_holds_to_the_sample_and_then_closes() -> None:
    settings = ExpanderSettings(-30.0, 10.0, 40.0, 0.5, 50.0, 120.0)
    signal = np.concatenate([np.full((4800, 1), 0.5), np.full((9600, 1), 0.001)])
    out = settings.start(RATE_HZ, 1).process(signal.copy())
    held = 4800 + 2400
    assert np.array_equal(out[4800:held], signal[4800:held])
    assert (np.diff(out[held - 1 :, 0]) < 0.0).all()


def test_it_closes_to_its_range_and_no_further() -> None:
    running = ExpanderSettings(-30.0, 100.0, 27.0, release_ms=10.0, hold_ms=0.0).start(RATE_HZ, 1)
    running.process(np.full((960, 1), 0.5))
    running.process(np.full((24000, 1), 1e-4))
    assert running.reduction.max_db == pytest.approx(27.0, abs=1e-9)


def test_a_tone_around_the_threshold_is_bridged_by_the_hold() -> None:
    # Between the peaks of a wave the level falls to 0: with a hold longer than half a period the
    # gate stays open to the bit, without one it does not.
    sine = 0.5 * np.sin(2 * np.pi * 50 / RATE_HZ * np.arange(19200))[:, None]
    held = ExpanderSettings(-20.0, hold_ms=15.0).start(RATE_HZ, 1).process(sine.copy())
    loose = ExpanderSettings(-20.0, hold_ms=0.0).start(RATE_HZ, 1).process(sine.copy())
    assert np.array_equal(held[9600:], sine[9600:])
    assert not np.array_equal(loose[9600:], sine[9600:])


def test_look_ahead_opens_before_the_hit_and_does_not_close_early() -> None:
    settings = ExpanderSettings(-30.0, 10.0, 40.0, 0.2, 10.0, 50.0, look_ahead_ms=5.0)
    running = settings.start(RATE_HZ, 1)
    assert running.latency == 240
    signal = np.concatenate(
        [np.full((4800, 1), 1e-3), np.full((480, 1), 0.5), np.full((4800, 1), 1e-3)]
    )
    out = running.process(signal.copy())
    delayed = np.concatenate([np.zeros((240, 1)), signal[:-240]])
    # Open to the bit when the hit comes, through it, and for the 10 ms of hold after it.
    assert np.array_equal(out[5040 : 5040 + 480 + 480], delayed[5040 : 5040 + 480 + 480])
    assert out[5040 + 960, 0] < delayed[5040 + 960, 0]


def test_a_key_opens_it_and_filters_make_it_deaf() -> None:
    low = 0.5 * np.sin(2 * np.pi * 50 / RATE_HZ * np.arange(9600))[:, None]
    high = 0.5 * np.sin(2 * np.pi * 8000 / RATE_HZ * np.arange(9600))[:, None]
    quiet = np.full((9600, 2), 1e-4)

    def most(key: NDArray[np.float64], **filters: float) -> float:
        running = ExpanderSettings(-20.0, **filters).start(RATE_HZ, 2)
        running.process(quiet[:1000].copy(), key[:1000])
        running.forget_readings()
        running.process(quiet[1000:].copy(), key[1000:])
        return running.reduction.max_db

    assert most(low) == most(high) == 0.0
    assert most(low, detector_high_pass_hz=1000.0) == pytest.approx(40.0)
    assert most(high, detector_low_pass_hz=500.0) == pytest.approx(40.0)


def test_channels_are_linked() -> None:
    block = np.column_stack([np.full(9600, 0.5), np.full(9600, 1e-4)])
    out = ExpanderSettings(-20.0).start(RATE_HZ, 2).process(block.copy())
    assert np.array_equal(out[4800:], block[4800:])


@pytest.mark.parametrize("variant", [{}, {"look_ahead_ms": 3.0, "detector_high_pass_hz": 90.0}])
def test_blocks_of_any_size_give_the_same_bits(variant: dict[str, float]) -> None:
    settings = ExpanderSettings(-25.0, 3.0, hold_ms=2.0, release_ms=10.0, **variant)
    block = np.random.default_rng(2).standard_normal((9000, 2)) * 0.2
    block[3000:6000] *= 1e-3
    block[8000:] = 0.0
    pieces = settings.start(RATE_HZ, 2)
    cuts = [*range(0, 600), *range(600, 9000, 700), 9000]
    parts = [pieces.process(block[at:end].copy()) for at, end in itertools.pairwise(cuts)]
    assert np.array_equal(np.concatenate(parts), settings.start(RATE_HZ, 2).process(block.copy()))
    assert not settings.start(RATE_HZ, 2).process(np.zeros((2000, 2))).any()


def test_numbers_out_of_bounds_are_refused() -> None:
    with pytest.raises(ValueError, match="hold_ms is -1, expected between 0 and 2000"):
        ExpanderSettings(-20.0, hold_ms=-1.0)
