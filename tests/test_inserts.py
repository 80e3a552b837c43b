"""Inserts: against pedalboard on whole signals, published formulas, and their own laws."""

from __future__ import annotations

import math
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pedalboard
import pytest
from numpy.typing import NDArray
from scipy.signal import resample_poly

from mixwright.dsp.contract import bounds_of
from mixwright.dsp.grid import CHUNK
from mixwright.dsp.inserts import (
    INSERTS,
    ChorusSettings,
    InsertSettings,
    PhaserSettings,
    PitchShiftSettings,
    PluginSettings,
    SaturationSettings,
)
from mixwright.dsp.kernels.oversampling import bend
from mixwright.dsp.oversampling import factor_for, low_pass

RATE_HZ = 48000
Signal = NDArray[np.float64]

SAMPLES: dict[str, InsertSettings] = {
    "chorus": ChorusSettings(1.7, 60.0, 9.0, 40.0, 50.0),
    "flanging": ChorusSettings(0.3, 15.0, 2.0, 90.0, 35.0),
    "phaser": PhaserSettings(0.9, 80.0, 700.0, 60.0, 50.0),
    "saturation": SaturationSettings(12.0, 70.0),
    "up": PitchShiftSettings(3.7, 60.0),
    "down": PitchShiftSettings(-13.0),
}


def noise(seconds: float, channels: int = 2, seed: int = 4) -> Signal:
    return np.random.default_rng(seed).standard_normal((round(seconds * RATE_HZ), channels)) * 0.2


def tone(hz: float, seconds: float = 1.5, level: float = 0.3, rate_hz: int = RATE_HZ) -> Signal:
    return level * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)[:, None]


def in_time(settings: Any, signal: Signal, rate_hz: int = RATE_HZ) -> Signal:
    """What comes out, with the declared latency taken away."""
    running = settings.start(rate_hz, signal.shape[1])
    padded = np.concatenate([signal, np.zeros((running.latency, signal.shape[1]))])
    return np.asarray(running.process(padded)[running.latency :])


def whole(plugin: Any, signal: Signal, rate_hz: float = RATE_HZ) -> Signal:
    """pedalboard's own way with a whole file."""
    board = pedalboard.Pedalboard([plugin])
    return np.asarray(board(signal.T.astype(np.float32), rate_hz, reset=True).T, dtype=np.float64)


def difference_db(one: Signal, other: Signal) -> float:
    return 10 * math.log10(float(np.mean((one - other) ** 2) / np.mean(other**2)) + 1e-40)


