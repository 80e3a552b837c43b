"""The compressor against Giannoulis, Massberg, Reiss (JAES 60(6), 2012), pedalboard and a twin."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pedalboard
import pytest
from hypothesis import Phase, given
from hypothesis import settings as examples
from hypothesis import strategies as st
from numpy.typing import NDArray

from mixwright.dsp.compressor import CompressorSettings, time_coefficient
from mixwright.dsp.reduction import GainReduction, Tally
from static_curves import static_curve_db

# Output in dB by eq. 4 of the paper for (threshold, ratio, knee), exact.
INPUTS = (-30, -23, -22, -20, -18, -17, -14, -10, 0)
CURVES = {
    (-20.0, 2.0, 6.0): (-30, -23.0, -22.0417, -20.375, -19.0417, -18.5, -17, -15, -10),
    (-20.0, 4.0, 0.0): (-30, -23, -22, -20, -19.5, -19.25, -18.5, -17.5, -15),
    (-20.0, 4.0, 12.0): (-30, -23.28125, -22.5, -21.125, -20.0, -19.53125, -18.5, -17.5, -15),
}
CASES = [(key, x, out) for key, row in CURVES.items() for x, out in zip(INPUTS, row, strict=True)]


RATE_HZ = 48000


def twin(
    block: NDArray[np.float64],
    settings: CompressorSettings,
    rate_hz: int,
    key: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """The same compressor, slow and readable; without filters on its detector."""
    attack = time_coefficient(settings.attack_ms, rate_hz)
    release = time_coefficient(settings.release_ms, rate_hz)
    average = time_coefficient(settings.rms_ms, rate_hz)
    link, mix = settings.link_percent / 100, settings.mix_percent / 100
    ahead, channels = round(settings.look_ahead_ms * rate_hz / 1000), block.shape[1]
    heard = block if key is None else key
    delayed = np.concatenate([np.zeros((ahead, channels)), block])[: len(block)]
    mean_square, reduction, out = np.zeros(heard.shape[1]), np.zeros(channels), delayed.copy()
    for level, frame in zip(heard, out, strict=True):
        levels = np.abs(level)
        if settings.detector == "rms":
            mean_square = average * mean_square + (1 - average) * level**2
            levels = np.sqrt(mean_square)
        if len(levels) != channels:
            levels = np.full(channels, levels.max())
        levels_db = [20 * math.log10(max(value, 1e-30)) for value in levels]
        wanted = np.array([db - static_curve_db(settings, db) for db in levels_db])
        wanted += link * (wanted.max() - wanted)
        a = np.where(wanted > reduction, attack, release)
        reduction = a * reduction + (1 - a) * wanted
        frame *= 1 - mix * (1 - 10 ** (-reduction / 20))
    return out


@pytest.mark.parametrize(("key", "level_db", "expected_db"), CASES)
def test_static_curve(key: tuple[float, float, float], level_db: float, expected_db: float) -> None:
    settings = CompressorSettings(key[0], key[1], 1.0, 10.0, key[2])
    assert static_curve_db(settings, level_db) == pytest.approx(expected_db, abs=5e-5)


@pytest.mark.parametrize(("key", "level_db", "expected_db"), CASES)
def test_a_steady_level_settles_on_the_curve(
    key: tuple[float, float, float], level_db: float, expected_db: float
) -> None:
    settings = CompressorSettings(key[0], key[1], 1.0, 5.0, key[2])
    block = np.full((24000, 2), 10 ** (level_db / 20))
    out = settings.start(48000, 2).process(block)
    assert 20 * math.log10(out[-1, 0]) == pytest.approx(expected_db, abs=1e-4)


def test_attack_and_release_reach_63_percent_in_their_time() -> None:
    # A step that asks for 10 dB: 6.3212 dB after tau_A; after its end 3.6788 dB at tau_R.
    settings = CompressorSettings(-20.0, 2.0, attack_ms=10.0, release_ms=100.0, knee_db=0.0)
    loud, quiet = np.full((48000, 1), 1.0), np.full((9600, 1), 10 ** (-30 / 20))
    running = settings.start(48000, 1)
    out = running.process(np.concatenate([loud, quiet]))
    reduction = -20 * np.log10(out[:, 0] / np.concatenate([loud, quiet])[:, 0])
    assert reduction[479] == pytest.approx(6.3212, abs=1e-3)
    assert reduction[1439] == pytest.approx(9.5021, abs=1e-3)
    assert reduction[48000 + 4799] == pytest.approx(3.6788, abs=1e-3)
    assert running.reduction.max_db == pytest.approx(10.0, abs=1e-3)


@given(
    st.floats(-50, -5),
    st.floats(1, 20),
    st.floats(0.5, 40),
    st.floats(5, 300),
    st.floats(0, 20),
    st.integers(0, 99),
)
def test_the_compiled_loop_is_its_readable_twin(
    threshold: float, ratio: float, attack: float, release: float, knee: float, seed: int
) -> None:
    settings = CompressorSettings(threshold, ratio, attack, release, knee)
    block = np.random.default_rng(seed).standard_normal((1500, 2)) * 0.3
    block[500:900] *= 0.001
    out = settings.start(48000, 2).process(block.copy())
    assert np.abs(out - twin(block, settings, 48000)).max() <= 5e-8


@given(st.floats(-60, 0), st.floats(1, 100), st.floats(0, 40), st.floats(-80, 10))
def test_the_curve_rises_and_never_adds_level(
    threshold: float, ratio: float, knee: float, level: float
) -> None:
    settings = CompressorSettings(threshold, ratio, knee_db=knee)
    out = static_curve_db(settings, level)
    assert out <= level + 1e-9
    assert static_curve_db(settings, level + 0.1) >= out - 1e-9


def test_below_the_threshold_every_bit_is_left_alone() -> None:
    block = np.random.default_rng(1).uniform(-0.01, 0.01, (5000, 2))
    assert np.array_equal(
        CompressorSettings(-30.0, 4.0).start(48000, 2).process(block.copy()), block
    )


def test_channels_are_linked() -> None:
    block = np.column_stack([np.full(48000, 0.5), np.full(48000, 0.005)])
    out = CompressorSettings(-20.0, 4.0, 1.0, 50.0).start(48000, 2).process(block.copy())
    assert out[-1, 0] / block[-1, 0] == pytest.approx(out[-1, 1] / block[-1, 1])


def test_the_detector_high_pass_makes_it_deaf_to_lows() -> None:
    low = (0.5 * np.sin(2 * np.pi * 40 / 48000 * np.arange(48000)))[:, None]
    plain = CompressorSettings(-20.0, 4.0).start(48000, 1)
    passed = CompressorSettings(-20.0, 4.0, detector_high_pass_hz=400.0).start(48000, 1)
    plain.process(low.copy())
    passed.process(low.copy())
    assert plain.reduction.max_db > 6.0
    assert passed.reduction.max_db == 0.0


@pytest.mark.parametrize("level_db", [-30.0, -20.0, -12.0, -6.0, 0.0])
def test_a_steady_level_comes_out_as_from_pedalboard(level_db: float) -> None:
    # pedalboard's compressor has a hard knee and works on a peak level too, so that a steady level
    # settles on the same curve. It differs in its ballistics, which is why only that is compared:
    # it smooths the level rather than the reduction in dB, its attack_ms is 2 pi time constants
    # (63 % of a step after 1.59 ms for 10 ms), and it has no link between channels.
    theirs = pedalboard.Compressor(threshold_db=-20, ratio=4, attack_ms=1, release_ms=100)
    steady = np.full((1, RATE_HZ), 10 ** (level_db / 20), dtype=np.float32)
    settings = CompressorSettings(-20.0, 4.0, 1.0, 100.0, knee_db=0.0)
    ours = settings.start(RATE_HZ, 1).process(steady.T.astype(np.float64))
    expected = float(theirs(steady, RATE_HZ)[0, -1])
    assert 20 * math.log10(ours[-1, 0] / expected) == pytest.approx(0.0, abs=1e-3)


@examples(max_examples=40, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    st.sampled_from(["peak", "rms"]),
    st.floats(1, 50),
    st.floats(0, 100),
    st.floats(0, 5),
    st.floats(0, 100),
    st.sampled_from([None, 1, 2]),
    st.sampled_from([1, 2]),
    st.integers(0, 99),
)
def test_every_kind_of_detector_is_its_readable_twin(
    detector: Any,
    rms_ms: float,
    link: float,
    look_ahead: float,
    mix: float,
    key_channels: int | None,
    channels: int,
    seed: int,
) -> None:
    settings = CompressorSettings(
        *(-24.0, 5.0, 2.0, 60.0, 9.0),
        detector=detector,
        rms_ms=rms_ms,
        link_percent=link,
        look_ahead_ms=look_ahead,
        mix_percent=mix,
    )
    random = np.random.default_rng(seed)
    block = random.standard_normal((1300, channels)) * [0.5, 0.1][:channels]
    block[500:900] *= 0.001
    key = None if key_channels is None else random.standard_normal((1300, key_channels)) * 0.3
    out = settings.start(RATE_HZ, channels).process(block.copy(), key)
    assert np.abs(out - twin(block, settings, RATE_HZ, key)).max() <= 5e-8


VARIANTS: list[dict[str, Any]] = [
    {"detector": "rms"},
    {"link_percent": 0.0},
    {"detector": "rms", "link_percent": 30.0, "look_ahead_ms": 1.7, "mix_percent": 40.0},
    {"look_ahead_ms": 20.0, "detector_high_pass_hz": 100.0, "detector_low_pass_hz": 4000.0},
]


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("keyed", [False, True])
def test_blocks_of_any_size_give_the_same_bits_and_readings(
    variant: dict[str, Any], keyed: bool
) -> None:
    settings = CompressorSettings(-30.0, 4.0, 3.0, 40.0, **variant)
    block = np.random.default_rng(2).standard_normal((9000, 2)) * 0.2
    block[3000:6000] *= 1e-5
    key = block[::-1].copy()
    whole, pieces = settings.start(RATE_HZ, 2), settings.start(RATE_HZ, 2)
    expected = whole.process(block.copy(), key if keyed else None)
    parts, tally = [], Tally(0, 0, 0.0, 0.0, 0.0)
    for at in [*range(0, 600), *range(600, 9000, 700)]:
        end = at + 1 if at < 600 else min(at + 700, 9000)
        pieces.forget_readings()
        parts.append(pieces.process(block[at:end].copy(), key[at:end] if keyed else None))
        tally = tally.joined(pieces.tally)
    assert np.array_equal(np.concatenate(parts), expected)
    assert not settings.start(RATE_HZ, 2).process(np.zeros((2000, 2))).any()
    assert tally.frames == whole.tally.frames == 9000
    assert tally.active_frames == whole.tally.active_frames
    assert tally.reading.max_db == whole.reduction.max_db
    assert tally.reading.min_db == whole.reduction.min_db
    assert tally.reading.mean_db == pytest.approx(whole.reduction.mean_db)


def test_the_rms_detector_attacks_and_releases_in_its_time() -> None:
    # The mean square adds its own 1 ms: that is within 3 % of attack and release here.
    settings = CompressorSettings(-40.0, 2.0, 200.0, 400.0, knee_db=0.0, detector="rms", rms_ms=1.0)
    signal = np.concatenate([np.full(96000, 1.0), np.full(96000, 0.01)])[:, None]
    out = settings.start(RATE_HZ, 1).process(signal.copy())
    reduction = -20 * np.log10(out[:, 0] / signal[:, 0])
    assert np.argmax(reduction >= 20 * (1 - 1 / math.e)) / 48 == pytest.approx(200.0, rel=0.03)
    assert np.argmax(reduction[96000:] <= 20 / math.e) / 48 == pytest.approx(400.0, rel=0.03)


def test_the_mean_square_reaches_63_percent_in_its_time() -> None:
    settings = CompressorSettings(-80.0, 100.0, 0.05, 5.0, 0.0, detector="rms", rms_ms=50.0)
    out = settings.start(RATE_HZ, 1).process(np.full((24000, 1), 1.0))
    level_db = -20 * np.log10(out[:, 0]) / 0.99 - 80
    reached = np.argmax(10 ** (level_db / 10) >= 1 - 1 / math.e)
    assert reached / 48 == pytest.approx(50.0, rel=0.03)


def test_a_full_scale_sine_reads_3_db_less_than_its_peak_in_rms() -> None:
    sine = np.sin(2 * np.pi * 1000 / RATE_HZ * np.arange(96000))[:, None]
    settings = CompressorSettings(-20.0, 100.0, 10.0, 10.0, 0.0, detector="rms", rms_ms=300.0)
    running = settings.start(RATE_HZ, 1)
    running.process(sine[:72000].copy())
    running.forget_readings()
    running.process(sine[72000:].copy())
    # 99 % of the 16.9897 dB that it is over the threshold.
    assert running.reduction.mean_db == pytest.approx(0.99 * 16.9897, abs=0.05)


def test_look_ahead_is_its_latency_and_turns_down_before_the_step() -> None:
    settings = CompressorSettings(-20.0, 4.0, 1.0, 100.0, look_ahead_ms=3.3)
    quiet = np.random.default_rng(4).uniform(-0.01, 0.01, (4000, 2))
    running = settings.start(RATE_HZ, 2)
    assert running.latency == 158  # 158.4 to the nearest sample
    out = running.process(quiet.copy())
    assert not out[:158].any()
    assert np.array_equal(out[158:], quiet[:-158])
    step = np.concatenate([np.full((1000, 1), 0.01), np.full((3000, 1), 1.0)])
    out = settings.start(RATE_HZ, 1).process(step.copy())
    assert out[999, 0] == 0.01
    assert out[1000, 0] < 0.01
    assert out[1000 + 157, 0] < 0.01 * 10 ** (-13 / 20)
    assert out[1000 + 158, 0] < 10 ** (-13 / 20)


def test_a_mix_of_0_is_the_dry_sound_to_the_bit_and_50_is_half_way() -> None:
    block = np.random.default_rng(5).standard_normal((5000, 2)) * 0.3
    wet, none, half = (
        CompressorSettings(-30.0, 4.0, look_ahead_ms=1.0, mix_percent=mix)
        .start(RATE_HZ, 2)
        .process(block.copy())
        for mix in (100.0, 0.0, 50.0)
    )
    dry = np.concatenate([np.zeros((48, 2)), block[:-48]])
    assert np.array_equal(none, dry)
    assert half == pytest.approx((dry + wet) / 2, abs=1e-15)


def test_unlinked_channels_do_not_hear_one_another() -> None:
    block = np.column_stack([np.full(24000, 0.5), np.full(24000, 0.005)])
    apart = CompressorSettings(-20.0, 4.0, 1.0, 50.0, link_percent=0.0).start(RATE_HZ, 2)
    out = apart.process(block.copy())
    assert np.array_equal(out[:, 1], block[:, 1])
    alone = CompressorSettings(-20.0, 4.0, 1.0, 50.0).start(RATE_HZ, 1)
    assert out[:, :1] == pytest.approx(alone.process(block[:, :1].copy()), abs=1e-14)
    # Of two channels, the larger reduction is the reading.
    assert apart.reduction.max_db == pytest.approx(alone.reduction.max_db)
    assert apart.reduction.mean_db == pytest.approx(alone.reduction.mean_db)


def test_half_linked_channels_meet_half_way() -> None:
    block = np.column_stack([np.full(24000, 0.5), np.full(24000, 0.005)])
    half = CompressorSettings(-20.0, 4.0, 1.0, 50.0, link_percent=50.0).start(RATE_HZ, 2)
    reduction = -20 * np.log10(half.process(block.copy())[-1] / block[-1])
    assert reduction[1] == pytest.approx(reduction[0] / 2, abs=1e-6)


def test_the_detector_low_pass_makes_it_deaf_to_highs() -> None:
    high = (0.5 * np.sin(2 * np.pi * 10000 / 48000 * np.arange(24000)))[:, None]
    plain = CompressorSettings(-20.0, 4.0).start(RATE_HZ, 1)
    passed = CompressorSettings(-20.0, 4.0, detector_low_pass_hz=1000.0).start(RATE_HZ, 1)
    plain.process(high.copy())
    passed.process(high.copy())
    assert plain.reduction.max_db > 6.0
    assert passed.reduction.max_db == 0.0


@pytest.mark.parametrize("variant", [{}, {"link_percent": 0.0}, {"detector": "rms"}])
def test_a_key_drives_it_whatever_its_channels(variant: dict[str, Any]) -> None:
    quiet, loud = np.full((9600, 2), 0.001), np.full((9600, 1), 0.9)
    settings = CompressorSettings(-20.0, 4.0, 1.0, 50.0, **variant)
    by_mono = settings.start(RATE_HZ, 2).process(quiet.copy(), loud)
    by_stereo = settings.start(RATE_HZ, 1).process(quiet[:, :1].copy(), loud * [[0.1, 1.0]])
    assert by_mono[-1] == pytest.approx(0.001 * 10 ** (-0.75 * 19.0849 / 20), rel=1e-4)
    assert np.array_equal(by_mono[:, :1], by_stereo)
    assert np.array_equal(loud, np.full((9600, 1), 0.9))


def test_readings_are_least_mean_most_and_share() -> None:
    running = CompressorSettings(-20.0, 100.0, 0.05, 5.0, 0.0).start(RATE_HZ, 1)
    assert running.reduction == GainReduction(0.0, 0.0, 0.0, 0.0)
    running.process(np.full((4800, 1), 1.0))
    running.forget_readings()
    assert running.tally == Tally(0, 0, 0.0, 0.0, 0.0)
    running.process(np.full((4800, 1), 1.0))
    reading = running.reduction
    assert reading.min_db == pytest.approx(19.8, abs=1e-6)
    assert reading.mean_db == pytest.approx(19.8, abs=1e-6)
    assert reading.active_share == 1.0
    running.process(np.zeros((4800, 1)))
    assert running.reduction.min_db == 0.0
    assert running.reduction.max_db == pytest.approx(19.8, abs=1e-6)


def test_a_detector_of_another_name_is_refused() -> None:
    with pytest.raises(ValueError, match="detector is 'loudness', expected one of peak, rms"):
        CompressorSettings(-20.0, 2.0, detector="loudness")  # type: ignore[arg-type]
