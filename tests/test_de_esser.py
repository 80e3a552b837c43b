"""The de-esser against scipy's filters, its static curve and a readable twin."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import Phase, given
from hypothesis import settings as examples
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.de_esser import DeEsserSettings
from mixwright.dsp.detector import time_coefficient
from mixwright.dsp.filters import design_pass
from static_curves import band_reduction_db, shelf_gain_db, static_curve_db

RATE_HZ = 48000


def band_sections(freq_hz: float) -> NDArray[np.float64]:
    """The detector's high-pass as scipy takes sections."""
    return np.insert(design_pass("high_pass", freq_hz, 24, RATE_HZ), 3, 1.0, axis=1)


def twin(block: NDArray[np.float64], settings: DeEsserSettings) -> NDArray[np.float64]:
    """The same de-esser, slow and readable."""
    attack = time_coefficient(settings.attack_ms, RATE_HZ)
    release = time_coefficient(settings.release_ms, RATE_HZ)
    middle = math.tan(math.pi * settings.freq_hz / RATE_HZ)
    band = signal.sosfilt(band_sections(settings.freq_hz), block, axis=0)
    reduction, state, out = 0.0, np.zeros(block.shape[1]), block.copy()
    for heard, frame in zip(band, out, strict=True):
        level_db = 20 * math.log10(max(float(np.abs(heard).max()), 1e-30))
        wanted = band_reduction_db(settings, level_db)
        rises = wanted > reduction
        reduction = wanted + (attack if rises else release) * (reduction - wanted)
        if reduction < 1e-7 and not rises:
            reduction = 0.0
        gain = 10 ** (-reduction / 20)
        k = middle * math.sqrt(gain)
        low = (k * frame + state) / (1 + k)
        state = 2 * low - state
        frame[:] = low + gain * (frame - low)
    return out


@pytest.mark.parametrize("level_db", [-50.0, -33.0, -31.0, -30.0, -28.0, -20.0, 0.0])
@pytest.mark.parametrize(("ratio", "knee"), [(2.0, 6.0), (4.0, 0.0), (4.0, 12.0)])
def test_the_band_follows_the_curve_of_the_compressor(
    ratio: float, knee: float, level_db: float
) -> None:
    # That curve is held to the published figures in test_compressor.py.
    settings = DeEsserSettings(-30.0, ratio=ratio, range_db=30.0, knee_db=knee)
    compressor = CompressorSettings(-30.0, ratio, knee_db=knee)
    expected = level_db - static_curve_db(compressor, level_db)
    assert band_reduction_db(settings, level_db) == pytest.approx(expected, abs=1e-12)
    assert band_reduction_db(DeEsserSettings(-30.0, range_db=5.0), 0.0) == 5.0


@pytest.mark.parametrize("freq_hz", [100.0, 2000.0, 6000.0, 9000.0, 16000.0, 23000.0])
@pytest.mark.parametrize("reduction_db", [0.0, 3.0, 12.0, 30.0])
def test_the_shelf_is_the_bilinear_transform_of_its_prototype(
    reduction_db: float, freq_hz: float
) -> None:
    # H(s) = (1 + s sqrt g) / (1 + s / sqrt g), s normalised to the middle: scipy's bilinear.
    settings, half = DeEsserSettings(-30.0, 5000.0), 10 ** (-reduction_db / 40)
    warped = 2 * RATE_HZ * math.tan(math.pi * 5000 / RATE_HZ)
    b, a = signal.bilinear([half / warped, 1.0], [1.0 / half / warped, 1.0], fs=RATE_HZ)
    _, response = signal.freqz(b, a, worN=[freq_hz], fs=RATE_HZ)
    expected = 20 * math.log10(abs(response[0]))
    assert shelf_gain_db(settings, reduction_db, freq_hz, RATE_HZ) == pytest.approx(expected)


@pytest.mark.parametrize("level_db", [-20.0, -10.0, -3.0])
def test_a_burst_at_8_khz_is_lowered_by_the_static_amount(level_db: float) -> None:
    settings = DeEsserSettings(-30.0, 6000.0, 3.0, 30.0, 0.05, 500.0)
    burst = 10 ** (level_db / 20) * np.sin(2 * np.pi * 7993 / RATE_HZ * np.arange(24000))[:, None]
    _, response = signal.freqz_sos(band_sections(6000.0), worN=[7993.0], fs=RATE_HZ)
    reduction = band_reduction_db(settings, level_db + 20 * math.log10(abs(response[0])))
    expected = shelf_gain_db(settings, reduction, 7993.0, RATE_HZ)
    running = settings.start(RATE_HZ, 1)
    out = running.process(burst.copy())
    lowered = 10 * math.log10((out[12000:] ** 2).mean() / (burst[12000:] ** 2).mean())
    assert expected < -3.0
    # The reduction sinks a little between the peaks of the wave.
    assert lowered == pytest.approx(expected, abs=0.1)
    assert running.reduction.max_db == pytest.approx(reduction, abs=0.05)


