"""Dither, plain and shaped: published noise figures, then laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from mixwright.dsp.dither import (
    MOST_GAIN_DB,
    ORDER,
    SILENT_RUN,
    Quantiser,
    hearing_threshold_db,
    shaping_filter,
)
from noise_measures import (
    a_weighting_db,
    filter_gain_db,
    iso_226_weighting_db,
    itu_468_weighting_db,
    least_change_db,
    level_dbfs,
    noise_spectrum,
    quantising_error,
    weighted_level_dbfs,
)

RATE_HZ = 48000
RATES = [44100, 48000, 88200, 96000, 176400, 192000]
LSB_16 = 2.0**-15


def tone(rate_hz: int = RATE_HZ, frames: int = 480000, channels: int = 1) -> NDArray[np.float64]:
    """997 Hz at -12 dBFS."""
    wave = 10 ** (-12 / 20) * np.sin(2 * np.pi * 997 / rate_hz * np.arange(frames))
    return np.repeat(wave[:, None], channels, axis=1)


def whitened(error: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    """Undo the shaping filter, which is minimum phase: the error made at each sample, in LSB."""
    return np.asarray(scipy.signal.lfilter([1.0], shaping_filter(rate_hz), error / LSB_16))


# --- plain


@pytest.mark.parametrize(("bits", "dbfs"), [(16, -96.3296), (20, -120.4120), (24, -144.4944)])
def test_dither_noise_is_the_published_one(bits: int, dbfs: float) -> None:
    # Lipshitz, Wannamaker, Vanderkooy (JAES 40(5), 1992): total TPDF noise is LSB^2 / 4, which is
    # these levels re amplitude 1.0 (computed); simulated tolerance 0.05 dB.
    error = quantising_error(tone(), bits)[:, 0]
    assert level_dbfs(error) == pytest.approx(dbfs, abs=0.05)


@pytest.mark.parametrize("shaped", [False, True])
def test_mean_and_power_of_the_noise_do_not_depend_on_the_signal(shaped: bool) -> None:
    # The same source: first and second moments of the error are independent of the signal. Without
    # dither a constant of x LSB is off by up to 0.5 LSB, and its power goes up and down with x.
    levels = np.arange(0.05, 1.0, 0.1)
    errors = []
    for level in levels:
        error = quantising_error(np.full((200000, 1), level * LSB_16), 16, shaped=shaped)[:, 0]
        errors.append(whitened(error, RATE_HZ) if shaped else error / LSB_16)
    deviation = 0.5 / math.sqrt(200000)
    assert np.abs([error.mean() for error in errors]).max() < 5 * deviation
    assert [error.var() for error in errors] == pytest.approx([0.25] * len(levels), rel=0.02)
    found = quantising_error(tone(), 16, shaped=shaped)[:, 0]
    assert abs(np.corrcoef(found, tone()[:, 0])[0, 1]) < 0.01
    assert abs(np.corrcoef(found**2, tone()[:, 0] ** 2)[0, 1]) < 0.01


def test_plain_noise_is_white() -> None:
    hz, density = noise_spectrum(quantising_error(tone(), 16)[:, 0], RATE_HZ)
    inside = density[(hz > 100) & (hz < 23900)]
    # LSB^2 / 4 over half the rate.
    assert inside.mean() == pytest.approx(LSB_16**2 / 4 / (RATE_HZ / 2), rel=0.01)
    assert 10 * np.log10(inside.max() / inside.min()) < 4.0


# --- the shaping filter


def test_the_threshold_of_hearing_is_close_to_the_standards() -> None:
    # ISO 226:2003, Table 1, against the approximation the filter is designed with:
    # within 6 dB up to 5 kHz. Higher up it is stricter at 8 kHz and more lenient at 12.5 kHz.
    hz = np.array([50, 100, 200, 500, 1000, 2000, 3150, 4000, 5000, 12500.0])
    difference = hearing_threshold_db(hz) + iso_226_weighting_db(hz)
    assert np.abs(difference[:-1]).max() < 6.0
    assert abs(difference[-1]) < 13.0


@pytest.mark.parametrize("rate_hz", RATES)
def test_the_mean_level_of_shaped_noise_is_that_of_plain_noise(rate_hz: int) -> None:
    # Gerzon, Craven (AES 87th Conv., 1989): it can't be lower; only a minimum-phase filter, which
    # prediction gives, reaches it.
    taps = shaping_filter(rate_hz)
    assert (len(taps), taps[0]) == (ORDER + 1, 1.0)
    assert np.abs(np.roots(taps)).max() < 1.0
    hz = (np.arange(1 << 16) + 0.5) * rate_hz / 2**17
    assert filter_gain_db(taps, hz, rate_hz).mean() == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_no_small_change_of_the_filter_is_better(rate_hz: int) -> None:
    """A least weighted noise for its total: what lowers the one raises the other."""
    taps = shaping_filter(rate_hz)
    hz = (np.arange(1 << 14) + 0.5) * rate_hz / 2**15
    weight = 10 ** (-0.1 * hearing_threshold_db(hz))
    away = np.exp(-2j * np.pi * np.outer(hz / rate_hz, np.arange(ORDER + 1)))
    weighted = 2 * np.real(np.conj(away @ taps)[:, None] * away).T @ weight / weight.sum()
    total = 2 * taps
    # Gradients over a1 .. a9: opposite where the total is at its limit, none where it is free.
    if 10 * np.log10(taps @ taps) > MOST_GAIN_DB - 1e-3:
        assert weighted[1:] @ total[1:] < 0.0
        cosine = weighted[1:] @ total[1:] / np.linalg.norm(weighted[1:])
        assert cosine / np.linalg.norm(total[1:]) == pytest.approx(-1.0, abs=1e-3)
    else:
        # But for the rounding to six decimals: 2 * weight * half of the last one, nine times.
        assert np.abs(weighted[1:]).max() < 2 * ORDER * 0.5e-6


@pytest.mark.parametrize("rate_hz", RATES)
def test_total_noise_is_what_the_filter_predicts_and_within_bounds(rate_hz: int) -> None:
    taps = shaping_filter(rate_hz)
    gain_db = 10 * math.log10(taps @ taps)
    assert gain_db <= MOST_GAIN_DB + 1e-4
    error = quantising_error(tone(rate_hz), 16, shaped=True, rate_hz=rate_hz)[:, 0]
    assert level_dbfs(error) == pytest.approx(-96.3296 + gain_db, abs=0.2)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_the_spectrum_is_that_of_the_filter(rate_hz: int) -> None:
    error = quantising_error(tone(rate_hz), 16, shaped=True, rate_hz=rate_hz)[:, 0]
    hz, density = noise_spectrum(error, rate_hz, 1024)
    white = LSB_16**2 / 4 / (rate_hz / 2)
    found = 10 * np.log10(density / white)
    inside = (hz > 500) & (hz < 0.48 * rate_hz)
    expected = filter_gain_db(shaping_filter(rate_hz), hz[inside], rate_hz)
    assert np.abs(found[inside] - expected).max() < 1.0


# --- how loud it is


def test_weightings_are_the_published_ones() -> None:
    # ITU-R BS.468-4, Table 1, and IEC 61672-1:2013, Table 3, as the package phonometry has them.
    hz = np.array([31.5, 100, 400, 1000, 3150, 6300, 9000, 12500, 14000, 16000, 20000])
    published = [-29.9, -19.8, -7.8, 0.0, 9.0, 12.2, 10.1, 0.0, -5.3, -11.7, -22.2]
    assert itu_468_weighting_db(hz) == pytest.approx(published, abs=0.1)
    hz = 1000.0 * 10.0 ** (0.1 * np.array([-15, -9, -6, -3, 0, 3, 6, 9, 12]))
    published = [-39.4, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1, -6.6]
    assert a_weighting_db(hz) == pytest.approx(published, abs=0.06)


@pytest.mark.parametrize(
    ("rate_hz", "itu_468"),
    [(44100, 4.0), (48000, 5.5), (88200, 18.0), (96000, 20.0), (192000, 32.0)],
)
def test_shaped_noise_is_less_audible(rate_hz: int, itu_468: float) -> None:
    plain, shaped = (
        quantising_error(tone(rate_hz), 16, shaped=way, rate_hz=rate_hz)[:, 0]
        for way in (False, True)
    )

    def lower_db(weighting: object) -> float:
        found = [weighted_level_dbfs(noise, rate_hz, weighting) for noise in (plain, shaped)]  # type: ignore[arg-type]
        return found[0] - found[1]

    # At the threshold of hearing, which is what matters for noise at -96 dBFS: by the curve the
    # filter is made for, and by ISO 226, which stops at 12.5 kHz.
    assert lower_db(lambda hz: -hearing_threshold_db(hz)) > 16.5
    assert lower_db(iso_226_weighting_db) > 15.0
    # ITU-R BS.468 weighs loud noise and is far flatter: there no filter at all wins 10 dB at
    # 44.1 kHz (9.2, by the law above), and what is won near the threshold is bought with it.
    assert lower_db(itu_468_weighting_db) > itu_468
    assert -least_change_db(rate_hz, itu_468_weighting_db) > lower_db(itu_468_weighting_db)


def test_what_no_filter_can_do() -> None:
    # Numbers from the law alone, stated so that nobody looks for them.
    found = [least_change_db(44100, w) for w in (itu_468_weighting_db, a_weighting_db)]
    assert found == pytest.approx([-9.2, -1.6], abs=0.1)


# --- laws


@pytest.mark.parametrize("shaped", [False, True])
def test_the_same_seed_gives_the_same_bits_in_any_blocks(shaped: bool) -> None:
    block = np.random.default_rng(1).uniform(-1.2, 1.2, (1000, 2))
    block[300:310] = 0.0
    block[400, 0] = 0.0
    whole = Quantiser(24, 5, shaped).quantise(block)
    for sizes in ([77, 1000], [1] * 1000, [305, 1000], [405, 1, 1000]):
        split, at, parts = Quantiser(24, 5, shaped), 0, []
        for size in sizes:
            parts.append(split.quantise(block[at : at + size]))
            at += size
        assert np.array_equal(np.concatenate(parts), whole)
    assert not np.array_equal(whole, Quantiser(24, 6, shaped).quantise(block))
    assert whole.max() == 2**31 - 256
    assert whole.min() == -(2**31)


def test_a_plain_quantiser_takes_no_notice_of_the_rate() -> None:
    block = np.random.default_rng(1).uniform(-1, 1, (1000, 2))
    found = [Quantiser(16, 5, False, rate).quantise(block) for rate in (44100, 96000)]
    assert np.array_equal(*found)
    shaped = [Quantiser(16, 5, True, rate).quantise(block) for rate in (44100, 96000)]
    assert not np.array_equal(*shaped)


@pytest.mark.parametrize(("shaped", "run"), [(False, 0), (True, SILENT_RUN)])
def test_digital_silence_stays_silent(shaped: bool, run: int) -> None:
    quantiser = Quantiser(16, 3, shaped)
    assert not quantiser.quantise(np.zeros((5000, 2))).any()
    assert quantiser.quantise(np.full((5000, 2), 1e-6)).any()
    # From the end of the run on, and in one channel while the other goes on.
    block = tone(frames=5000, channels=2)
    block[2000:, 1] = 0.0
    found = quantiser.quantise(block)
    assert not found[2000 + run :, 1].any()
    assert found[2001:, 0].any()


def test_nothing_is_left_in_silence_of_what_came_before() -> None:
    # Errors are forgotten there: after it, the noise is that of a quantiser that heard nothing.
    still = SILENT_RUN + 1
    loud = np.vstack([tone(frames=3000), np.zeros((still, 1)), np.full((1000, 1), 0.3)])
    quiet = np.vstack([np.zeros((3000 + still, 1)), np.full((1000, 1), 0.3)])
    found = [Quantiser(16, 3, True).quantise(block)[3000 + still :] for block in (loud, quiet)]
    assert np.array_equal(*found)


def test_zeros_on_the_way_do_no_harm_to_the_shaping() -> None:
    """Sound from 16-bit files at unity gain passes through zero often."""
    random = np.random.default_rng(0)
    music = random.normal(0.0, 0.01, (480000, 1))
    music[random.random(len(music)) < 0.1] = 0.0
    found = [
        weighted_level_dbfs(
            quantising_error(signal, 16, shaped=True)[:, 0],
            RATE_HZ,
            lambda hz: -hearing_threshold_db(hz),
        )
        for signal in (music, tone())
    ]
    assert found[0] == pytest.approx(found[1], abs=0.3)


@pytest.mark.parametrize("level", [1e-9, 0.5 * LSB_16, 0.3 * LSB_16, LSB_16, 0.25, 0.1234567])
def test_there_are_no_limit_cycles(level: float) -> None:
    """Under a constant the errors stay white: no line in their spectrum, no lag that repeats."""
    frames = 1 << 17
    error = quantising_error(np.full((frames, 1), level), 16, shaped=True)[:, 0]
    white = whitened(error, RATE_HZ)[100:]
    assert white.var() == pytest.approx(0.25, rel=0.03)
    power = np.abs(np.fft.rfft(white)) ** 2 / (len(white) * 0.25)
    # Exponentially distributed: the highest of 65,536 is about ln(65536) = 11, over 20 one in 7000.
    assert power[1:].max() < 20.0
    lags = np.fft.irfft(np.abs(np.fft.rfft(white, 2 * frames)) ** 2)[1:5000] / (len(white) * 0.25)
    assert np.abs(lags).max() < 6.0 / math.sqrt(frames)


def test_clipping_does_not_upset_the_shaping() -> None:
    block = tone(frames=96000)
    block[10000:20000] = 1.5
    block[20000:30000] *= 20.0
    block[25000] = 1e300
    found = Quantiser(16, 3, True).quantise(block)
    assert found.max() == 2**31 - 2**16
    assert found.min() == -(2**31)
    error = (found / 2.0**31 - block)[30001:, 0]
    taps = shaping_filter(RATE_HZ)
    # Bounded from the first sample after it: 1.5 LSB through the filter. Then as ever.
    assert np.abs(error).max() <= 1.5 * LSB_16 * np.abs(taps).sum()
    assert level_dbfs(error) == pytest.approx(-96.33 + 10 * math.log10(taps @ taps), abs=0.2)


def test_channels_know_nothing_of_one_another() -> None:
    both = tone(channels=2)
    error = quantising_error(both, 16, shaped=True)
    # Alike in everything but their random numbers.
    assert abs(np.corrcoef(error.T)[0, 1]) < 0.02
    other = both.copy()
    other[:, 1] = np.random.default_rng(2).uniform(-2, 2, len(both))
    left = quantising_error(other, 16, shaped=True)[:, 0]
    assert np.array_equal(left, error[:, 0])
