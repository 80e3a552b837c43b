"""Synthesised and recorded rooms: against ISO 3382-1, image sources by hand, and plain laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

import room_acoustics as acoustics
from mixwright.dsp.convolution import STRIDE, RunningConvolution
from mixwright.dsp.early import LISTENER, Room, early_response, echoes_of, room_for
from mixwright.dsp.impulse import ImpulseSettings, prepared_impulse
from mixwright.dsp.late import factor_at
from mixwright.dsp.response import CROSSFEED
from mixwright.dsp.reverb import ReverbSettings, synthesise_impulse
from mixwright.meters import LoudnessMeter

RATE_HZ = 48000
Samples = NDArray[np.float64]
TILTED = ((125.0, 1.5), (8000.0, 0.5))
RISING = ((125.0, 0.5), (8000.0, 1.5))
TYPICAL = ((125.0, 1.2), (4000.0, 0.7))
DIPPED = ((500.0, 1.0), (1000.0, 0.7), (2000.0, 1.0))


def exponential(decay_s: float, seconds: float, rate_hz: int = RATE_HZ) -> Samples:
    return np.asarray(10.0 ** (-3.0 * np.arange(round(seconds * rate_hz)) / rate_hz / decay_s))


@pytest.mark.parametrize(("decay_s", "c80_db"), [(0.5, 9.0956), (1.0, 3.0534), (2.0, -1.3206)])
def test_the_measuring_code_reads_an_ideal_decay(decay_s: float, c80_db: float) -> None:
    # ISO 3382-1 on an ideal exponential decay; C80 computed from its definition in closed form.
    ideal = exponential(decay_s, 3.0 * decay_s)
    assert acoustics.decay_time_s(ideal, RATE_HZ) == pytest.approx(decay_s, rel=1e-4)
    assert acoustics.clarity_db(ideal, RATE_HZ) == pytest.approx(c80_db, abs=2e-3)


def test_the_measuring_code_reads_echo_density_and_lines() -> None:
    # Echo density (Abel & Huang 2006), 20 ms Hann at 48 kHz: Gaussian 1.000, SD 0.037; sine 1.576.
    noise = np.random.default_rng(3).standard_normal(2 * RATE_HZ)
    density = acoustics.echo_density(noise, RATE_HZ)[20:-20]
    assert density.mean() == pytest.approx(1.0, abs=0.01)
    assert density.std() == pytest.approx(0.037, abs=0.01)
    sine = np.sin(2.0 * np.pi * 997.0 * np.arange(RATE_HZ) / RATE_HZ)
    found = acoustics.echo_density(sine, RATE_HZ)[20:-20]
    assert found.mean() == pytest.approx(1.576, abs=0.02)
    limit_db = acoustics.line_limit_db(len(noise), RATE_HZ)
    assert acoustics.loudest_line_db(noise, RATE_HZ) < limit_db
    ringing = noise + 0.1 * np.sin(2.0 * np.pi * 880.0 * np.arange(len(noise)) / RATE_HZ)
    assert acoustics.loudest_line_db(ringing, RATE_HZ) > limit_db + 3.0


@pytest.mark.parametrize(
    ("decay_s", "factors", "rate_hz"),
    [
        (0.3, (), 48000),
        (0.3, TILTED, 44100),
        (0.6, RISING, 48000),
        (1.0, DIPPED, 48000),
        (2.2, TYPICAL, 48000),
        (1.5, TILTED, 96000),
        (4.0, RISING, 48000),
    ],
)
def test_each_octave_decays_as_asked(
    decay_s: float, factors: tuple[tuple[float, float], ...], rate_hz: int
) -> None:
    # ISO 3382-1: T30 within one just noticeable difference (5 %) in 125 Hz ... 8 kHz.
    settings = ReverbSettings(decay_s, decay_by_band=factors, seed=4)
    found = acoustics.octave_decay_times_s(synthesise_impulse(settings, rate_hz), rate_hz)
    for hz, sides in found.items():
        asked_s = decay_s * float(factor_at(np.array([hz]), factors)[0])
        assert sides == pytest.approx([asked_s, asked_s], rel=0.05), hz


@pytest.mark.parametrize("settings", [ReverbSettings(1.6, early_db=None), ReverbSettings(1.6)])
def test_another_octave_filter_reads_the_same_decay(settings: ReverbSettings) -> None:
    # Third-order octaves run forwards in time, where the decay is long enough for them.
    impulse = synthesise_impulse(settings, RATE_HZ)
    for hz in (250.0, 1000.0, 4000.0):
        edges = [hz / 2**0.5, hz * 2**0.5]
        sections = scipy.signal.butter(3, edges, "bandpass", fs=RATE_HZ, output="sos")
        band = scipy.signal.sosfilt(sections, impulse[:, 0])
        assert acoustics.decay_time_s(band, RATE_HZ) == pytest.approx(1.6, rel=0.05)


@pytest.mark.parametrize("decay_s", [0.6, 2.2, 6.0])
def test_the_tail_is_dense_within_a_tenth_of_a_second_and_stays_so(decay_s: float) -> None:
    # Abel & Huang 2006: a normalised echo density of 1 is that of Gaussian noise.
    for side in synthesise_impulse(ReverbSettings(decay_s), RATE_HZ).T:
        level = acoustics.without_decay(side, decay_s, RATE_HZ)[: int(0.9 * decay_s * RATE_HZ)]
        density = acoustics.echo_density(level, RATE_HZ)
        assert density[10:101].max() >= 0.9
        assert density[100:-20].mean() == pytest.approx(1.0, abs=0.03)
        assert density[100:-20].min() > 0.8


def test_density_grows_from_single_reflections() -> None:
    density = acoustics.echo_density(
        synthesise_impulse(ReverbSettings(3.0), RATE_HZ)[:RATE_HZ, 0], RATE_HZ
    )
    assert density[:5].max() < 0.5 < 0.9 < density[80:100].max()


@pytest.mark.parametrize(("decay_s", "factors"), [(0.8, ()), (2.2, TYPICAL), (5.0, TILTED)])
def test_the_sides_of_the_tail_are_independent(
    decay_s: float, factors: tuple[tuple[float, float], ...]
) -> None:
    impulse = synthesise_impulse(ReverbSettings(decay_s, decay_by_band=factors), RATE_HZ)
    late = impulse[int(0.1 * decay_s * RATE_HZ) :]
    assert abs(acoustics.channel_correlation(late)) < 0.1
    for hz, found in acoustics.octave_correlations(late, RATE_HZ).items():
        assert abs(found) < 0.2, hz


def test_nothing_in_the_tail_rings() -> None:
    # No spectral line stands out more than one of Gaussian noise would once in 1000 tails.
    impulse = synthesise_impulse(ReverbSettings(4.0, seed=9), RATE_HZ)[int(0.4 * RATE_HZ) :]
    for side in impulse[: 2 * RATE_HZ].T:
        flat = acoustics.without_decay(side, 4.0, RATE_HZ)
        limit_db = acoustics.line_limit_db(len(flat), RATE_HZ)
        assert acoustics.loudest_line_db(flat, RATE_HZ) < limit_db
        assert np.mean(flat**4) / np.mean(flat**2) ** 2 == pytest.approx(3.0, abs=0.1)


def pink(seconds: float) -> Samples:
    random = np.random.default_rng(5)
    spectrum = np.fft.rfft(random.standard_normal(int(RATE_HZ * seconds)))
    shaped = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(len(spectrum)), 1.0)))
    return np.asarray(shaped * 0.05 / shaped.std())


def louder_wet_lu(response: Samples) -> float:
    """Wet against dry loudness (BS.1770) of centred pink noise, once the room has filled."""
    dry = pink(8.0 + len(response) / RATE_HZ)
    settled = len(response)
    meters = [LoudnessMeter(RATE_HZ, 2) for _ in range(2)]
    wet = scipy.signal.fftconvolve(np.column_stack([dry, dry]), response, axes=0)
    meters[0].feed(np.column_stack([dry, dry])[settled:])
    meters[1].feed(np.ascontiguousarray(wet[settled : len(dry)]))
    return float(meters[1].integrated_lufs - meters[0].integrated_lufs)


@pytest.mark.parametrize(
    "settings",
    [
        ReverbSettings(0.1),
        ReverbSettings(0.1, size_m=60.0, early_db=12.0),
        ReverbSettings(0.7, decay_by_band=TILTED, high_pass_hz=300.0, low_pass_hz=5000.0),
        ReverbSettings(3.0, early_db=None, seed=3),
        ReverbSettings(20.0),
    ],
)
def test_a_send_of_0_db_is_as_loud_wet_as_dry(settings: ReverbSettings) -> None:
    assert louder_wet_lu(synthesise_impulse(settings, RATE_HZ)) == pytest.approx(0.0, abs=0.5)


def test_a_running_reverb_is_its_impulse() -> None:
    settings = ReverbSettings(0.4, pre_delay_ms=11.0)
    block = np.zeros((STRIDE + 40000, 2))
    block[0] = [1.0, 0.0]
    running = settings.start(RATE_HZ, 2)
    wet = running.process(block)[running.latency :]
    impulse = synthesise_impulse(settings, RATE_HZ)
    expected = impulse * [1.0 - CROSSFEED, CROSSFEED]
    assert np.abs(wet[: len(expected)] - expected[: len(wet)]).max() < 1e-6 * np.abs(expected).max()


def test_the_same_seed_is_the_same_room_and_another_is_not() -> None:
    settings = ReverbSettings(0.8, decay_by_band=TYPICAL, seed=2)
    first, second = (synthesise_impulse(settings, RATE_HZ) for _ in range(2))
    assert np.array_equal(first, second)
    other = synthesise_impulse(ReverbSettings(0.8, decay_by_band=TYPICAL, seed=3), RATE_HZ)
    assert abs(np.corrcoef(first[4800:, 0], other[4800:, 0])[0, 1]) < 0.1


@pytest.mark.parametrize("early_db", [0.0, None])
def test_the_pre_delay_ends_with_the_first_reflection(early_db: float | None) -> None:
    settings = ReverbSettings(0.5, pre_delay_ms=30.0, early_db=early_db)
    impulse = synthesise_impulse(settings, RATE_HZ)
    assert not impulse[: 30 * 48].any()
    assert np.abs(impulse[30 * 48 : 30 * 48 + 2]).max() > (0.1 if early_db is not None else 0.0)


def test_reflections_come_from_where_mirrors_put_them() -> None:
    # Allen & Berkley 1979: an image for each wall; the six first ones by hand.
    room = room_for(2.2, None, (), 7)
    sides = room.sides_m
    echoes = echoes_of(room)
    moved = np.random.default_rng((7, 1)).uniform(-0.04, 0.04, 3)
    source = np.array([0.27, 0.65, 0.36]) * sides + moved * sides
    middle = LISTENER * sides
    by_hand = []
    for axis in range(3):
        for wall in (0.0, sides[axis]):
            image = source.copy()
            image[axis] = 2.0 * wall - source[axis]
            by_hand.append(math.dist(image, middle))
    for side in (0, 1):
        once = (echoes.contacts == 1) & (echoes.sides == side)
        found = sorted(343.0 * echoes.seconds[once])
        # The two listening points are at most half of 3 m from the middle.
        assert found == pytest.approx(sorted(by_hand)[: len(found)], abs=1.5)
        assert echoes.amplitudes[once] == pytest.approx(1.0 / (343.0 * echoes.seconds[once]))


@pytest.mark.parametrize(("decay_s", "size_m"), [(0.5, None), (1.0, None), (2.2, None), (3.0, 8.0)])
def test_walls_absorb_what_the_decay_says(decay_s: float, size_m: float | None) -> None:
    # Eyring: T = 0.161114 V / (-S ln(1 - a)); 8 x 5 x 3 m, a 0.2 is 0.548 s (worked example).
    assert 0.161114 * 120 / (-158 * math.log(1 - 0.2)) == pytest.approx(0.548, abs=1e-3)
    room = room_for(decay_s, size_m, (), 1)
    kept = math.exp(-2.0 * float(room.wall_nepers(np.array([1000.0]))[0]))
    eyring_s = 0.161114 * room.volume_m3 / (-room.surface_m2 * math.log(kept))
    assert eyring_s == pytest.approx(decay_s, rel=1e-4)
    # The images' energy in time is the exponential at whose level the tail takes over.
    echoes = echoes_of(room)
    energy = np.sum((echoes.amplitudes * kept ** (0.5 * echoes.contacts)) ** 2) / 2.0
    start, stop = echoes.seconds[0], echoes.seconds[0] + room.hand_over_s
    rate = 6.0 * math.log(10.0) / decay_s
    falls = (math.exp(-rate * start) - math.exp(-rate * stop)) / rate
    expected = room.late_power(RATE_HZ) * RATE_HZ * falls
    assert 10.0 * math.log10(energy / expected) == pytest.approx(0.0, abs=1.0)


def test_reflections_fall_between_samples() -> None:
    # The same room at 8 times the rate, brought down, has the same reflections.
    room = Room(12.0, 0.8)
    at_48, first_s = early_response(room, RATE_HZ)
    at_384, again_s = early_response(room, 8 * RATE_HZ)
    assert first_s == again_s
    hz = np.arange(50.0, 15000.0, 50.0)
    spectra = []
    for response, rate_hz in ((at_48, RATE_HZ), (at_384, 8 * RATE_HZ)):
        seconds = np.arange(len(response)) / rate_hz
        spectra.append(np.exp(-2j * np.pi * np.outer(hz, seconds)) @ response)
    scale = np.abs(spectra[1]).mean()
    assert np.abs(spectra[0] - spectra[1]).max() < 0.02 * scale


def test_walls_that_absorb_treble_dull_the_reflections_and_nothing_comes_early() -> None:
    bright, _ = early_response(room_for(1.0, None, (), 1), RATE_HZ)
    dull, _ = early_response(room_for(1.0, None, ((8000.0, 0.3),), 1), RATE_HZ)
    assert dull[0, :].max() > 0.3 * bright[0, :].max()

    def treble_share(response: Samples) -> float:
        power = np.abs(np.fft.rfft(response[:, 0])) ** 2
        hz = np.fft.rfftfreq(len(response), 1.0 / RATE_HZ)
        return float(power[hz > 6000.0].sum() / power[hz < 2000.0].sum())

    assert 10.0 * math.log10(treble_share(dull) / treble_share(bright)) < -3.0


def test_size_and_level_of_the_early_part_do_what_they_say() -> None:
    def early_over_late_db(**settings: float) -> float:
        room = room_for(2.0, settings.get("size_m"), (), 1)
        impulse = synthesise_impulse(ReverbSettings(2.0, **settings), RATE_HZ)
        part = round(0.3 * room.hand_over_s * RATE_HZ)
        late = impulse[RATE_HZ // 5 : RATE_HZ]
        return float(10.0 * np.log10(np.sum(impulse[:part] ** 2) / np.sum(late**2)))

    natural = early_over_late_db()
    assert early_over_late_db(early_db=6.0) - natural == pytest.approx(6.0, abs=1.0)
    assert early_over_late_db(early_db=-40.0) < natural - 8.0
    small, large = (echoes_of(room_for(2.0, size, (), 1)).seconds for size in (4.0, 40.0))
    assert large[4] - large[0] == pytest.approx(10.0 * (small[4] - small[0]), rel=0.5)


def test_the_hand_over_leaves_no_hole_and_no_bump() -> None:
    decay_s, stretch = 1.5, RATE_HZ // 50
    power = np.zeros(12)
    for seed in range(8):
        impulse = synthesise_impulse(ReverbSettings(decay_s, seed=seed), RATE_HZ)
        flat = acoustics.without_decay(impulse[:, 0], decay_s, RATE_HZ)
        power += np.mean(flat[: 12 * stretch].reshape(12, stretch) ** 2, axis=1)
    level = 10.0 * np.log10(power / power[6:].mean())
    assert np.abs(level).max() < 4.0
    assert np.abs(level[4:]).max() < 1.5


def test_convolution_is_scipys() -> None:
    random = np.random.default_rng(0)
    signal, impulse = random.standard_normal((120000, 2)), random.standard_normal((40000, 2))
    theirs = scipy.signal.fftconvolve(signal, impulse, axes=0)[: len(signal)]
    ours = RunningConvolution(impulse, 0).process(signal.copy())
    error = np.abs(ours[STRIDE:] - theirs[:-STRIDE]).max() / np.abs(theirs).max()
    assert 20 * math.log10(error) < -120.0


def wet(settings: ReverbSettings, dry: Samples, size: int) -> Samples:
    running = settings.start(RATE_HZ, 2)
    parts = [running.process(dry[at : at + size].copy()) for at in range(0, len(dry), size)]
    return np.concatenate(parts)[running.latency :]


def test_a_pre_delay_that_moves_is_each_where_it_holds() -> None:
    moving = ReverbSettings(0.3, 20.0, later_pre_delays_ms=((1.0, 35.5),))
    dry = np.zeros((STRIDE + 3 * RATE_HZ // 2, 2))
    dry[[4800, 62400]] = 1.0
    out = wet(moving, dry, 9999)
    assert np.array_equal(out, wet(moving, dry, 100000))
    impulse = synthesise_impulse(ReverbSettings(0.3), RATE_HZ)
    for at, pre_delay_ms in ((4800, 20.0), (62400, 35.5)):
        start = at + round(48 * pre_delay_ms)
        heard = out[start : start + len(impulse)]
        error = np.abs(heard - impulse[: len(heard)]).max()
        assert error < 1e-5 * np.abs(impulse).max()
        assert np.abs(out[start - 900 : start]).max() < 1e-5 * np.abs(impulse).max()
    assert moving.tail_samples(RATE_HZ) == math.ceil((0.3 * 75 / 60 + 0.0355) * RATE_HZ)
    assert moving.begun_at(2.0) == ReverbSettings(0.3, 35.5)
    assert moving.begun_at(0.4).later_pre_delays_ms == ((0.6, 35.5),)


def test_a_moving_pre_delay_does_not_click() -> None:
    from mixwright.dsp.delay import RunningPreDelay

    tone = np.sin(2.0 * np.pi * 200.0 * np.arange(RATE_HZ) / RATE_HZ)
    out = RunningPreDelay(((0.0, 0.0), (0.5, 31.3)), RATE_HZ).process(np.column_stack([tone] * 2))
    steps = np.abs(np.diff(out[:, 0]))
    assert steps.max() < 1.5 * np.abs(np.diff(tone)).max()
    assert np.array_equal(out[:24000, 0], tone[:24000])
    assert np.array_equal(out[26000:, 1], tone[26000 - 1502 : -1502])


def recording(
    decay_s: float = 0.6, seconds: float = 1.5, noise_db: float = -math.inf, lead_s: float = 0.2
) -> Samples:
    """Noise that decays, behind `lead_s` of silence, in noise at a level under its start."""
    random = np.random.default_rng(8)
    frames = round((seconds + lead_s) * RATE_HZ)
    room = np.zeros((frames, 2))
    lead = round(lead_s * RATE_HZ)
    decay = exponential(decay_s, seconds)[: frames - lead]
    room[lead:] = random.standard_normal((frames - lead, 2)) * decay[:, None]
    return room + 10.0 ** (noise_db / 20.0) * random.standard_normal((frames, 2))


@pytest.mark.parametrize("settings", [ImpulseSettings(1.7), ImpulseSettings(1.7, 20.0, 200.0, 6e3)])
def test_a_recorded_room_is_as_loud_wet_as_dry(settings: ImpulseSettings) -> None:
    for scale in (1.0, 1e-4):
        samples = scale * recording(noise_db=-60.0)
        assert louder_wet_lu(prepared_impulse(samples, settings, RATE_HZ)) == pytest.approx(
            0.0, abs=0.5
        )
    click = np.zeros((240, 1))
    click[10] = 1.0
    assert louder_wet_lu(prepared_impulse(click, settings, RATE_HZ)) == pytest.approx(0.0, abs=0.5)


def test_what_comes_before_the_onset_is_cut_off_but_for_a_millisecond() -> None:
    samples = recording()
    samples[: 9600 - 100] = 1e-4 * np.sin(np.arange(9500))[:, None]  # pre-ring, 90 dB down
    prepared = prepared_impulse(samples, ImpulseSettings(1.7), RATE_HZ)
    loud = np.flatnonzero(np.abs(prepared).max(axis=1) > 0.01 * np.abs(prepared).max())
    assert 0 < loud[0] <= 49
    waiting = prepared_impulse(samples, ImpulseSettings(1.7, pre_delay_ms=25.0), RATE_HZ)
    assert np.array_equal(waiting[1200:], prepared)
    assert not waiting[:1200].any()


def test_the_tail_ends_where_the_recording_is_noise() -> None:
    # 60 dB in 0.6 s: the decay meets noise at -50 dB after 0.5 s.
    prepared = prepared_impulse(recording(noise_db=-50.0), ImpulseSettings(1.7), RATE_HZ)
    assert len(prepared) / RATE_HZ == pytest.approx(0.5, abs=0.06)
    assert np.abs(prepared[-10:]).max() < 1e-3 * np.abs(prepared).max()
    # Without noise it ends 75 dB down.
    clean = prepared_impulse(recording(), ImpulseSettings(1.7), RATE_HZ)
    assert len(clean) / RATE_HZ == pytest.approx(0.6 * 75 / 60, abs=0.03)


@pytest.mark.parametrize("decay_s", [3.0, 8.0])
def test_a_recording_that_ends_before_its_tail_is_kept_whole(decay_s: float) -> None:
    samples = recording(decay_s, 1.5, lead_s=0.0)
    prepared = prepared_impulse(samples, ImpulseSettings(1.5), RATE_HZ)
    assert len(prepared) == pytest.approx(len(samples), abs=48)


def test_the_decay_of_a_recording_is_left_alone() -> None:
    prepared = prepared_impulse(recording(noise_db=-60.0), ImpulseSettings(1.7), RATE_HZ)
    for side in prepared.T:
        band = acoustics.octave_band(side, 2000.0, RATE_HZ)
        assert acoustics.decay_time_s(band, RATE_HZ) == pytest.approx(0.6, rel=0.05)


def test_a_mono_recording_is_heard_on_both_sides() -> None:
    samples = recording()[:, :1]
    prepared = prepared_impulse(samples, ImpulseSettings(1.7), RATE_HZ)
    assert np.array_equal(prepared[:, 0], prepared[:, 1])
    twice = prepared_impulse(np.repeat(samples, 2, axis=1), ImpulseSettings(1.7), RATE_HZ)
    assert np.array_equal(twice, prepared)


def test_a_recorded_room_runs_and_its_pre_delay_moves() -> None:
    settings = ImpulseSettings(1.7, 10.0, later_pre_delays_ms=((1.0, 20.0),))
    dry = np.zeros((STRIDE + 72000, 2))
    dry[60000] = 1.0
    running = settings.start_with(recording(), RATE_HZ)
    out = running.process(dry)[running.latency :]
    prepared = prepared_impulse(recording(), ImpulseSettings(1.7), RATE_HZ)
    heard = out[60960 : 60960 + len(prepared)]
    error = np.abs(heard - prepared[: len(heard)]).max()
    assert error < 1e-5 * np.abs(prepared).max()
    assert running.tail == settings.tail_samples(RATE_HZ) == round(1.72 * RATE_HZ)
    assert settings.begun_at(1.5) == ImpulseSettings(1.7, 20.0)


@pytest.mark.parametrize(
    ("samples", "fault"),
    [
        (np.zeros((1000, 2)), "silent"),
        (np.full((1000, 1), np.nan), "not numbers"),
        (np.full((1000, 2), np.inf), "not numbers"),
        (np.ones((1000, 3)), "one or two channels"),
    ],
)
def test_recordings_of_no_use_are_refused(samples: Samples, fault: str) -> None:
    with pytest.raises(ValueError, match=fault):
        ImpulseSettings(1.0).start_with(samples, RATE_HZ)
