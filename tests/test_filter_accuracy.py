"""EQ bands against the analogue filters they stand for, up to the top of hearing.

Prototypes: R. Bristow-Johnson, Audio EQ Cookbook (W3C Note, 2021), written out again here and
worked out by scipy. Butterworth: |H|^2 = 1 / (1 + (f/fc)^2n). The figures of the 10 kHz bell are
worked ones for the cookbook and for M. Vicanek, "Matched Second Order Digital Filters" (2016).
"""

from __future__ import annotations

import numpy as np
import pedalboard
import pytest
import scipy.signal
from numpy.typing import NDArray

from mixwright.dsp.band import SLOPES_DB_PER_OCT, BandSettings
from mixwright.dsp.eq import EqSettings
from mixwright.dsp.filters import (
    analogue_response_db,
    cookbook_sections,
    design_band,
    design_moving_band,
    response_db,
)

RATES_HZ = (44100, 48000, 96000)
CENTRES_HZ = (20.0, 150.0, 1100.0, 4300.0, 7800.0, 12000.0, 16000.0, 18000.0)
# What is promised: dB up to 16 kHz, and up to 20 kHz.
TIGHT_DB, LOOSE_DB = 0.1, 0.25


def prototype(band: BandSettings) -> tuple[list[float], list[float]]:
    """The cookbook's analogue numerator and denominator in falling powers of s."""
    a, q = 10.0 ** (band.gain_db / 40.0), band.q
    if band.slope is not None:
        q = ((a + 1 / a) * (1 / band.slope - 1) + 2) ** -0.5
    r = a**0.5 / q
    return {
        "bell": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "low_shelf": ([a, a * r, a * a], [a, r, 1]),
        "high_shelf": ([a * a, a * r, a], [1, r, a]),
        "notch": ([1, 0, 1], [1, 1 / q, 1]),
    }[band.type]