def test_a_low_voice_is_left_alone_to_the_bit() -> None:
    at = np.arange(24000) / RATE_HZ
    voice = sum(0.3 / n * np.sin(2 * np.pi * 180 * n * at + n) for n in range(1, 12))
    voice = voice * np.minimum(at / 0.02, 1.0)
    block = np.column_stack([voice, 0.8 * voice])
    running = DeEsserSettings(-40.0).start(RATE_HZ, 2)
    out = running.process(block.copy())
    assert np.abs(block).max() > 0.3
    assert np.array_equal(out, block)
    assert running.reduction.max_db == 0.0


def test_lows_under_an_s_stay_while_it_is_turned_down() -> None:
    at = np.arange(24000) / RATE_HZ
    low, high = 0.3 * np.sin(2 * np.pi * 300 * at), 0.3 * np.sin(2 * np.pi * 10000 * at)
    out = DeEsserSettings(-40.0).start(RATE_HZ, 1).process((low + high)[:, None])[12000:, 0]
    spectrum = np.abs(np.fft.rfft(out)) / 6000
    assert 20 * math.log10(spectrum[75] / 0.3) == pytest.approx(0.0, abs=0.1)
    assert 20 * math.log10(spectrum[2500] / 0.3) < -8.0


def test_attack_and_release_reach_63_percent_in_their_time() -> None:
    # The detector's filter rings for well under a millisecond, which 3 % of these times cover.
    settings = DeEsserSettings(-40.0, 2000.0, 20.0, 10.0, 50.0, 300.0, 0.0)
    high = np.sin(2 * np.pi * 11997 / RATE_HZ * np.arange(24000))[:, None]
    running = settings.start(RATE_HZ, 1)
    reached = []
    for block in (high, np.zeros((48000, 1))):
        log = []
        for at in range(0, len(block), 24):
            running.forget_readings()
            running.process(block[at : at + 24].copy())
            log.append(running.reduction.max_db)
        reached.append(np.array(log))
    # Between the peaks of the wave less than the range is asked for only near its zeros.
    assert np.argmax(reached[0] >= 10 * (1 - 1 / math.e)) / 2 == pytest.approx(50.0, rel=0.03)
    assert np.argmax(reached[1] <= 10 / math.e) / 2 == pytest.approx(300.0, rel=0.03)


@examples(max_examples=40, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    st.tuples(
        st.floats(-60, -5),
        st.floats(2000, 12000),
        st.floats(1, 20),
        st.floats(0, 30),
        st.floats(0.05, 20),
        st.floats(5, 300),
        st.floats(0, 20),
        st.integers(0, 99),
    )
)
def test_the_compiled_loop_is_its_readable_twin(drawn: tuple[Any, ...]) -> None:
    settings = DeEsserSettings(*drawn[:-1])
    block = np.random.default_rng(drawn[-1]).standard_normal((1300, 2)) * [0.3, 0.1]
    block[500:900] *= 0.001
    out = settings.start(RATE_HZ, 2).process(block.copy())
    assert np.abs(out - twin(block, settings)).max() <= 1e-8


def test_channels_are_linked() -> None:
    at = np.arange(9600) / RATE_HZ
    high = np.sin(2 * np.pi * 10000 * at)
    settings = DeEsserSettings(-30.0)
    both = settings.start(RATE_HZ, 2).process(np.column_stack([0.5 * high, 0.005 * high]))
    assert both[:, 1] == pytest.approx(both[:, 0] / 100, abs=1e-12)
    alone = settings.start(RATE_HZ, 1).process(0.5 * high[:, None])
    assert np.array_equal(alone, both[:, :1])


def test_blocks_of_any_size_give_the_same_bits() -> None:
    settings = DeEsserSettings(-25.0, release_ms=10.0)
    block = np.random.default_rng(2).standard_normal((9000, 2)) * 0.2
    block[3000:6000] *= 1e-3
    block[8000:] = 0.0
    pieces = settings.start(RATE_HZ, 2)
    cuts = [*range(0, 600), *range(600, 9000, 700), 9000]
    parts = [pieces.process(block[at:end].copy()) for at, end in itertools.pairwise(cuts)]
    assert np.array_equal(np.concatenate(parts), settings.start(RATE_HZ, 2).process(block.copy()))
    assert not settings.start(RATE_HZ, 2).process(np.zeros((2000, 2))).any()


@pytest.mark.parametrize("freq_hz", [2000.0, 12000.0])
def test_after_its_tail_it_is_75_db_down(freq_hz: float) -> None:
    running = DeEsserSettings(-60.0, freq_hz, 20.0, 30.0, 0.05, 500.0).start(RATE_HZ, 1)
    buzz = np.sign(np.sin(2 * np.pi * 700 / RATE_HZ * np.arange(4800)))
    running.process(0.5 * buzz[:, None])
    out = running.process(np.zeros((running.tail + 100, 1)))
    assert np.abs(out[running.tail :]).max() <= 0.5 * 10 ** (-75 / 20)


def test_numbers_out_of_bounds_are_refused() -> None:
    with pytest.raises(ValueError, match="freq_hz is 1000, expected between 2000 and 12000"):
        DeEsserSettings(-20.0, 1000.0)
