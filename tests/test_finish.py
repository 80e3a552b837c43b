"""Finishing: level against libebur128 and pyloudnorm, limiter, cut, fades; the change of rate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyebur128
import pyloudnorm
import pytest
from numpy.typing import NDArray

from mixwright.delivering.convert import converted, converted_frames
from mixwright.delivering.finish import Cut, Levelling, cut_of, finished, level_to
from mixwright.dsp.limiter import LimiterSettings
from mixwright.meters import SoundMeter
from mixwright.problem import ProblemError

RATE_HZ = 48000
Samples = NDArray[np.float64]


@dataclass
class Sound:
    """A source from an array; one block's memory is the next one's, and none may be written to."""

    samples: Samples
    sizes: tuple[int, ...] = (65536,)
    rate_hz: int = RATE_HZ
    played: int = 0

    @property
    def frames(self) -> int:
        return len(self.samples)

    def blocks(self) -> Iterator[Samples]:
        self.played += 1
        room, at, turn = np.empty((max(self.sizes), 2)), 0, 0
        while at < self.frames:
            part = self.samples[at : at + self.sizes[turn % len(self.sizes)]]
            room[: len(part)] = part
            block = room[: len(part)]
            block.setflags(write=False)
            yield block
            at, turn = at + len(part), turn + 1


def joined(blocks: Iterator[Samples]) -> Samples:
    return np.concatenate([np.empty((0, 2)), *(block.copy() for block in blocks)])


def drums(seconds: float = 4.0, seed: int = 1) -> Samples:
    """Hits every 200 ms of unequal strength over a soft chord: far from its peaks in loudness."""
    random, at = np.random.default_rng(seed), np.arange(round(seconds * RATE_HZ))
    hits = random.standard_normal((len(at), 2)) * np.exp(-(at % 9600) / 900)[:, None]
    hits *= (0.4 + 0.6 * random.random(len(at) // 9600 + 1))[at // 9600, None]
    chord = np.sin(2 * np.pi / RATE_HZ * at[:, None] * [220, 277, 330]).sum(axis=1)
    return np.asarray(0.12 * hits + 0.03 * chord[:, None] * [1.0, 0.8])


def libebur128(samples: Samples, rate_hz: int = RATE_HZ) -> tuple[float, float]:
    """Integrated loudness (LUFS) and true peak (dBTP) by libebur128."""
    wanted = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    state = pyebur128.R128State(2, rate_hz, wanted)
    state.add_frames(np.ascontiguousarray(samples).reshape(-1), len(samples))
    peak = max(pyebur128.get_true_peak(state, side) for side in (0, 1))
    return pyebur128.get_loudness_global(state), 20.0 * np.log10(peak)


def metered(samples: Samples) -> tuple[float, float]:
    """The same by the project's meters."""
    meter = SoundMeter(RATE_HZ, 2)
    meter.feed(samples)
    found = meter.readings()
    return found.integrated_lufs, found.true_peak_dbtp


@pytest.mark.parametrize(
    ("target_lufs", "ceiling_dbtp", "limits"),
    [(-30.0, -1.0, False), (-14.0, None, False), (-16.0, -1.0, True), (-14.0, -2.0, True)],
)
def test_loudness_and_true_peak_are_those_asked_for(
    target_lufs: float, ceiling_dbtp: float | None, limits: bool
) -> None:
    source = Sound(drums(), (30000, 1, 5000))
    levelling = level_to(source, target_lufs, ceiling_dbtp)
    assert (levelling.limiter is not None) == limits == (levelling.reduction_db > 0.0)
    assert source.played <= (5 if limits else 1)
    out = joined(finished(source, levelling, Cut(0, source.frames)))
    assert len(out) == source.frames
    # Ours, libebur128, and pyloudnorm, whose weighting reads noise 0.04 LU lower than theirs.
    lufs, dbtp = metered(out)
    their_lufs, their_dbtp = libebur128(out)
    assert lufs == pytest.approx(target_lufs, abs=0.011)
    assert their_lufs == pytest.approx(target_lufs, abs=0.05)
    other = pyloudnorm.Meter(RATE_HZ).integrated_loudness(out)
    assert other == pytest.approx(target_lufs, abs=0.06)
    if ceiling_dbtp is not None:
        assert dbtp <= ceiling_dbtp
        assert their_dbtp <= ceiling_dbtp


def test_what_was_taken_is_the_most_that_the_limiter_took() -> None:
    source = Sound(drums())
    levelling = level_to(source, -15.0, -1.0)
    assert levelling.limiter is not None
    limiter = levelling.limiter.start(RATE_HZ, 2)
    limiter.process(source.samples * 10 ** (levelling.gain_db / 20))
    assert levelling.reduction_db == limiter.reduction.max_db
    assert levelling.reduction_db > 3.0