def wanted_db(band: BandSettings, hz: NDArray[np.float64]) -> NDArray[np.float64]:
    if band.type in ("high_pass", "low_pass"):
        ratio = hz / band.freq_hz if band.type == "low_pass" else band.freq_hz / hz
        return -10 * np.log10(1 + ratio ** (2 * (band.slope_db_per_oct // 6)))
    _, response = scipy.signal.freqs(*prototype(band), worN=hz / band.freq_hz)
    return 20 * np.log10(np.abs(response))


def grid(freq_hz: float) -> NDArray[np.float64]:
    near = freq_hz * np.geomspace(0.7, 1.4, 41)
    hz = np.concatenate([np.geomspace(10, 20000, 120), np.linspace(8000, 20000, 60), near])
    return np.sort(hz[hz <= 20000.0])


def errors(band: BandSettings, rate_hz: int) -> tuple[float, float]:
    """The worst error in dB up to 16 kHz and up to 20 kHz, where more than -60 dB is left."""
    hz = grid(band.freq_hz)
    wanted = wanted_db(band, hz)
    error = np.abs(response_db(design_band(band, rate_hz), hz, rate_hz) - wanted)
    error[wanted < -60.0] = 0.0
    return float(error[hz <= 16000.0].max()), float(error.max())


def bands_of(kind: str, freq_hz: float) -> list[BandSettings]:
    if kind in ("high_pass", "low_pass"):
        return [BandSettings(kind, freq_hz, slope_db_per_oct=slope) for slope in (6, 12, 30, 48)]
    pairs = [(g, q) for g in (-18.0, -4.0, 1.5, 12.0) for q in (0.3, 0.7071, 2.0, 10.0)]
    bands = [BandSettings(kind, freq_hz, g, q) for g, q in pairs]
    if kind != "bell":
        bands += [BandSettings(kind, freq_hz, 9.0, slope=slope) for slope in (0.2, 0.8)]
    return bands


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("kind", ["bell", "low_shelf", "high_shelf", "low_pass", "high_pass"])
def test_bands_are_their_prototypes_up_to_the_top_of_hearing(kind: str, rate_hz: int) -> None:
    for freq_hz in CENTRES_HZ:
        for band in bands_of(kind, freq_hz):
            tight, loose = errors(band, rate_hz)
            assert tight <= TIGHT_DB, band
            assert loose <= LOOSE_DB, band


@pytest.mark.parametrize(
    "band",
    [
        BandSettings("bell", 21500.0, 24.0, 0.1),
        BandSettings("bell", 17000.0, -24.0, 40.0),
        BandSettings("low_shelf", 10.0, 24.0, 40.0),
        BandSettings("high_shelf", 12000.0, 24.0, 40.0),
        BandSettings("high_shelf", 21000.0, -24.0, slope=0.1),
        BandSettings("low_pass", 21500.0, slope_db_per_oct=48),
        BandSettings("low_pass", 10.0, slope_db_per_oct=6),
        BandSettings("high_pass", 22000.0, slope_db_per_oct=42),
        BandSettings("notch", 22000.0, q=0.1),
    ],
    ids=lambda band: band.type,
)
@pytest.mark.parametrize("rate_hz", [8000, 32000, 44100, 192000])
def test_odd_settings_are_stable_at_every_rate(band: BandSettings, rate_hz: int) -> None:
    for sections in (design_band(band, rate_hz), design_moving_band(band, rate_hz)):
        assert np.isfinite(sections).all()
        for _, _, _, a1, a2 in sections:
            assert np.abs(np.roots([1.0, a1, a2])).max() < 1.0


def test_the_worked_bell_at_10_khz() -> None:
    # +6 dB, Q 1, 44.1 kHz: the analogue level, and what the cookbook's section is off by.
    hz = np.array([5000.0, 10000.0, 14000.0, 16000.0, 18000.0, 20000.0])
    analogue = [1.884, 6.000, 4.045, 3.073, 2.378, 1.884]
    cookbook_error = [-0.527, 0.000, -1.646, -1.937, -1.931, -1.778]
    band = BandSettings("bell", 10000.0, 6.0, 1.0)
    assert analogue_response_db(band, hz) == pytest.approx(analogue, abs=0.002)
    plain = response_db(cookbook_sections(band, 44100), hz, 44100)
    assert plain - analogue_response_db(band, hz) == pytest.approx(cookbook_error, abs=0.002)
    # The matched design of 2016 is 0.160 dB off at 16 kHz and 0.486 dB at 20 kHz.
    ours = response_db(design_band(band, 44100), hz, 44100)
    assert ours[hz <= 16000] == pytest.approx(analogue[:4], abs=0.06)
    assert ours == pytest.approx(analogue, abs=0.1)


@pytest.mark.parametrize(
    ("order", "octaves_1_2_inside_db", "decade_db"),
    [
        (1, (6.9897, 12.3045, 0.9691), 20.0432),
        (2, (12.3045, 24.0993, 0.2633), 40.0004),
        (3, (18.1291, 36.1247, 0.0673), 60.0000),
        (4, (24.0993, 48.1649, 0.0169), None),
        (5, (30.1072, None, 0.0042), None),
        (6, (36.1247, None, 0.0011), None),
        (7, (42.1445, None, 0.0003), None),
        (8, (48.1649, None, 0.0001), None),
    ],
)
@pytest.mark.parametrize("kind", ["low_pass", "high_pass"])
def test_butterworth_figures_hold_at_44_1_khz(
    kind: str,
    order: int,
    octaves_1_2_inside_db: tuple[float | None, ...],
    decade_db: float | None,
) -> None:
    # Attenuation at the corner, one and two octaves beyond, one inside, a decade beyond.
    corner = 1900.0 if kind == "low_pass" else 9500.0
    wanted = [3.0103, *octaves_1_2_inside_db, decade_db]
    beyond = np.array([1.0, 2.0, 4.0, 0.5, 10.0])
    hz = corner * beyond if kind == "low_pass" else corner / beyond
    sections = design_band(BandSettings(kind, corner, slope_db_per_oct=6 * order), 44100)
    for found, figure, at in zip(-response_db(sections, hz, 44100), wanted, hz, strict=True):
        if figure is not None:
            assert found == pytest.approx(figure, abs=0.1 if at <= 16000 else 0.25)


@pytest.mark.parametrize("slope", SLOPES_DB_PER_OCT)
def test_passes_stay_deep_and_never_lift(slope: int) -> None:
    # A pass in the loop of an echo must not lift anything, even above 20 kHz.
    for kind in ("low_pass", "high_pass"):
        for freq_hz in (90.0, 700.0, 2500.0, 9000.0, 17000.0, 19500.0, 21000.0, 21600.0):
            band = BandSettings(kind, freq_hz, slope_db_per_oct=slope)
            hz = np.concatenate([np.geomspace(1, 22000, 400), np.linspace(20000, 22040, 40)])
            found, wanted = response_db(design_band(band, 44100), hz, 44100), wanted_db(band, hz)
            assert found.max() <= 0.05
            assert (found[wanted < -60.0] < -55.0).all()


def test_the_analogue_response_is_scipys() -> None:
    hz = np.geomspace(5, 40000, 200)
    kinds = ("bell", "low_shelf", "high_shelf", "low_pass", "high_pass")
    for band in [b for kind in kinds for b in bands_of(kind, 700.0)] + [BandSettings("notch", 900)]:
        assert analogue_response_db(band, hz) == pytest.approx(wanted_db(band, hz), abs=1e-9)


@pytest.mark.parametrize("kind", ["bell", "low_shelf", "high_shelf"])
def test_a_cut_is_the_exact_inverse_of_its_boost(kind: str) -> None:
    # Further down, the last digit of a coefficient counts for more than this.
    hz = np.geomspace(40, 21900, 300)
    for freq_hz in (150.0, 2500.0, 9000.0, 17500.0):
        for gain_db, q in ((1.0, 0.4), (9.0, 0.7071), (18.0, 6.0)):
            boost, cut = (
                design_band(BandSettings(kind, freq_hz, sign * gain_db, q), 44100)
                for sign in (1, -1)
            )
            together = response_db(np.concatenate([boost, cut]), hz, 44100)
            assert np.abs(together).max() < 1e-10
            # Only zeros inside the circle can become poles.
            for b0, b1, b2, _, _ in boost:
                assert np.abs(np.roots([b0, b1, b2])).max() < 1.0 - 1e-7


def test_the_shelf_slope_is_the_cookbooks() -> None:
    # S = 1 is Q = 1/sqrt(2), the steepest shelf without a bump; below that it is less steep.
    hz = np.geomspace(20, 20000, 400)
    steepest = response_db(
        design_band(BandSettings("low_shelf", 500, 12, slope=1.0), 48000), hz, 48000
    )
    as_q = response_db(design_band(BandSettings("low_shelf", 500, 12, 2**-0.5), 48000), hz, 48000)
    assert steepest == pytest.approx(as_q, abs=1e-6)
    assert (np.diff(steepest) < 1e-3).all()
    gentle = response_db(
        design_band(BandSettings("low_shelf", 500, 12, slope=0.3), 48000), hz, 48000
    )
    assert np.diff(gentle).min() > 0.5 * np.diff(steepest).min()
    with pytest.raises(ValueError, match="bell has no slope"):
        BandSettings("bell", 500, slope=0.5)


@pytest.mark.parametrize(
    ("other", "band"),
    [
        (pedalboard.PeakFilter, BandSettings("bell", 700.0, 5.0, 1.2)),
        (pedalboard.LowShelfFilter, BandSettings("low_shelf", 120.0, -6.0, 0.7071)),
        (pedalboard.HighShelfFilter, BandSettings("high_shelf", 500.0, 4.0, 0.7071)),
        (pedalboard.HighpassFilter, BandSettings("high_pass", 150.0, slope_db_per_oct=6)),
        (pedalboard.LowpassFilter, BandSettings("low_pass", 150.0, slope_db_per_oct=6)),
    ],
    ids=lambda value: getattr(value, "type", ""),
)
def test_low_bands_are_those_of_an_independent_library(other: type, band: BandSettings) -> None:
    # Up to a sixteenth of the rate its bilinear filters (float32) and ours agree.
    found, hz = heard(other, band)
    ours = response_db(design_band(band, 48000), hz, 48000)
    assert ours[hz < 3000] == pytest.approx(found[hz < 3000], abs=0.15)
    assert ours[hz < 1000] == pytest.approx(found[hz < 1000], abs=0.02)


@pytest.mark.parametrize(
    ("other", "band"),
    [
        (pedalboard.PeakFilter, BandSettings("bell", 12000.0, 6.0, 1.2)),
        (pedalboard.HighShelfFilter, BandSettings("high_shelf", 10000.0, 6.0, 0.7071)),
        (pedalboard.LowpassFilter, BandSettings("low_pass", 9000.0, slope_db_per_oct=6)),
    ],
    ids=lambda value: getattr(value, "type", ""),
)
def test_high_bands_differ_from_a_bilinear_library_and_are_right(
    other: type, band: BandSettings
) -> None:
    # Somewhere below 18 kHz it is more than 0.6 dB off the prototype, ours is nowhere.
    found, hz = heard(other, band)
    below = hz < 18000
    assert np.abs(found - wanted_db(band, hz))[below].max() > 0.6
    ours = response_db(design_band(band, 48000), hz, 48000)
    assert ours[below] == pytest.approx(wanted_db(band, hz)[below], abs=0.1)


def heard(other: type, band: BandSettings) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The level of an independent filter at 48 kHz by its impulse response, and frequencies."""
    settings = {"cutoff_frequency_hz": band.freq_hz}
    if band.type not in ("high_pass", "low_pass"):
        settings |= {"gain_db": band.gain_db, "q": band.q}
    impulse = np.zeros((1, 65536), dtype=np.float32)
    impulse[0, 0] = 1.0
    response = np.fft.rfft(other(**settings)(impulse, 48000)[0].astype(np.float64))
    hz = np.fft.rfftfreq(65536, 1 / 48000)
    kept = np.unique(np.geomspace(20, 20000, 200).round(-1))
    return np.interp(kept, hz[1:], 20 * np.log10(np.abs(response[1:]) + 1e-30)), kept


def test_usual_bands_are_one_section_and_kept() -> None:
    usual = [
        BandSettings("bell", 250, -3.0, 1.2),
        BandSettings("bell", 3000, 2.5, 1.0),
        BandSettings("bell", 12000, 3.0, 0.7),
        BandSettings("high_shelf", 9000, 3.0),
        BandSettings("low_shelf", 100, 2.0),
        BandSettings("high_pass", 80),
    ]
    for band in usual:
        assert design_band(band, 48000).shape == (1, 5)
    # Designs are shared, so nobody may change one by accident.
    again = design_band(BandSettings("bell", 250, -3.0, 1.2), 48000)
    assert again is design_band(usual[0], 48000)
    with pytest.raises(ValueError, match="read-only"):
        again[0, 0] = 2.0


def test_the_running_eq_has_the_response_of_its_designs() -> None:
    bands = (BandSettings("bell", 12500.0, 9.0, 0.5), BandSettings("low_pass", 14000.0))
    impulse = np.zeros((16384, 2))
    impulse[0] = 1.0
    out = EqSettings(bands).start(44100, 2).process(impulse)
    found = 20 * np.log10(np.abs(np.fft.rfft(out[:, 1])))
    hz = np.fft.rfftfreq(16384, 1 / 44100)
    chosen = (hz > 100) & (hz < 20000)
    wanted = sum(wanted_db(band, hz[chosen]) for band in bands)
    assert found[chosen] == pytest.approx(wanted, abs=0.2)
