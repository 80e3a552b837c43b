"""Bands that move, and bands on mid or side.

The state-variable form is held to scipy's response of the section it stands for; moving bands to
the static ones where they rest, and to laws where they move.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from mixwright.dsp.band import BandSettings
from mixwright.dsp.curve import Curve, CurveMove
from mixwright.dsp.eq import BandRide, EqSettings, RunningCascade
from mixwright.dsp.filters import analogue_response_db, design_moving_band
from mixwright.dsp.sweep import STEP, state_variable_rows

RATE_HZ = 48000
FAST = 2400  # samples: 50 ms
KINDS = [
    BandSettings("bell", 3000.0, 6.0, 2.0),
    BandSettings("bell", 12000.0, -9.0, 0.7),
    BandSettings("low_shelf", 80.0, -6.0),
    BandSettings("high_shelf", 9000.0, 6.0, slope=0.6),
    BandSettings("notch", 1000.0, q=4.0),
    BandSettings("low_pass", 5000.0, slope_db_per_oct=48),
    BandSettings("low_pass", 12000.0, slope_db_per_oct=6),
    BandSettings("high_pass", 30.0, slope_db_per_oct=42),
    BandSettings("high_pass", 14000.0, slope_db_per_oct=18),
]


def noise(frames: int = 24000, channels: int = 2, seed: int = 5) -> NDArray[np.float64]:
    return np.random.default_rng(seed).standard_normal((frames, channels)) * 0.1


def to_and_fro(low: float, high: float, times: int, length: int = FAST) -> Curve:
    ends = [high if turn % 2 == 0 else low for turn in range(times)]
    return Curve(
        "octaves",
        low,
        tuple(CurveMove(4000 + n * length, length, end) for n, end in enumerate(ends)),
    )


def run(
    eq: EqSettings, signal: NDArray[np.float64], sizes: tuple[int, ...] = (10**9,), at: int = 0
) -> NDArray[np.float64]:
    running = eq.start(RATE_HZ, signal.shape[1], at)
    parts, done, turn = [], 0, 0
    while done < len(signal):
        size = sizes[turn % len(sizes)]
        parts.append(running.process(signal[done : done + size].copy()))
        done, turn = done + size, turn + 1
    return np.concatenate(parts)


SWEPT = EqSettings(
    (
        BandSettings("bell", 100.0, 0.0, 10.0),
        BandSettings("low_pass", 1000.0, slope_db_per_oct=30, on="mid"),
        BandSettings("high_shelf", 5000.0, 4.0, on="side"),
        BandSettings("low_shelf", 150.0, -3.0),
    ),
    (
        BandRide(
            0,
            to_and_fro(20.0, 18000.0, 4),
            Curve("plain", 0.0, (CurveMove(900, 6000, 18.0, "smooth"),)),
        ),
        BandRide(1, to_and_fro(300.0, 15000.0, 3, 5000)),
    ),
)


@pytest.mark.parametrize("band", KINDS, ids=lambda band: f"{band.type} {band.freq_hz:g}")
def test_the_state_variable_form_is_the_same_filter(band: BandSettings) -> None:
    sections = design_moving_band(band, RATE_HZ)
    hz = np.geomspace(20, 20000, 100)
    for section, (g, k, through, band_pass, low_pass) in zip(
        sections, state_variable_rows(sections), strict=True
    ):
        _, wanted = scipy.signal.freqz(section[:3], [1.0, *section[3:]], worN=hz, fs=RATE_HZ)
        s = 1j * np.tan(np.pi * hz / RATE_HZ) / g
        found = through + (band_pass * s + low_pass) / (s * s + k * s + 1)
        assert found == pytest.approx(wanted, abs=1e-8)


@pytest.mark.parametrize("band", KINDS, ids=lambda band: f"{band.type} {band.freq_hz:g}")
def test_at_rest_it_is_the_static_section(band: BandSettings) -> None:
    arriving = Curve("octaves", band.freq_hz / 2, (CurveMove(0, 4800, band.freq_hz),))
    signal = noise(48000)
    found = run(EqSettings((band,), (BandRide(0, arriving),)), signal)[30000:]
    wanted = RunningCascade(design_moving_band(band, RATE_HZ), 2).process(signal.copy())[30000:]
    assert np.abs(found - wanted).max() < 1e-6 * np.abs(wanted).max()  # -120 dB


def test_a_band_that_never_moves_is_the_plain_one() -> None:
    band = BandSettings("bell", 15000.0, 9.0, 0.5)
    still = BandRide(0, Curve("octaves", 3000.0), Curve("plain", -4.0))
    moved = replace(band, freq_hz=3000.0, gain_db=-4.0)
    signal = noise()
    assert np.array_equal(
        run(EqSettings((band,), (still,)), signal), run(EqSettings((moved,)), signal)
    )


@pytest.mark.parametrize("band", KINDS, ids=lambda band: f"{band.type} {band.freq_hz:g}")
def test_on_the_way_it_is_the_analogue_filter_of_that_moment(band: BandSettings) -> None:
    # An octave in 20 s: within a quarter of a second it hardly moves, and rests nowhere.
    low = band.freq_hz * 2**-0.5
    slow = Curve("octaves", low, (CurveMove(0, 20 * RATE_HZ, 2 * low),))
    at = 10 * RATE_HZ
    impulse = np.zeros((12000, 2))
    impulse[0] = 1.0
    out = run(EqSettings((band,), (BandRide(0, slow),)), impulse, at=at)[:, 0]
    hz = np.fft.rfftfreq(12000, 1 / RATE_HZ)
    found = 20 * np.log10(np.abs(np.fft.rfft(out)) + 1e-12)
    now = replace(band, freq_hz=float(slow.values(at + STEP, 1)[0]))
    wanted = analogue_response_db(now, hz)
    kept = (hz > 20) & (hz < 16000) & (wanted > -30)
    if band.type == "notch":
        kept &= (hz < 4000) & (wanted > -12)
    # A single section, off by 0.3 dB for these at most, and 1/100 of an octave of movement.
    assert found[kept] == pytest.approx(wanted[kept], abs=0.7)


@pytest.mark.parametrize("sizes", [(512, 1, 77), (STEP - 1, STEP + 1), (4096,)])
def test_any_block_size_gives_the_same_bits(sizes: tuple[int, ...]) -> None:
    signal = noise()
    assert np.array_equal(run(SWEPT, signal, sizes), run(SWEPT, signal))


def test_a_part_of_the_song_moves_as_the_whole_does() -> None:
    # Started late, or before the song: once settled, every sample is the same.
    signal = noise(40000)
    whole = run(SWEPT, signal)
    assert run(SWEPT, signal[7001:], at=7001)[25000:] == pytest.approx(whole[32001:], abs=1e-12)
    early = run(SWEPT, np.concatenate([np.zeros((777, 2)), signal]), at=-777)
    assert np.array_equal(early[777:], whole)


@pytest.mark.parametrize("gain_db", [-18.0, 18.0])
def test_fast_sweeps_stay_bounded(gain_db: float) -> None:
    # 20 Hz to 18 kHz in 50 ms and back, Q 10: no louder than the boost at rest would be.
    eq = EqSettings(
        (BandSettings("bell", 20.0, gain_db, 10.0),), (BandRide(0, to_and_fro(20.0, 18000.0, 16)),)
    )
    time = np.arange(48000) / RATE_HZ
    for hz in (50.0, 1000.0, 9000.0):
        tone = np.sin(2 * np.pi * hz * time)[:, None].copy()
        out = run(eq, tone)
        assert np.isfinite(out).all()
        assert np.abs(out).max() < 10.0 ** (18.0 / 20.0)
    # And what is left in it dies away while it goes on moving.
    burst = np.concatenate([noise(8000, 1), np.zeros((40000, 1))])
    out = run(eq, burst)
    assert np.abs(out[-4000:]).max() < 1e-6 * np.abs(out).max()


def test_energy_never_grows_by_itself_whatever_moves() -> None:
    # The law of the trapezoidal form: tuning and damping at random, a new pair every 16 samples.
    from mixwright.dsp.kernels.sweep import run_sweep

    chance = np.random.default_rng(8)
    points = np.stack(
        [10 ** chance.uniform(-3, 1.5, 400), 10 ** chance.uniform(-3, 1, 400), *np.ones((3, 400))],
        axis=1,
    )
    state = np.array([[1.0], [-0.7]])
    energies = [float((state**2).sum())]
    for sample in range(16 * 399):
        run_sweep(points[sample // 16 :], 16, sample % 16, state, np.zeros((1, 1)), 0, 1)
        energies.append(float((state**2).sum()))
    assert (np.diff(energies) <= 1e-15).all()
    assert energies[-1] < 1e-3


@pytest.mark.parametrize(
    ("band", "curve"),
    [
        (BandSettings("bell", 20.0, 18.0, 10.0), to_and_fro(20.0, 18000.0, 8)),
        (BandSettings("bell", 100.0, 6.0, 1.0), to_and_fro(100.0, 5000.0, 3, 9600)),
        (BandSettings("low_pass", 200.0, slope_db_per_oct=24), to_and_fro(200.0, 18000.0, 8)),
    ],
    ids=["narrow bell", "wide bell", "low_pass"],
)
def test_a_sweep_does_not_click(band: BandSettings, curve: Curve) -> None:
    # A full-scale tone at 200 Hz: what appears above 16 kHz is clicks. Measured: -103 dB at most;
    # the same sections switched every 256 samples give -58 to -5 dB.
    tone = np.sin(2 * np.pi * 200 * np.arange(40000) / RATE_HZ)[:, None].copy()
    swept = run(EqSettings((band,), (BandRide(0, curve),)), tone)
    assert above_16_khz_db(swept) < -90.0
    switched, running = tone.copy(), RunningCascade(design_moving_band(band, RATE_HZ), 1)
    for at in range(0, len(tone), STEP):
        now = replace(band, freq_hz=float(curve.values(at, 1)[0]))
        running.sections = np.array(design_moving_band(now, RATE_HZ))
        running.process(switched[at : at + STEP])
    assert above_16_khz_db(switched) > -70.0


def test_a_gain_ride_of_36_db_in_10_ms_does_not_click() -> None:
    leap = Curve("plain", -18.0, (CurveMove(8000, 480, 18.0), CurveMove(20000, 480, -18.0)))
    tone = np.sin(2 * np.pi * 200 * np.arange(40000) / RATE_HZ)[:, None].copy()
    for kind in ("bell", "high_shelf"):
        eq = EqSettings((BandSettings(kind, 1000.0, 0.0, 0.7),), (BandRide(0, None, leap),))
        assert above_16_khz_db(run(eq, tone)) < -70.0


def above_16_khz_db(signal: NDArray[np.float64]) -> float:
    """The highest peak above 16 kHz, re full scale."""
    sos = scipy.signal.butter(10, 16000, "high", fs=RATE_HZ, output="sos")
    peak = np.abs(scipy.signal.sosfilt(sos, signal, axis=0)[2000:-2000]).max()
    return float(20 * np.log10(peak))


def test_silence_stays_silence_and_ends_in_it() -> None:
    assert not run(SWEPT, np.zeros((30000, 2))).any()
    # Long after the sound nothing is left, not even numbers too small to be quick.
    burst = np.concatenate([noise(1000), np.zeros((60000, 2))])
    eq = EqSettings(
        (BandSettings("bell", 300.0, 6.0),), (BandRide(0, to_and_fro(300.0, 3000.0, 2)),)
    )
    assert not run(eq, burst)[-1000:].any()


def test_a_gain_that_rests_at_nothing_changes_nothing() -> None:
    gain = Curve("plain", 0.0, (CurveMove(20000, 500, 6.0),))
    signal = noise(30000)
    out = run(EqSettings((BandSettings("bell", 9000.0, 3.0),), (BandRide(0, None, gain),)), signal)
    assert out[: 20000 - STEP] == pytest.approx(signal[: 20000 - STEP], abs=1e-15)
    assert np.abs(out - signal)[21000:].max() > 0.01
    # A frequency that moves with no gain to go with it is left out, bit for bit.
    idle = EqSettings(
        (BandSettings("bell", 100.0, 0.0),), (BandRide(0, to_and_fro(20.0, 900.0, 2)),)
    )
    assert np.array_equal(run(idle, signal), signal)


def test_the_tail_is_long_enough() -> None:
    eq = EqSettings(
        (BandSettings("bell", 60.0, 12.0, 8.0),), (BandRide(0, to_and_fro(60.0, 9000.0, 2)),)
    )
    tail = eq.start(RATE_HZ, 2).tail
    out = run(eq, np.concatenate([noise(15000), np.zeros((tail + 4000, 2))]))
    assert np.abs(out[15000 + tail :]).max() < 1e-3 * np.abs(out).max()


def test_mid_and_side_are_filtered_by_themselves() -> None:
    bands = (
        BandSettings("bell", 400.0, 6.0, on="mid"),
        BandSettings("high_shelf", 9000.0, -5.0, on="side"),
        BandSettings("low_pass", 9000.0, slope_db_per_oct=36, on="side"),
        BandSettings("bell", 2000.0, 0.0, on="side"),
        BandSettings("low_shelf", 90.0, 4.0),
    )
    signal = noise()
    mid, side = (signal[:, :1] + signal[:, 1:]) / 2, (signal[:, :1] - signal[:, 1:]) / 2
    mid, side = (
        run(EqSettings(tuple(replace(b, on="both") for b in bands if b.on in ("both", on))), part)
        for on, part in (("mid", mid), ("side", side))
    )
    wanted = np.concatenate([mid + side, mid - side], axis=1)
    assert run(EqSettings(bands), signal) == pytest.approx(wanted, abs=1e-13)
    # The same bits from a block that is a slice of something wider.
    wide = np.zeros((len(signal), 3))
    wide[:, :2] = signal
    sliced = EqSettings(bands).start(RATE_HZ, 2).process(wide[:, :2])
    assert sliced == pytest.approx(wanted, abs=1e-13)


def test_a_moving_band_on_side_leaves_mid_alone() -> None:
    eq = EqSettings(
        (BandSettings("low_pass", 300.0, on="side"),), (BandRide(0, to_and_fro(300.0, 9000.0, 3)),)
    )
    signal = noise()
    out = run(eq, signal)
    assert out.sum(axis=1) == pytest.approx(signal.sum(axis=1), abs=1e-15)
    alone = EqSettings((replace(eq.bands[0], on="both"),), eq.rides)
    side = run(alone, signal[:, :1] - signal[:, 1:])[:, 0]
    assert out[:, 0] - out[:, 1] == pytest.approx(side, abs=1e-14)
    # What has no side stays without one.
    mono = np.repeat(signal[:, :1], 2, axis=1)
    assert np.array_equal(run(eq, mono), mono)


def test_bands_on_both_are_unchanged_by_neighbours_that_do_nothing() -> None:
    plain = (BandSettings("bell", 900.0, 4.0), BandSettings("high_pass", 60.0))
    idle = BandSettings("bell", 900.0, 0.0, on="mid")
    signal = noise()
    with_idle = EqSettings((plain[0], idle, plain[1]))
    assert np.array_equal(run(with_idle, signal), run(EqSettings(plain), signal))


def test_what_makes_no_sense_is_refused() -> None:
    bell, notch = BandSettings("bell", 500.0, 3.0), BandSettings("notch", 500.0)
    gain = Curve("plain", 0.0, (CurveMove(0, 10, 6.0),))
    with pytest.raises(ValueError, match="one channel"):
        EqSettings((replace(bell, on="side"),)).start(RATE_HZ, 1)
    with pytest.raises(ValueError, match="no band 1"):
        EqSettings((bell,), (BandRide(1, None, gain),))
    with pytest.raises(ValueError, match="two rides"):
        EqSettings((bell,), (BandRide(0, None, gain), BandRide(0, None, gain)))
    with pytest.raises(ValueError, match="notch has no gain_db"):
        EqSettings((notch,), (BandRide(0, None, gain),))
    with pytest.raises(ValueError, match="freq_hz rides to 5"):
        BandRide(0, Curve("octaves", 500.0, (CurveMove(0, 10, 5.0),)))
    with pytest.raises(ValueError, match="gain_db rides to 30"):
        BandRide(0, None, Curve("plain", 30.0))
    with pytest.raises(ValueError, match="as gains"):
        BandRide(0, None, Curve("dB", 0.0))
    with pytest.raises(ValueError, match="expected both, mid or side"):
        replace(bell, on="left")