def test_it_is_what_is_kept_that_has_the_loudness() -> None:
    samples = drums()
    samples[2 * RATE_HZ :] *= 0.25
    source, cut = Sound(samples), Cut(31000, 3 * RATE_HZ)
    levelling = level_to(source, -16.0, -1.0, cut, 0.3, 0.8)
    out = joined(finished(source, levelling, cut, 0.3, 0.8))
    assert libebur128(out)[0] == pytest.approx(-16.0, abs=0.05)


def test_a_peak_limit_alone_leaves_the_gain() -> None:
    levelling = level_to(Sound(drums()), None, -12.0)
    assert levelling.gain_db == 0.0
    assert levelling.limiter is not None
    assert level_to(Sound(drums()), None, 0.0) == Levelling()


def test_a_cut_through_a_loud_tone_does_not_raise_it_over_the_limit() -> None:
    # An edge rings between the samples, which the limiter, before the cut, knows nothing of.
    tone = np.sin(2 * np.pi * 100 / RATE_HZ * np.arange(RATE_HZ))
    tone[2400:] *= 0.4
    source, cut = Sound(np.column_stack([tone, tone])), Cut(120, 48000)
    levelling = level_to(source, -9.0, -1.0, cut)
    assert levelling.limiter is not None
    assert levelling.limiter.ceiling_dbtp < -1.1
    lufs, dbtp = metered(joined(finished(source, levelling, cut)))
    assert lufs == pytest.approx(-9.0, abs=0.011)
    assert dbtp <= -1.0


def test_a_gain_lets_more_through_the_absolute_gate() -> None:
    # Half of it is at -71 LUFS: under the gate, until it is turned up.
    tone = np.sin(2 * np.pi * 997 / RATE_HZ * np.arange(4 * RATE_HZ))
    tone *= np.where(np.arange(len(tone)) < 2 * RATE_HZ, 1.0, 0.6) * 10 ** (-66.8 / 20)
    source = Sound(np.column_stack([tone, tone]))
    levelling = level_to(source, -20.0, -1.0)
    assert abs(levelling.gain_db - (-20.0 - metered(source.samples)[0])) > 0.5
    out = joined(finished(source, levelling, Cut(0, source.frames)))
    assert libebur128(out)[0] == pytest.approx(-20.0, abs=0.05)


@pytest.mark.parametrize("frames", [0, 1000, RATE_HZ])
def test_silence_is_left_alone(frames: int) -> None:
    assert level_to(Sound(np.zeros((frames, 2))), -14.0, -1.0) == Levelling()


def test_a_sound_too_short_for_a_loudness_keeps_its_gain_and_its_limit() -> None:
    source = Sound(drums(0.3) * 8.0)
    levelling = level_to(source, -14.0, -1.0)
    assert levelling.gain_db == 0.0
    out = joined(finished(source, levelling, Cut(0, source.frames)))
    assert metered(source.samples)[1] > 0.0
    assert libebur128(out)[1] <= -1.0


@pytest.mark.parametrize(("target_lufs", "played"), [(-2.0, 1), (-8.8, 6)])
def test_what_a_limiter_should_not_reach_is_refused(target_lufs: float, played: int) -> None:
    source = Sound(drums())
    with pytest.raises(ProblemError) as refused:
        level_to(source, target_lufs, -1.0)
    (problem,) = refused.value.problems
    assert problem.rule == "deliver/out-of-reach"
    lufs, dbtp = metered(source.samples)
    assert problem.message.startswith(
        f"a mix at {lufs:.1f} LUFS and {dbtp:.1f} dBTP can't be had at {target_lufs:.1f} LUFS "
        "under -1.0 dBTP: the limiter would take "
    )
    assert problem.message.endswith(" dB or more, expected 12 dB at most")
    assert problem.help == "lower integrated_lufs or raise true_peak_dbtp"
    assert source.played <= played


def test_a_limit_lower_than_the_limiter_s_is_refused() -> None:
    with pytest.raises(ProblemError) as refused:
        level_to(Sound(drums()), None, -21.0)
    (problem,) = refused.value.problems
    assert problem.message.endswith(
        " dBTP can't be had under -21.0 dBTP: the limiter goes down to -20 dBTP"
    )
    assert problem.help == "raise true_peak_dbtp"


def beep(frames: int, first: int, last: int, level: float = 0.5) -> Samples:
    samples = np.full((frames, 2), 10 ** (-71 / 20))
    samples[first:last, 1] = level
    return samples


