"""Silence and noise floor, against signals of known make."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from mixwright.meters.silence import SilenceReadings
from mixwright.meters.sound import SoundMeter


def read(
    samples: NDArray[np.float64], rate_hz: int = 48000, block: int = 65536, **asked: Any
) -> SilenceReadings:
    samples = samples[:, None] if samples.ndim == 1 else samples
    meter = SoundMeter(rate_hz, samples.shape[1])
    for at in range(0, len(samples), block):
        meter.feed(samples[at : at + block])
    return meter.silence(**asked)


def gaussian(
    seed: int, seconds: float, level_dbfs: float, channels: int = 2
) -> NDArray[np.float64]:
    shape = (round(seconds * 48000), channels)
    return 10 ** (level_dbfs / 20) * np.random.default_rng(seed).standard_normal(shape)


def test_the_floor_of_a_dithered_file_is_that_of_the_dither() -> None:
    # Lipshitz, Wannamaker and Vanderkooy 1992: TPDF dither and rounding to 16 bits leave Δ²/4,
    # -96.33 dB re amplitude 1.0; here in the pauses of a tone.
    random = np.random.default_rng(1)
    step = 2.0**-15
    at = np.arange(10 * 48000) / 48000
    tone = 0.25 * np.sin(2 * np.pi * 997 * at) * (at % 2.0 < 1.0)
    dither = random.uniform(-0.5, 0.5, (2, len(tone))).sum(axis=0)
    found = read(step * np.round(tone / step + dither))
    assert found.noise_floor_dbfs == pytest.approx(-96.33, abs=0.1)


@pytest.mark.parametrize("channels", [1, 2])
def test_the_floor_is_the_noise_under_the_sound(channels: int) -> None:
    noise = gaussian(2, 20.0, -60.0, channels)
    noise[5 * 48000 : 18 * 48000] += gaussian(3, 13.0, -15.0, channels)
    assert read(noise).noise_floor_dbfs == pytest.approx(-60.0, abs=0.15)
    assert read(noise, gain=2.0).noise_floor_dbfs == pytest.approx(-60.0 + 6.02, abs=0.15)


def test_a_steady_sound_is_its_own_floor() -> None:
    # The tenth part of windows of 19,200 samples each: hardly below the mean.
    assert read(gaussian(4, 30.0, -20.0)).noise_floor_dbfs == pytest.approx(-20.0, abs=0.15)


def test_what_is_muted_and_what_fades_is_no_floor() -> None:
    sound = gaussian(5, 30.0, -30.0)
    muted = sound.copy()
    muted[3 * 48000 : 20 * 48000] = 0.0
    faded = sound * np.clip((len(sound) - np.arange(len(sound))) / 48000, 0, 1)[:, None] ** 4
    for samples in (muted, faded):
        assert read(samples).noise_floor_dbfs == pytest.approx(-30.0, abs=0.2)
    assert read(muted).digital_silence == pytest.approx(17 / 30)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_head_and_tail(rate_hz: int) -> None:
    samples = np.zeros((5 * rate_hz, 2))
    samples[round(1.234 * rate_hz) : round(3.5 * rate_hz), 1] = 0.5
    samples[:, 0] += 0.0009  # below -60 dBFS, which is 0.001
    found = read(samples, rate_hz)
    # To the cell of 10 ms in which the first and the last sample above the threshold lie.
    assert 1.234 - 0.01 <= found.head_s <= 1.234
    assert 1.5 - 0.01 <= found.tail_s <= 1.5
    assert (found.seconds, found.digital_silence) == (5.0, 0.0)
    assert read(samples, rate_hz, gain=1.2).head_s == 0.0
    assert read(samples, rate_hz, threshold_dbfs=-70.0).tail_s == 0.0
    assert read(samples, rate_hz, gain=0.001).head_s == 5.0


def test_the_last_part_of_a_cell_counts() -> None:
    samples = np.zeros(48000 + 100)
    samples[-1] = 0.5
    found = read(samples)
    assert (found.head_s, found.tail_s) == (1.0, 0.0)
    assert found.digital_silence == pytest.approx(48000 / 48100)


def test_single_zeros_are_no_digital_silence() -> None:
    samples = np.tile([0.1, 0.0, -0.1, 0.0], 12000)
    assert read(samples).digital_silence == 0.0


@pytest.mark.parametrize("channels", [1, 2])
def test_any_blocks_give_the_same_bits(channels: int) -> None:
    samples = gaussian(6, 3.1, -55.0, channels)
    samples[:50000] *= 1e-3
    found = {repr(read(samples, block=block)) for block in (1 << 20, 65536, 4800, 480, 479, 97)}
    assert len(found) == 1


def test_asking_halfway_changes_nothing() -> None:
    samples = gaussian(6, 3.1, -55.0)
    meter = SoundMeter(48000, 2)
    for at in range(0, len(samples), 4800):
        meter.feed(samples[at : at + 4800])
        meter.silence()
    assert meter.silence() == read(samples)


def test_what_comes_behind_the_frames_asked_for_does_not_count() -> None:
    # At a rate whose hops are not all of one length; where it is cut, silence goes on.
    samples = np.concatenate([gaussian(7, 1.0, -20.0), np.zeros((24000, 2))])
    for frames in (0, 48000, 48020, 50123, 60007, len(samples)):
        assert read(samples, 22050, frames=frames) == read(samples[:frames], 22050)
    assert read(samples, 22050, frames=47000).tail_s == 0.0


def test_silence_and_shortness_have_defined_answers() -> None:
    assert read(np.zeros((48000, 2))) == SilenceReadings(1.0, 1.0, 1.0, 1.0, None)
    assert read(np.zeros((0, 2))) == SilenceReadings(0.0, 0.0, 0.0, 0.0, None)
    short = read(np.full(4800, 0.1))
    assert (short.noise_floor_dbfs, short.tail_s) == (None, 0.0)
    nearly = read(np.full(48000, 1e-9)).noise_floor_dbfs
    assert nearly == pytest.approx(-180.0)
    assert not math.isnan(short.digital_silence)
