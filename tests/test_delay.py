"""Delays: times, repeats, ping-pong and ducking, against plain arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from mixwright.dsp.delay import DelaySettings
from mixwright.dsp.sinc import HALF, fractional_taps

RATE_HZ = 48000
Samples = NDArray[np.float64]


def impulse(frames: int = 96000, left: float = 1.0, right: float = 1.0) -> Samples:
    block = np.zeros((frames, 2))
    block[0] = [left, right]
    return block


def repeats(settings: DelaySettings, block: Samples | None = None) -> Samples:
    return settings.start(RATE_HZ, 2).process(impulse() if block is None else block.copy())


def where(out: Samples, side: int, above: float = 1e-9) -> list[int]:
    return [int(at) for at in np.flatnonzero(np.abs(out[:, side]) > above)]


def test_a_slap_is_one_copy_with_its_spread() -> None:
    out = repeats(DelaySettings(95.0, spread_ms=12.0))
    assert (where(out, 0, 0.0), where(out, 1, 0.0)) == ([89 * 48], [101 * 48])
    assert out.max() == 1.0


def test_feedback_falls_by_its_level_each_time() -> None:
    out = repeats(DelaySettings(250.0, feedback_db=-9.0))
    at = where(out, 0)
    assert at == [12000 * k for k in range(1, 8)]
    assert 20 * np.log10(out[at, 0]) == pytest.approx([-9.0 * k for k in range(7)], abs=1e-9)


def response(settings: DelaySettings, hz: float, rate_hz: int, passes: int = 1) -> complex:
    """Output over input of a steady tone, through so many delays one after the other."""
    tone = np.exp(2j * np.pi * hz * np.arange(rate_hz // 4) / rate_hz)
    columns = np.ascontiguousarray(np.column_stack([tone.real, tone.imag]))
    for _ in range(passes):
        columns = settings.start(rate_hz, 2).process(columns)
    late = columns[rate_hz // 8 :]
    out = late[:, 0] + 1j * late[:, 1]
    return complex(np.mean(out / tone[rate_hz // 8 :]))


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
@pytest.mark.parametrize("time_ms", [1.0, 12.3456, 20.017])
def test_times_are_exact_to_a_hundredth_of_a_millisecond(rate_hz: int, time_ms: float) -> None:
    # A delay by t turns the phase of every frequency by -2 pi f t: plain arithmetic.
    for hz in (100.0, 1000.0, 5000.0, 10000.0, 16000.0):
        found = response(DelaySettings(time_ms), hz, rate_hz)
        away = np.angle(found * np.exp(2j * np.pi * hz * time_ms / 1000.0))
        assert abs(1000.0 * away / (2.0 * np.pi * hz)) < 0.001
        assert abs(20.0 * math.log10(abs(found))) < 0.05


def test_many_passes_do_not_dull() -> None:
    # The worst place is half way between samples.
    for hz in (1000.0, 10000.0, 16000.0):
        found = response(DelaySettings(100.5 / 44.1), hz, 44100, passes=20)
        assert abs(20.0 * math.log10(abs(found))) < 0.05


def test_the_taps_are_flat_and_have_their_delay_at_every_fraction() -> None:
    fractions = np.linspace(0.0, 0.99, 34)
    taps = fractional_taps(fractions)
    late = np.arange(HALF, -HALF, -1)
    for cycles in (0.01, 0.2, 0.36, 0.41):
        turned = np.exp(-2j * np.pi * cycles * late) @ taps.T
        wanted = np.exp(-2j * np.pi * cycles * fractions)
        assert np.abs(turned - wanted).max() < 3e-4
    assert taps[0].tolist() == [0.0] * HALF + [1.0] + [0.0] * (HALF - 1)


def test_a_later_time_takes_over_where_it_is_asked_to() -> None:
    settings = DelaySettings(100.0, later_times_ms=((1.0, 200.0),))
    block = np.zeros((96000, 2))
    block[[0, 60000]] = 1.0
    assert where(repeats(settings, block), 0, 0.5) == [4800, 69600]
    assert settings.begun_at(1.5) == DelaySettings(200.0)
    assert settings.begun_at(0.25).later_times_ms == ((0.75, 200.0),)


@pytest.mark.parametrize("settings", [{}, {"ping_pong": True}, {"spread_ms": 7.77}])
def test_a_move_does_not_click(settings: dict[str, float]) -> None:
    tone = np.sin(2.0 * np.pi * 150.0 * np.arange(96000) / RATE_HZ)
    moving = DelaySettings(100.03, later_times_ms=((1.0, 137.31),), **settings)  # type: ignore[arg-type]
    out = repeats(moving, np.column_stack([tone, tone]))
    steps = np.abs(np.diff(out[20000:], axis=0))
    assert steps.max() < 2.0 * np.abs(np.diff(tone)).max()


@pytest.mark.parametrize("size", [1, 31, 256, 5000])
@pytest.mark.parametrize(
    "settings",
    [
        DelaySettings(1.0, 1.3, -3.0),
        DelaySettings(37.77, 5.0, -6.0, 200.0, 3000.0, ((0.11, 50.0), (0.115, 20.01))),
        DelaySettings(21.3, 4.0, -4.0, 300.0, None, ((0.1, 30.0),), True, 12.0),
    ],
)
def test_any_blocks_give_the_same_bits(settings: DelaySettings, size: int) -> None:
    noise = np.random.default_rng(2).standard_normal((12000, 2))
    noise[3000:7000] = 0.0
    running = settings.start(RATE_HZ, 2)
    parts = [running.process(noise[at : at + size].copy()) for at in range(0, 12000, size)]
    assert np.array_equal(np.concatenate(parts), repeats(settings, noise))


def test_the_shortest_delays_take_the_widest_spread_as_far_as_they_can() -> None:
    out = repeats(DelaySettings(1.0, spread_ms=100.0, feedback_db=-6.0), impulse(9600))
    # The left head can come no nearer than its taps reach.
    assert where(out, 0)[0] == HALF
    assert where(out, 1)[0] == 48 * 51
    assert np.isfinite(out).all()


def test_ping_pong_repeats_left_and_right_in_turn() -> None:
    out = repeats(DelaySettings(100.0, feedback_db=-6.0, ping_pong=True))
    left, right = where(out, 0), where(out, 1)
    assert left == [4800 * k for k in range(1, 20, 2)]
    assert right == [4800 * k for k in range(2, 20, 2)]
    levels = 20.0 * np.log10(out.max(axis=1)[4800::4800])
    # A centred source is as loud as before: both sides at 1 make sqrt(2) on one.
    assert levels == pytest.approx(10 * math.log10(2.0) - 6.0 * np.arange(len(levels)), abs=1e-9)


def test_ping_pong_hears_both_sides_and_keeps_its_spread() -> None:
    for one_side in (impulse(right=0.0), impulse(left=0.0)):
        out = repeats(DelaySettings(100.0, ping_pong=True), one_side)
        assert where(out, 0) == [4800]
        assert not out[:, 1].any()
        assert out[4800, 0] == pytest.approx(math.sqrt(0.5))
    out = repeats(DelaySettings(100.0, 10.0, -6.0, ping_pong=True), impulse(20000))
    assert where(out, 0) == [95 * 48, 295 * 48]
    assert where(out, 1) == [200 * 48, 400 * 48]


def test_ping_pong_takes_no_mono() -> None:
    with pytest.raises(ValueError, match="stereo"):
        DelaySettings(100.0, ping_pong=True).start(RATE_HZ, 1)


def ducking_db(dry: Samples, duck_db: float = 12.0) -> Samples:
    """The gain in dB on the repeats of one side, over time."""
    both = np.column_stack([dry, dry])
    ducked = repeats(DelaySettings(1.0, duck_db=duck_db), both)[:, 0]
    plain = repeats(DelaySettings(1.0), both)[:, 0]
    # Nothing has come out yet at first.
    gains = np.concatenate([np.ones(48), ducked[48:] / plain[48:]])
    return np.asarray(20.0 * np.log10(gains))


def noise_at(*levels_db: float, seconds: float = 1.0) -> Samples:
    """Plus or minus one at a level for so long, then at the next: peaks are level for level."""
    random = np.random.default_rng(1)
    parts = [
        10.0 ** (level / 20.0) * random.choice([-1.0, 1.0], round(seconds * RATE_HZ))
        for level in levels_db
    ]
    return np.concatenate(parts)


@pytest.mark.parametrize(
    ("under_db", "expected_db"),
    [
        (0.0, -12.0),
        (9.5, -12.0),
        (12.5, -9.0),
        (15.0, -6.0),
        (17.5, -3.0),
        (20.5, 0.0),
        (40.0, 0.0),
    ],
)
def test_ducking_is_full_near_the_maximum_and_none_20_db_under_it(
    under_db: float, expected_db: float
) -> None:
    # The rule: full within 10 dB of the recent maximum, none 20 dB under it, straight in between.
    # The maximum falls by 8.69 dB in 3 s, so a second later it is 2.9 dB lower: taken off here.
    seconds = 1.0
    fallen_db = 20.0 * math.log10(math.e) * seconds / 3.0
    gain = ducking_db(noise_at(0.0, -under_db - fallen_db, seconds=seconds))
    assert gain[RATE_HZ - 10] == pytest.approx(-12.0, abs=0.01)
    # The gain follows in 250 ms, the wanted one rises by 3.5 dB a second meanwhile.
    assert gain[-1] == pytest.approx(expected_db, abs=1.1)


def test_ducking_falls_in_10_ms_and_comes_back_in_250() -> None:
    dry = noise_at(0.0, seconds=2.0)
    gain = ducking_db(dry)
    # 63 % of 12 dB after one time constant.
    assert gain[480] == pytest.approx(-12.0 * (1 - math.exp(-1)), abs=0.1)
    dry[RATE_HZ:] *= 1e-3
    back = ducking_db(dry)[RATE_HZ:]
    # The level takes 30 ms * ln(10) to be 20 dB down, the last 10 dB of which already count.
    begun, done = round(0.030 * math.log(10**0.5) * RATE_HZ), round(0.030 * math.log(10) * RATE_HZ)
    assert back[begun - 50] == pytest.approx(-12.0, abs=0.1)
    reached = back[done + round(0.25 * RATE_HZ)] / back[done]
    assert reached == pytest.approx(math.exp(-1), abs=0.02)
    assert abs(back[-1]) < 0.5


def test_ducking_does_not_depend_on_level() -> None:
    random = np.random.default_rng(4).standard_normal((30000, 2))
    random[10000:20000] *= 0.01
    settings = DelaySettings(50.0, feedback_db=-6.0, duck_db=9.0)
    loud, soft = repeats(settings, random), repeats(settings, random * 2.0**-30)
    assert np.array_equal(loud * 2.0**-30, soft)


def test_ducking_leaves_the_loop_and_silence_alone() -> None:
    settings = DelaySettings(100.0, feedback_db=-6.0)
    ducked = DelaySettings(100.0, feedback_db=-6.0, duck_db=20.0)
    # What went into the loop while ducked repeats at its full level once the send is silent.
    block = np.zeros((192000, 2))
    block[:24000] = np.random.default_rng(6).standard_normal((24000, 2))
    plain, quiet = repeats(settings, block), repeats(ducked, block)
    late = slice(120000, 130000)
    assert np.abs(quiet[late]).max() == pytest.approx(np.abs(plain[late]).max(), rel=0.02)
    assert np.sqrt(np.mean(quiet[6000:24000] ** 2)) < 0.15 * np.sqrt(
        np.mean(plain[6000:24000] ** 2)
    )
    assert not repeats(ducked, np.zeros((50000, 2))).any()