def test_the_cut_is_counted_from_the_first_and_last_sound() -> None:
    source = Sound(beep(96000, 30000, 70000), (512, 7))
    assert cut_of(source, 0.5, 0.25) == Cut(30000 - 24000, 70000 + 12000)
    assert cut_of(source, 1.0, 1.0) == Cut(-18000, 118000)
    assert cut_of(source, 0.0, None) == Cut(30000, 96000)
    assert cut_of(source, None, 0.0) == Cut(0, 70000)
    assert cut_of(Sound(beep(96000, 95999, 96000)), 0.0, 0.0) == Cut(95999, 96000)
    played = source.played
    assert cut_of(source, None, None) == Cut(0, 96000)
    assert source.played == played


def test_sound_is_what_is_over_70_db_below_full_scale() -> None:
    assert cut_of(Sound(beep(900, 300, 600, 10 ** (-69.9 / 20))), 0.0, 0.0) == Cut(300, 600)
    assert cut_of(Sound(beep(900, 300, 600, 10 ** (-70.1 / 20))), 0.0, 0.0) == Cut(0, 900)
    assert cut_of(Sound(np.empty((0, 2))), 1.0, 1.0) == Cut(0, 0)


@pytest.mark.parametrize(
    "cut",
    [
        Cut(0, 1000),
        Cut(-300, 900),
        Cut(100, 1500),
        Cut(-70000, 70000),
        Cut(1200, 1300),
        Cut(-9, -3),
    ],
)
@pytest.mark.parametrize("sizes", [(1000,), (1, 77, 300)])
def test_what_is_kept_keeps_every_bit_between_silence(cut: Cut, sizes: tuple[int, ...]) -> None:
    samples = np.random.default_rng(1).standard_normal((1000, 2))
    wanted = np.zeros((cut.frames, 2))
    for n in range(max(cut.first, 0), min(cut.last, 1000)):
        wanted[n - cut.first] = samples[n]
    assert np.array_equal(joined(finished(Sound(samples, sizes), Levelling(), cut)), wanted)


def test_fades_are_raised_cosines_at_the_ends_of_what_is_kept() -> None:
    source, cut = Sound(np.ones((48000, 2)), (7000, 100)), Cut(4800, 43200)
    out = joined(finished(source, Levelling(6.0), cut, 0.1, 0.2)) / 10 ** (6 / 20)
    assert len(out) == 38400
    # sin^2 is the raised cosine.
    assert out[:4800, 0] == pytest.approx(np.sin(np.pi / 2 * np.arange(4800) / 4800) ** 2)
    falling = np.sin(np.pi / 2 * np.arange(9600) / 9600)[::-1] ** 2
    assert out[-9600:, 1] == pytest.approx(falling)
    assert out[4800:-9600] == pytest.approx(1.0)
    assert not out[0].any()
    assert not out[-1].any()
    # Longer than all that is kept: over all of it, and both at once.
    short = joined(finished(source, Levelling(), Cut(0, 480), 1.0, 0.01))
    once = np.sin(np.pi / 2 * np.arange(480) / 480) ** 2
    assert short[:, 0] == pytest.approx(once * once[::-1])


LIMITED = Levelling(12.0, LimiterSettings(-3.0))


@pytest.mark.parametrize("sizes", [(4096,), (512, 1, 77), (20001,)])
def test_any_block_size_gives_the_same_bits(sizes: tuple[int, ...]) -> None:
    samples = drums(0.5)
    cut = Cut(-1000, 23000)
    whole = joined(finished(Sound(samples), LIMITED, cut, 0.05, 0.1))
    again = joined(finished(Sound(samples, sizes), LIMITED, cut, 0.05, 0.1))
    assert np.array_equal(again, whole)
    lead = joined(finished(Sound(samples, sizes), LIMITED, cut, 0.05, 0.1, Sound(samples, (999,))))
    assert np.array_equal(lead, whole)


def test_the_limiter_s_latency_is_made_up_for() -> None:
    samples = drums(0.5)
    limiter = LimiterSettings(-3.0).start(RATE_HZ, 2)
    padded = np.concatenate([samples * 10 ** (12 / 20), np.zeros((limiter.latency, 2))])
    wanted = limiter.process(padded)[limiter.latency :]
    out = joined(finished(Sound(samples), LIMITED, Cut(0, len(samples))))
    assert np.array_equal(out, wanted)
    assert limiter.reduction.max_db > 3.0
    # Shorter than the latency, and too soft to be touched.
    soft = samples[:50] * 0.1
    out = joined(finished(Sound(soft), LIMITED, Cut(0, 50)))
    assert np.array_equal(out, soft * 10 ** (12 / 20))


