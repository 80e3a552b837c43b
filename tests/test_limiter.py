"""The limiter against the project's meter, scipy's resampler as a second one, and a twin."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import Phase, example, given
from hypothesis import settings as examples
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from mixwright.dsp import limiter
from mixwright.dsp.detector import time_coefficient
from mixwright.dsp.limiter import INTERPOLATORS, LimiterSettings, interpolator
from mixwright.meters import SoundMeter

RATE_HZ = 48000
FRAMES = 24000
AT = np.arange(FRAMES)
# From BS.1770-5 annex 2: phases 0 and 1 of the tabulated interpolator, times 8192; the others are
# these reversed.
TABLE = np.array(
    [
        [14, 90, -161, 272, -487, 1125, 7964, -838, 390, -218, 122, -68],
        [-239, 240, -424, 730, -1364, 3810, 6388, -1641, 832, -477, 271, -155],
    ]
)


def noise(seed: int) -> NDArray[np.float64]:
    return np.random.default_rng(seed).standard_normal((FRAMES, 2))


def music() -> NDArray[np.float64]:
    """Drums, noise and chords, some 10 dB over full scale."""
    random, out = np.random.default_rng(7), np.zeros((FRAMES, 2))
    for beat in range(4):
        at, n = beat * 6000, np.arange(FRAMES - beat * 6000)
        kick = np.sin(2 * np.pi * (60 + 40 * np.exp(-n / 800)) * n / RATE_HZ) * np.exp(-n / 4000)
        snare = random.standard_normal(len(n)) * np.exp(-n / 700)
        chord = sum(np.sin(2 * np.pi * 220 * h * n / RATE_HZ + h) / h for h in range(1, 12))
        out[at:, 0] += 1.6 * kick + 0.8 * snare + 0.3 * chord
        out[at:, 1] += 1.6 * kick + 0.5 * snare - 0.2 * chord
    return out


def sine(freq_hz: float, level_db: float, phase: float = 0.0) -> NDArray[np.float64]:
    wave = 10 ** (level_db / 20) * np.sin(2 * np.pi * freq_hz / RATE_HZ * AT + phase)
    return np.column_stack([wave, wave])


def clicks() -> NDArray[np.float64]:
    random = np.random.default_rng(11)
    return (random.random((FRAMES, 2)) < 0.002) * random.uniform(-4, 4, (FRAMES, 2))


SIGNALS = {
    "white noise": noise(1) * 0.5,
    "loud and soft noise": noise(2) * (0.05 + (AT // 1500 % 2))[:, None],
    "brown and white noise": np.cumsum(noise(3), axis=0) * 0.01 + noise(4) * 0.3,
    "music": music(),
    "clipped music": np.clip(4 * music(), -1.2, 1.2),
    "clipped noise": np.clip(noise(5), -1.0, 1.0) * 1.2,
    "clipped sine": np.clip(sine(997, 10), -1.0, 1.0),
    "square": 1.5 * np.sign(sine(220, 0) + 1e-9),
    "a quarter of the rate, 45 degrees": sine(RATE_HZ / 4, 3.0103, math.pi / 4),
    "a third of the rate": sine(RATE_HZ / 3, 4.0, 0.3),
    "sweep": 1.4 * np.repeat(signal.chirp(AT / RATE_HZ, 20, 0.5, 21000)[:, None], 2, axis=1),
    "clicks": clicks(),
}
SETTINGS = [LimiterSettings(), LimiterSettings(-1.0, 10.0, 1.0), LimiterSettings(-6.0, 500.0, 20.0)]


def limited(settings: LimiterSettings, block: NDArray[np.float64]) -> NDArray[np.float64]:
    """The whole of `block` limited, without its latency; abrupt ends ring, so they fade."""
    fade = np.minimum(1.0, np.minimum(AT, AT[::-1]) / 480)[: len(block), None]
    running = settings.start(RATE_HZ, block.shape[1])
    padded = np.concatenate([block * fade, np.zeros((running.latency, block.shape[1]))])
    return running.process(padded)[running.latency :]


def metered_db(block: NDArray[np.float64]) -> float:
    meter = SoundMeter(RATE_HZ, block.shape[1])
    meter.feed(np.concatenate([block, np.zeros((100, block.shape[1]))]))
    return meter.readings().true_peak_dbtp


def resampled_db(block: NDArray[np.float64], window: Any = ("kaiser", 5.0)) -> float:
    """The peak at 16 times the rate, by scipy."""
    peak = np.abs(signal.resample_poly(block, 16, 1, axis=0, window=window)).max()
    return 20 * math.log10(peak)


@pytest.mark.parametrize("settings", SETTINGS)
@pytest.mark.parametrize("name", SIGNALS)
def test_no_meter_reads_more_than_the_ceiling(name: str, settings: LimiterSettings) -> None:
    assert metered_db(SIGNALS[name]) > settings.ceiling_dbtp + 1.0
    out = limited(settings, SIGNALS[name])
    highest = settings.ceiling_dbtp + 0.05
    assert metered_db(out) <= highest
    # scipy's own window (20 taps), and one of 128 taps that comes near the ideal low-pass.
    assert resampled_db(out) <= highest
    assert resampled_db(out, signal.firwin(2049, 1 / 16, window=("kaiser", 9.0))) <= highest
    # The interpolator that BS.1770-5 prints. It is rough, by 0.24 dB even at DC.
    phases = np.concatenate([TABLE, TABLE[::-1, ::-1]]) / 8192
    printed = max(np.abs(np.convolve(c, taps)).max() for c in out.T for taps in phases)
    assert 20 * math.log10(printed) <= highest + 0.24


def test_it_aims_just_below_the_ceiling() -> None:
    # More than 0.1 dB less than the ceiling would be loudness given away.
    assert metered_db(limited(LimiterSettings(), SIGNALS["music"])) == pytest.approx(-1.1, abs=0.02)


def test_a_quarter_rate_sine_whose_samples_are_below_is_still_seen() -> None:
    # BS.1770-5 annex 2: at fs/4 and 45 degrees the samples are 3.0103 dB below the true peak.
    block = sine(RATE_HZ / 4, 1.0, math.pi / 4)
    assert 20 * math.log10(np.abs(block).max()) == pytest.approx(-2.0103, abs=1e-4)
    running = LimiterSettings(-1.0).start(RATE_HZ, 2)
    running.process(block * np.minimum(AT / 480, 1.0)[:, None])
    assert running.reduction.max_db == pytest.approx(2.0 + limiter.MARGIN_DB, abs=0.03)


@pytest.mark.parametrize("level_db", [-1.05, -3.0, -30.0])
def test_below_the_ceiling_every_bit_is_left_alone(level_db: float) -> None:
    block = signal.sosfilt(signal.butter(8, 0.8, output="sos"), noise(6), axis=0)
    block *= 10 ** ((level_db - metered_db(block)) / 20)
    assert metered_db(block) == pytest.approx(level_db)
    running = LimiterSettings(-1.0, 100.0, 3.0).start(RATE_HZ, 2)
    out = running.process(block.copy())
    late = running.latency
    assert late == 144 + 64
    assert not out[:late].any()
    assert np.array_equal(out[late:], block[:-late])
    assert running.reduction.max_db == 0.0


def test_after_a_peak_it_returns_to_the_very_bits() -> None:
    block = noise(8) * 0.05
    block[3000] = 3.0
    running = LimiterSettings(-1.0, 10.0, 5.0).start(RATE_HZ, 2)
    out = running.process(block.copy())[running.latency :]
    end = len(out)
    # The gain begins to move a look-ahead before the interval of the peak, which begins one sample
    # before it; 10 dB are gone after 20 time constants.
    assert np.array_equal(out[: 2999 - 240], block[: 2999 - 240])
    assert not np.array_equal(out[2900:3000], block[2900:3000])
    assert np.array_equal(out[3000 + 20 * 480 : end], block[3000 + 20 * 480 : end])


def test_the_gain_stands_still_while_the_peak_passes() -> None:
    block = np.full((FRAMES, 1), 0.1)
    block[3000] = 3.0
    running = LimiterSettings(-1.0, 10.0, 1.0).start(RATE_HZ, 1)
    gain = running.process(block.copy())[running.latency :] / block[: -running.latency]
    guard = limiter.GUARD_SAMPLES
    around = gain[3000 - guard : 3000 + guard + 1]
    assert around == pytest.approx(gain.min(), rel=1e-6)
    assert gain[3000 - guard - 2, 0] > gain.min() * 1.0001


def test_it_releases_by_63_percent_in_its_time() -> None:
    block = np.full((FRAMES, 1), 0.5)
    block[2000] = 4.0
    settings = LimiterSettings(-3.0, 100.0, 5.0)
    running = settings.start(RATE_HZ, 1)
    reduction = -20 * np.log10(running.process(block.copy())[running.latency :, 0] / 0.5)
    reduction = np.delete(reduction, 2000)
    most = reduction.max()
    ends = len(reduction) - int(np.argmax(reduction[::-1] > most - 1e-6))
    fallen = int(np.argmax(reduction[ends:] <= most / math.e)) / 48
    # The release is smoothed by the same 5 ms as the attack, which shifts it by half of that.
    assert fallen == pytest.approx(100.0 + 2.5, rel=0.03)


@pytest.mark.parametrize("freq_hz", [100.0, 1000.0])
def test_a_steady_tone_stays_a_sine(freq_hz: float) -> None:
    # Peaks every 5 ms or less lie within the look-ahead: the gain stands still between them.
    # The first 2 s are for what its abrupt beginning adds to the reduction, which fades slowly.
    wave = np.sin(2 * np.pi * freq_hz / RATE_HZ * np.arange(2 * RATE_HZ + 9600))[:, None]
    out = LimiterSettings(-1.0).start(RATE_HZ, 1).process(10 ** (2 / 20) * wave)[-9600:, 0]
    spectrum = np.abs(np.fft.rfft(out))
    bin_of_tone = round(freq_hz / 5)
    rest = math.sqrt(float((np.delete(spectrum, bin_of_tone) ** 2).sum()))
    assert 20 * math.log10(rest / spectrum[bin_of_tone]) < -120.0


def test_channels_are_linked() -> None:
    loud, soft = SIGNALS["music"][:, :1] * 2, noise(9)[:, :1] * 0.01
    both = limited(LimiterSettings(), np.concatenate([loud, soft], axis=1))
    alone = limited(LimiterSettings(), loud)
    assert np.array_equal(both[:, :1], alone)
    far = np.abs(loud[:, 0]) > 0.5
    edges = np.minimum(1.0, np.minimum(AT, AT[::-1]) / 480)
    far &= edges == 1.0
    assert (both[far, 1] / soft[far, 0]) == pytest.approx(alone[far, 0] / loud[far, 0], rel=1e-9)


def peaks_of(block: NDArray[np.float64]) -> NDArray[np.float64]:
    """The peak of the interval after each sample, at every point of every interpolator."""
    after = np.concatenate([block[1:], np.zeros((1, block.shape[1]))])
    highest = np.maximum(np.abs(block), np.abs(after)).max(axis=1)
    for half, beta in INTERPOLATORS:
        for taps in interpolator(half, beta, limiter.POINTS):
            for channel in block.T:
                padded = np.concatenate([np.zeros(half - 1), channel, np.zeros(half)])
                between = np.abs(np.convolve(padded, taps[::-1], "valid"))
                highest = np.maximum(highest, between)
    return np.asarray(highest)


def twin(block: NDArray[np.float64], settings: LimiterSettings) -> NDArray[np.float64]:
    """The same limiter, slow and readable: all peaks in full, all windows as sums."""
    ceiling = 10 ** (settings.ceiling_dbtp / 20)
    ahead = round(settings.look_ahead_ms * RATE_HZ / 1000)
    guard, latency = limiter.GUARD_SAMPLES, limiter.HALF_TAPS + ahead
    smoothed = ahead - guard + 1
    span = smoothed + 1 + 2 * guard
    peaks = peaks_of(block)
    over_db = 20 * np.log10(np.maximum(peaks, 1e-30) / ceiling) + limiter.MARGIN_DB
    wanted = np.where(peaks > ceiling, over_db, 0.0)
    # An interval is known once the last tap has come in.
    wanted = np.concatenate([np.zeros(limiter.HALF_TAPS), wanted])[: len(block)]
    held = [wanted[max(0, n - span + 1) : n + 1].max() for n in range(len(block))]
    release, reduction, faded = time_coefficient(settings.release_ms, RATE_HZ), 0.0, []
    for value in held:
        reduction = max(value, value + release * (reduction - value))
        faded.append(reduction)
    early = (smoothed + 1) // 2
    late = smoothed + 1 - early
    window = np.convolve(np.ones(early) / early, np.ones(late) / late)
    gain = 10 ** (-np.convolve(faded, window)[: len(block)] / 20)
    delayed = np.concatenate([np.zeros((latency, block.shape[1])), block])[: len(block)]
    return delayed * gain[:, None]


@examples(max_examples=15, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    st.floats(-20, 0),
    st.floats(10, 300),
    st.floats(1, 8),
    st.sampled_from([0.1, 0.3, 1.0]),
    st.sampled_from([0.2, 0.6, 0.999]),
    st.integers(0, 99),
)
# Near half the rate a parabola through the quarter points once passed over a peak of 0.024 dB.
@example(-5.737139580679987, 143.56280602778327, 1.3862184490619343, 1.0, 0.999, 56)
def test_the_compiled_loops_are_their_readable_twin(
    ceiling: float, release: float, ahead: float, level: float, edge: float, seed: int
) -> None:
    settings = LimiterSettings(ceiling, release, ahead)
    block = noise(seed)[:2500] * [1.0, 0.7] * level
    block = signal.sosfilt(signal.butter(4, edge, output="sos"), block, axis=0)
    block[1000:1600] *= 0.01
    out = settings.start(RATE_HZ, 2).process(block.copy())
    # Steps of 2^-24 dB are 7e-9. What is passed over near half the rate may be short of a peak by
    # some 0.0002 dB.
    assert np.abs(out - twin(block, settings)).max() <= (1e-7 if edge < 0.9 else 1e-4)


@pytest.mark.parametrize("settings", [LimiterSettings(-6.0, 20.0, 1.0), LimiterSettings()])
def test_blocks_of_any_size_give_the_same_bits_and_readings(settings: LimiterSettings) -> None:
    block = np.concatenate([noise(1)[:5000] * 0.3, noise(2)[:4000] * [1e-3, 1e-2]])
    block[7000:7004] = 2.0
    whole, pieces = settings.start(RATE_HZ, 2), settings.start(RATE_HZ, 2)
    cuts = [*range(0, 600), *range(600, 9000, 377), 9000]
    parts = [pieces.process(block[at:end].copy()) for at, end in itertools.pairwise(cuts)]
    assert np.array_equal(np.concatenate(parts), whole.process(block.copy()))
    assert pieces.tally == whole.tally
    assert whole.tally.frames == 9000
    assert whole.reduction.max_db > 3.0
    assert whole.reduction.min_db == 0.0
    assert not settings.start(RATE_HZ, 2).process(np.zeros((2000, 2))).any()


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
@pytest.mark.parametrize("ahead", [1.0, 5.0, 20.0])
def test_the_latency_is_the_look_ahead_and_half_the_interpolator(
    rate_hz: int, ahead: float
) -> None:
    running = LimiterSettings(look_ahead_ms=ahead).start(rate_hz, 1)
    block = np.zeros((8000, 1))
    block[100] = 0.1
    out = running.process(block)
    assert running.latency == round(ahead * rate_hz / 1000) + 64
    assert np.flatnonzero(out).tolist() == [100 + running.latency]


def test_peaks_beyond_all_reason_are_held_too() -> None:
    block = noise(3)[:4000] * 1e12
    out = LimiterSettings(-1.0).start(RATE_HZ, 2).process(block)
    assert np.isfinite(out).all()
    assert metered_db(out) < -1.0 + 0.05


def test_numbers_out_of_bounds_are_refused() -> None:
    with pytest.raises(ValueError, match=r"look_ahead_ms is 0\.5, expected between 1 and 20"):
        LimiterSettings(look_ahead_ms=0.5)