def spectrum(signal: Signal) -> tuple[Signal, Signal]:
    """Frequencies and magnitudes of the middle second, through a window of -180 dB."""
    start = (len(signal) - RATE_HZ) // 2
    cut = signal[start : start + RATE_HZ, 0] * np.kaiser(RATE_HZ, 24.0)
    return np.arange(RATE_HZ // 2 + 1.0), np.abs(np.fft.rfft(cut))


# --- chorus and phaser -------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize("channels", [1, 2])
def test_chorus_and_phaser_are_those_of_pedalboard(rate_hz: int, channels: int) -> None:
    signal = noise(0.6, channels)
    for mix in (50.0, 100.0):
        chorus = ChorusSettings(1.3, 40.0, 8.0, 35.0, mix)
        reference = whole(pedalboard.Chorus(1.3, 0.4, 8.0, 0.35, mix / 100), signal, rate_hz)
        assert difference_db(in_time(chorus, signal, rate_hz), reference) < -140.0
        phaser = PhaserSettings(1.3, 60.0, 900.0, 35.0, mix)
        reference = whole(pedalboard.Phaser(1.3, 0.6, 900.0, 0.35, mix / 100), signal, rate_hz)
        assert difference_db(in_time(phaser, signal, rate_hz), reference) < -140.0


def test_a_chorus_at_rest_is_a_delay() -> None:
    signal = np.zeros((4800, 1))
    signal[100] = 1.0
    out = in_time(ChorusSettings(depth_percent=0.0, delay_ms=25.0, mix_percent=100.0), signal)
    assert np.flatnonzero(out > 0.5).tolist() == [100 + 25 * 48]
    assert in_time(ChorusSettings(delay_ms=25.0), signal)[100, 0] == 0.5


def test_a_chorus_swings_by_ten_ms_at_full_depth() -> None:
    signal = np.zeros((2 * RATE_HZ, 1))
    signal[::4800] = 1.0
    out = in_time(ChorusSettings(0.5, 100.0, 30.0, 0.0, 100.0), signal)
    power = out.reshape(-1, 4800) ** 2
    delays_ms = (power @ np.arange(4800.0)) / power.sum(axis=1) / 48
    # A sine of 0.5 Hz at its turning points, half a second and one and a half after the start.
    assert delays_ms.min() == pytest.approx(20.0, abs=0.2)
    assert delays_ms.max() == pytest.approx(40.0, abs=0.2)


def test_a_phaser_at_rest_has_its_notches_where_six_all_passes_put_them() -> None:
    # Six first-order all-passes at f0 turn by 12 atan(tan(pi f / rate) / tan(pi f0 / rate)); half
    # and half with the untouched sound that is nothing at odd multiples of pi.
    signal = np.zeros((RATE_HZ, 1))
    signal[0] = 1.0
    gain = np.abs(np.fft.rfft(in_time(PhaserSettings(0.5, 0.0, 1000.0), signal)[:, 0]))
    for turns in (1, 3, 5):
        warped = math.tan(math.pi * 1000.0 / RATE_HZ) * math.tan(turns * math.pi / 12)
        notch = round(RATE_HZ * math.atan(warped) / math.pi)
        assert abs(int(np.argmin(gain[notch // 2 : 3 * notch // 2])) + notch // 2 - notch) <= 2
        assert gain[notch] < 0.02


@pytest.mark.parametrize(
    "settings",
    [ChorusSettings(0.8, 0.0, 20.0, 70.0, 100.0), PhaserSettings(0.5, 0.0, 200.0, 80.0, 100.0)],
)
def test_feedback_is_down_by_its_tail_and_then_nothing(settings: Any) -> None:
    burst = noise(1.0, 1)
    tail = settings.tail_samples(RATE_HZ)
    out = in_time(settings, np.concatenate([burst, np.zeros((8 * tail, 1))]))
    after, limit = np.abs(out[RATE_HZ:, 0]), float(burst.max()) * 10 ** (-75 / 20)
    assert after[tail:].max() < limit
    assert after[tail // 3 : tail // 2].max() > limit
    assert not after[-100:].any()


# --- saturation --------------------------------------------------------------------------------


def test_the_bend_is_tanh() -> None:
    points = np.concatenate([np.linspace(-40, 40, 100001), np.geomspace(1e-12, 1, 500)])[None]
    made = points.copy()
    bend(made, 1.5, 0.7)
    # numpy's tanh, from the C library.
    assert np.abs(made - 0.7 * np.tanh(1.5 * points)).max() < 1e-14


def test_the_filters_pass_and_stop_what_they_should() -> None:
    for edges in ((0.4535, 0.5), (0.4535, 0.5465), (0.273, 0.727)):
        middle, even, odd = low_pass(*edges)
        side = np.zeros(2 * len(odd) - 1)
        side[::2] = odd
        side[1::2] = even if len(even) else 0.0
        taps = np.concatenate([side[::-1], [middle], side])
        gain = np.abs(np.fft.rfft(taps, 1 << 15))
        of_lower_rate = np.arange(len(gain)) / (1 << 15) * 2.0
        assert np.abs(20 * np.log10(gain[of_lower_rate <= edges[0]])).max() < 1e-4
        assert 20 * np.log10(gain[of_lower_rate >= edges[1]].max()) < -110.0


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
def test_saturation_is_tanh_of_the_continuous_wave(rate_hz: int) -> None:
    # The same curve by pedalboard's distortion, at a multiple of the rate made by scipy.
    drive, times = 12.0, factor_for(rate_hz)
    hz = np.array([310.0, 1170.0, 2900.0])
    at = np.arange(rate_hz // 2) / rate_hz
    signal = (0.2 * np.sin(2 * np.pi * hz * at[:, None] + hz)).sum(axis=1)[:, None]
    taps = ("kaiser", 14.0)
    dense = resample_poly(signal, times, 1, window=taps, padtype="line")
    bent = whole(pedalboard.Distortion(drive), dense, times * rate_hz)
    reference = resample_poly(bent, 1, times, window=taps)
    made = in_time(SaturationSettings(drive), signal, rate_hz)
    inside = slice(rate_hz // 8, 3 * rate_hz // 8)
    window = np.kaiser(rate_hz // 4, 20.0)[:, None]
    one, other = (np.fft.rfft(x[inside] * window, axis=0) for x in (made, reference))
    # Below where the two ways of changing the rate differ; the gain after the drive is ours.
    low = slice(int(50 / 4), int(0.36 * rate_hz / 4))
    gain = np.vdot(other[low], one[low]) / np.vdot(other[low], other[low])
    assert abs(gain.imag) < 1e-6
    residue = np.abs(one[low] - gain * other[low]) ** 2
    assert 10 * np.log10(residue.sum() / (np.abs(one[low]) ** 2).sum()) < -100.0


@pytest.mark.parametrize("hz", [5000.0, 5013.0, 7919.0])
def test_saturation_folds_nothing_back(hz: float) -> None:
    for settings, least in ((SaturationSettings(12.0), -110.0), (SaturationSettings(24.0), -50.0)):
        frequencies, found = spectrum(in_time(settings, tone(hz, level=1.0)))
        harmonic = np.abs(frequencies / hz - np.round(frequencies / hz)) * hz < 30
        assert 20 * np.log10(found[~harmonic].max() / found.max()) < least
    # What that avoids: the same curve at the rate itself.
    folded = spectrum(whole(pedalboard.Distortion(12.0), tone(hz, level=1.0)))[1]
    assert 20 * np.log10(folded[~harmonic].max() / folded.max()) > -30.0


@pytest.mark.parametrize("drive_db", [0.0, 6.0, 12.0, 24.0, 40.0])
def test_a_tone_of_minus_18_dbfs_keeps_its_level(drive_db: float) -> None:
    signal = tone(1000.0, 0.5, 10 ** (-18 / 20))
    made = in_time(SaturationSettings(drive_db), signal)
    middle = slice(4800, 19200)
    assert 10 * np.log10(np.mean(made[middle] ** 2) / np.mean(signal[middle] ** 2)) == (
        pytest.approx(0.0, abs=0.005)
    )


@pytest.mark.parametrize(("drive_db", "gain_db"), [(0.0, 0.034), (12.0, 0.517), (40.0, 19.216)])
def test_what_is_quieter_gains_as_documented(drive_db: float, gain_db: float) -> None:
    signal = tone(1000.0, 0.5, 1e-5)
    made = in_time(SaturationSettings(drive_db), signal)
    assert 20 * np.log10(made[4800:19200].std() / signal[4800:19200].std()) == (
        pytest.approx(gain_db, abs=0.01)
    )


def test_saturation_adds_odd_harmonics_alone() -> None:
    found = spectrum(in_time(SaturationSettings(12.0), tone(500.0, level=0.5)))[1]
    third, second = found[1500] / found[500], found[1000] / found[500]
    assert -20.0 < 20 * np.log10(third) < -10.0
    assert 20 * np.log10(second) < -140.0


# --- pitch shift -------------------------------------------------------------------------------


@pytest.mark.parametrize("semitones", [-24.0, -12.0, -5.0, -0.1, 0.1, 3.0, 7.5, 12.0, 24.0])
def test_a_tone_moves_by_equal_temperament_and_stays_one(semitones: float) -> None:
    signal = tone(441.0)
    frequencies, found = spectrum(in_time(PitchShiftSettings(semitones), signal))
    power = found**2
    meant = 441.0 * 2 ** (semitones / 12)  # equal temperament: a factor of 2^(1/12) each
    near = np.abs(frequencies - meant) < 12
    centre = (power[near] * frequencies[near]).sum() / power[near].sum()
    assert centre == pytest.approx(meant, abs=0.05)
    assert 10 * np.log10(power[~near].sum() / power[near].sum()) < -90.0
    assert 10 * np.log10(power.sum() / (spectrum(signal)[1] ** 2).sum()) == pytest.approx(
        0.0, abs=0.01
    )


@pytest.mark.parametrize("semitones", [-5.0, 3.0])
def test_pitch_and_level_are_those_of_pedalboard(semitones: float) -> None:
    # An independent implementation, on the whole signal: centre of the spectrum and level of noise.
    signal = noise(1.5, 1)
    spectra = np.fft.rfft(signal, axis=0)
    spectra[3000:] = 0.0
    band = np.fft.irfft(spectra, len(signal), axis=0)
    ours = in_time(PitchShiftSettings(semitones), band)
    theirs = whole(pedalboard.PitchShift(semitones), band)
    frequencies, one = spectrum(ours)
    other = spectrum(theirs)[1]
    centres = [(frequencies * x**2).sum() / (x**2).sum() for x in (one, other)]
    assert centres[0] == pytest.approx(centres[1], rel=0.04)
    assert 10 * np.log10(np.mean(ours**2) / np.mean(theirs**2)) == pytest.approx(0.5, abs=1.0)


def test_pedalboards_pitch_shift_can_not_be_streamed() -> None:
    # Why there is one of our own. Should this fail, look again.
    plugin = pedalboard.PitchShift(5.0)
    chunks = noise(2.0, 2).T.astype(np.float32).reshape(2, -1, 8000)
    heard = [plugin.process(c, RATE_HZ, reset=False) for c in chunks.transpose(1, 0, 2)]
    joined = np.concatenate(heard, axis=1)
    assert joined.shape[1] > 8000
    assert not joined.any()


@pytest.mark.parametrize("semitones", [-7.0, 0.5, 12.0])
def test_a_shifted_sound_stays_in_its_place(semitones: float) -> None:
    signal = np.zeros((8 * RATE_HZ, 1))
    starts = [RATE_HZ // 2, 7 * RATE_HZ]  # the second would show a drift
    shape = np.hanning(2400)[:, None]
    for start in starts:
        signal[start : start + 2400] = shape * tone(900.0, 0.05)
    power = in_time(PitchShiftSettings(semitones), signal)[:, 0] ** 2
    for start in starts:
        near = power[start - 4800 : start + 7200]
        middle = (near * np.arange(12000)).sum() / near.sum() - 4800
        assert middle == pytest.approx(1200, abs=96)  # 2 ms


def test_left_and_right_keep_their_phase() -> None:
    at = np.arange(RATE_HZ) / RATE_HZ
    turn = 2 * np.pi * 500.0 * at
    signal = np.stack([0.2 * np.sin(turn), 0.1 * np.sin(turn + 1.0)], axis=1)
    made = in_time(PitchShiftSettings(4.0), signal)[RATE_HZ // 4 : 3 * RATE_HZ // 4]
    hz = 500.0 * 2 ** (4 / 12)
    carrier = np.exp(-2j * np.pi * hz * np.arange(len(made)) / RATE_HZ) * np.hanning(len(made))
    left, right = carrier @ made
    assert np.angle(right / left) == pytest.approx(1.0, abs=1e-4)
    assert abs(right / left) == pytest.approx(0.5, abs=1e-4)
    opposite = np.stack([signal[:, 0], -signal[:, 0]], axis=1)
    made = in_time(PitchShiftSettings(4.0), opposite)
    assert np.array_equal(made[:, 0], -made[:, 1])


def test_a_pitch_shift_of_nothing_does_nothing() -> None:
    running = PitchShiftSettings().start(RATE_HZ, 2)
    signal = noise(0.1)
    assert running.latency == running.tail == 0
    assert np.array_equal(running.process(signal.copy()), signal)


# --- laws of all -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SAMPLES)
@pytest.mark.parametrize("channels", [1, 2])
def test_any_split_gives_the_same_bits(name: str, channels: int) -> None:
    settings = SAMPLES[name]
    signal = noise(0.3, channels)
    signal[5000:8000] = 0.0
    at_once = settings.start(RATE_HZ, channels).process(signal.copy())
    for sizes in ([1, 2, 977, CHUNK], [CHUNK + 1], [1]):
        running, parts, at = settings.start(RATE_HZ, channels), [], 0
        while at < len(signal):
            size = 1200 if sizes == [1] and at > 1100 else sizes[len(parts) % len(sizes)]
            parts.append(running.process(signal[at : at + size].copy()).copy())
            at += size
        assert np.array_equal(np.concatenate(parts), at_once)
    assert np.isfinite(at_once).all()
    assert at_once.any()


@pytest.mark.parametrize("name", SAMPLES)
def test_silence_stays_silence_and_comes_back(name: str) -> None:
    running = SAMPLES[name].start(RATE_HZ, 2)
    assert not running.process(np.zeros((20000, 2))).any()
    if running.tail < RATE_HZ:
        running.process(noise(0.2))
        running.process(np.zeros((running.latency + 4 * running.tail, 2)))
        assert not running.process(np.zeros((5000, 2))).any()


@pytest.mark.parametrize("settings", [k for k in INSERTS.values() if k is not PluginSettings])
def test_without_mix_every_bit_stays(settings: Any) -> None:
    signal = noise(0.2)
    given = {"semitones": 4.0} if settings is PitchShiftSettings else {}
    assert np.array_equal(in_time(settings(**given, mix_percent=0.0), signal), signal)


@pytest.mark.parametrize("name", ["chorus", "phaser", "saturation", "up"])
def test_the_mix_is_a_straight_line_between_dry_and_wet(name: str) -> None:
    signal = noise(0.2)
    settings: Any = SAMPLES[name]
    wet, mixed = (
        in_time(type(settings)(**{**vars(settings), "mix_percent": mix}), signal)
        for mix in (100.0, 30.0)
    )
    assert np.abs(mixed - (0.7 * signal + 0.3 * wet)).max() < 1e-15


def test_streams_in_threads_do_not_touch_one_another() -> None:
    signals = [noise(0.5, 2, seed) for seed in range(6)]
    settings = SAMPLES["chorus"], SAMPLES["phaser"], SAMPLES["up"]
    jobs = [(settings[k % 3], signal) for k, signal in enumerate(signals)]
    alone = [in_time(*job) for job in jobs]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(lambda job: in_time(*job), jobs))
    assert all(np.array_equal(a, b) for a, b in zip(alone, together, strict=True))


@pytest.mark.parametrize("settings", [k for k in INSERTS.values() if k is not PluginSettings])
def test_numbers_out_of_bounds_are_refused(settings: Any) -> None:
    for name, bounds in bounds_of(settings).items():
        for value in (bounds.low - 0.01, bounds.high + 1.0):
            with pytest.raises(ValueError, match=name):
                settings(**{name: value})


def test_settings_load_nothing_heavy() -> None:
    code = (
        "import sys, mixwright.dsp.inserts, mixwright.rendering.plugin_list\n"
        "print([m for m in ('pedalboard', 'numba', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