def test_parts_led_by_the_whole_add_up_to_the_whole() -> None:
    parts = [drums(0.5, seed) * level for seed, level in ((1, 1.0), (2, 0.3), (3, 0.8))]
    lead, cut = Sound(np.sum(parts, axis=0), (8000,)), Cut(-500, 24500)
    whole = joined(finished(lead, LIMITED, cut, 0.05, 0.1))
    made = sum(
        joined(finished(Sound(part, (3000, 5)), LIMITED, cut, 0.05, 0.1, lead)) for part in parts
    )
    assert np.abs(made - whole).max() <= 1e-12 * np.abs(whole).max()
    alone = sum(joined(finished(Sound(part), LIMITED, cut, 0.05, 0.1)) for part in parts)
    assert np.abs(alone - whole).max() > 0.01


def test_a_whole_led_by_itself_is_played_once() -> None:
    source = Sound(drums(0.2))
    joined(finished(source, LIMITED, Cut(0, source.frames), lead=source))
    assert source.played == 1


def test_a_lead_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match="the lead has 9600 frames, expected 4800"):
        joined(finished(Sound(drums(0.1)), LIMITED, Cut(0, 4800), lead=Sound(drums(0.2))))


def as_converted(samples: Samples, from_hz: int, to_hz: int, size: int = 4096) -> Samples:
    blocks = Sound(samples, (size,)).blocks()
    return joined(converted(blocks, from_hz, to_hz, len(samples)))


PAIRS = [(48000, 44100), (44100, 48000), (96000, 48000), (44100, 96000)]


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
def test_tones_keep_level_and_place_and_nothing_joins_them(from_hz: int, to_hz: int) -> None:
    """One second from the middle holds whole periods: a plain transform reads all lines."""
    hz = [20, 1000, 10000, 19000, 19800]
    time = np.arange(3 * from_hz) / from_hz
    tones = sum(np.sin(2 * np.pi * f * time + k**2) for k, f in enumerate(hz))
    out = as_converted(np.column_stack([tones, -tones]), from_hz, to_hz)
    assert len(out) == 3 * to_hz
    assert np.array_equal(out[:, 1], -out[:, 0])
    spectrum = np.fft.rfft(out[to_hz : 2 * to_hz, 0]) * 2.0 / to_hz
    wanted = np.exp(1j * (np.arange(len(hz)) ** 2 - np.pi / 2))
    # 0.001 of level and phase: under 0.01 dB, and at 19.8 kHz 0.001 samples at most.
    assert np.abs(spectrum[hz] / wanted - 1.0).max() < 1e-3
    spectrum[hz] = 0.0
    assert 20 * np.log10(np.abs(spectrum).max()) < -120.0


@pytest.mark.parametrize(("from_hz", "hz"), [(48000, 23000), (96000, 26000), (96000, 40000)])
def test_what_the_lower_rate_can_not_hold_leaves_nothing(from_hz: int, hz: int) -> None:
    tone = np.sin(2 * np.pi * hz / from_hz * np.arange(3 * from_hz))
    to_hz = 44100
    out = as_converted(np.column_stack([tone, tone]), from_hz, to_hz)
    spectrum = np.abs(np.fft.rfft(out[to_hz : 2 * to_hz, 0])) * 2.0 / to_hz
    assert 20 * np.log10(spectrum.max()) < -120.0


@pytest.mark.parametrize("frames", [0, 1, 50, 4799, 48001])
@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
def test_it_is_as_long_whatever_the_blocks(from_hz: int, to_hz: int, frames: int) -> None:
    samples = np.random.default_rng(2).standard_normal((frames, 2)) * 0.1
    whole = as_converted(samples, from_hz, to_hz, 65536)
    assert len(whole) == converted_frames(frames, from_hz, to_hz)
    assert len(whole) == np.ceil(frames * to_hz / from_hz)
    for size in (997, 4096):
        assert np.array_equal(as_converted(samples, from_hz, to_hz, size), whole)


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
def test_the_ends_are_those_of_a_sound_with_silence_around_it(from_hz: int, to_hz: int) -> None:
    samples = np.random.default_rng(3).standard_normal((from_hz // 5, 2))
    out = as_converted(samples, from_hz, to_hz)
    around = np.zeros((from_hz, 2))
    later = as_converted(np.concatenate([around, samples, around]), from_hz, to_hz)
    assert np.abs(out - later[to_hz : to_hz + len(out)]).max() < 1e-9
    assert np.abs(out[-1]).max() > 1e-3


def test_the_same_rate_hands_the_very_blocks_on() -> None:
    blocks = [np.ones((5, 2)), np.zeros((3, 2))]
    passed = list(converted(iter(blocks), 48000, 48000, 8))
    assert [id(block) for block in passed] == [id(block) for block in blocks]
