"""Filter formulas against published figures and scipy, and the running EQ.

Cookbook sets: computed from the formulas of R. Bristow-Johnson's Audio EQ Cookbook (W3C Note).
Butterworth: |H|^2 = 1 / (1 + (f/fc)^2n). K-weighting: ITU-R BS.1770-5 tables 1 and 2. How far
bands follow the analogue filters at high frequencies is in `test_filter_accuracy`.
"""

from __future__ import annotations

import numpy as np
import pedalboard
import pytest
import scipy.signal

from mixwright.dsp.band import SLOPES_DB_PER_OCT, BandSettings
from mixwright.dsp.eq import EqSettings
from mixwright.dsp.filters import (
    analogue_response_db,
    cookbook_sections,
    design_band,
    design_pass,
    k_weighting,
    response_db,
)

ROOT_HALF = 2**-0.5
WORKED = [
    (
        BandSettings("bell", 1000, 6.0, 1.0),
        [1.043953086990, -1.895320723937, 0.867722284760, -1.895320723937, 0.911675371750],
    ),
    (
        BandSettings("bell", 3000, -4.5, 2.0),
        [0.955406308260, -1.643973055783, 0.824017304810, -1.643973055783, 0.779423613071],
    ),
    (
        BandSettings("low_shelf", 100, 6.0, ROOT_HALF),
        [1.003217895737, -1.984364430777, 0.981386698749, -1.984424329139, 0.984544696124],
    ),
    (
        BandSettings("high_shelf", 8000, -3.0, ROOT_HALF),
        [0.797556833919, -0.421284129525, 0.176526348310, -0.709104831844, 0.261903884547],
    ),
    (
        BandSettings("high_pass", 80),
        [0.992622542756, -1.985245085512, 0.992622542756, -1.985190657896, 0.985299513128],
    ),
    (
        BandSettings("low_pass", 10000),
        [0.220194700273, 0.440389400546, 0.220194700273, -0.307566359792, 0.188345160884],
    ),
]


# Levels in dB of those sections at some frequencies, and of the analogue filters where they differ.
WORKED_DB = [
    ({500: 1.8794, 1000: 6.0, 2000: 1.8660}, {}),
    ({1500: -0.4513, 3000: -4.5, 6000: -0.4128}, {}),
    ({20: 5.9896, 100: 3.0, 1000: 0.0006}, {}),
    ({1000: -0.0005, 8000: -1.5, 20000: -2.9982}, {20000: -2.9237}),
    ({40: -12.3046, 80: -3.0103, 160: -0.2633}, {}),
    ({5000: -0.1632, 10000: -3.0103, 20000: -27.4864}, {20000: -12.3045}),
]


@pytest.mark.parametrize(("band", "row"), WORKED, ids=lambda v: getattr(v, "type", ""))
def test_worked_sets_of_the_cookbook(band: BandSettings, row: list[float]) -> None:
    assert cookbook_sections(band, 48000)[0] == pytest.approx(row, abs=1e-11)


@pytest.mark.parametrize(
    ("band", "levels"),
    [(band, levels) for (band, _), levels in zip(WORKED, WORKED_DB, strict=True)],
    ids=lambda v: getattr(v, "type", ""),
)
def test_worked_levels(
    band: BandSettings, levels: tuple[dict[float, float], dict[float, float]]
) -> None:
    plain, analogue = levels
    found = response_db(cookbook_sections(band, 48000), np.array(list(plain)), 48000)
    assert found == pytest.approx(list(plain.values()), abs=5e-4)
    if analogue:
        hz, figures = np.array(list(analogue)), list(analogue.values())
        assert analogue_response_db(band, hz) == pytest.approx(figures, abs=5e-4)
        assert response_db(design_band(band, 48000), hz, 48000) == pytest.approx(figures, abs=0.1)


def test_where_the_formulas_are_good_enough_they_are_kept() -> None:
    for band, row in WORKED:
        if band.freq_hz <= 1000:
            assert design_band(band, 48000)[0] == pytest.approx(row, abs=1e-11)


@pytest.mark.parametrize("slope", SLOPES_DB_PER_OCT)
@pytest.mark.parametrize("kind", ["high_pass", "low_pass"])
def test_plain_passes_are_scipys_butterworth(kind: str, slope: int) -> None:
    band = BandSettings(kind, 900.0, slope_db_per_oct=slope)
    sos = scipy.signal.butter(slope // 6, 900.0, kind.replace("_", ""), fs=48000, output="sos")
    hz = np.geomspace(50, 20000, 60)
    _, theirs = scipy.signal.freqz_sos(sos, hz, fs=48000)
    found = response_db(cookbook_sections(band, 48000), hz, 48000)
    assert found == pytest.approx(20 * np.log10(np.abs(theirs)), abs=1e-6)


@pytest.mark.parametrize(
    ("order", "octave_db"),
    [(1, 6.9897), (2, 12.3045), (3, 18.1291), (4, 24.0993), (6, 36.1247), (8, 48.1649)],
)
def test_butterworth_attenuation_one_octave_out(order: int, octave_db: float) -> None:
    # At 192 kHz a 100 Hz corner is far from the bilinear transform's warping.
    sections = design_pass("high_pass", 200.0, 6 * order, 192000)
    found = response_db(sections, np.array([100.0, 200.0]), 192000)
    assert -found == pytest.approx([octave_db, 3.0103], abs=1e-3)


def test_k_weighting_is_the_printed_one_at_48_khz() -> None:
    printed = [
        [
            1.53512485958697,
            -2.69169618940638,
            1.19839281085285,
            -1.69065929318241,
            0.73248077421585,
        ],
        [1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
    assert k_weighting(48000) == pytest.approx(np.array(printed), abs=1e-12)


@pytest.mark.parametrize("rate_hz", [44100, 88200, 96000, 192000])
def test_k_weighting_keeps_its_response_at_other_rates(rate_hz: int) -> None:
    hz = np.array([60.0, 100.0, 997.0, 4000.0, 10000.0])
    reference = response_db(k_weighting(48000), hz, 48000)
    assert response_db(k_weighting(rate_hz), hz, rate_hz) == pytest.approx(reference, abs=0.03)


def test_boost_and_cut_cancel() -> None:
    pair = (BandSettings("bell", 2000, 7.0, 1.3), BandSettings("bell", 2000, -7.0, 1.3))
    noise = np.random.default_rng(1).standard_normal((5000, 2))
    assert EqSettings(pair).start(48000, 2).process(noise.copy()) == pytest.approx(noise, abs=1e-11)


def test_neutral_bands_leave_every_bit_alone() -> None:
    bands = (BandSettings("bell", 2000, 0.0, 1.3), BandSettings("high_shelf", 9000, 0.0))
    noise = np.random.default_rng(1).standard_normal((5000, 2))
    assert np.array_equal(EqSettings(bands).start(48000, 2).process(noise.copy()), noise)


@pytest.mark.parametrize("channels", [1, 2])
def test_a_running_eq_is_scipys_sosfilt(channels: int) -> None:
    bands = tuple(band for band, _ in WORKED)
    noise = np.random.default_rng(2).standard_normal((20000, channels))
    rows = np.concatenate([design_band(band, 48000) for band in bands])
    sos = np.insert(rows, 3, 1.0, axis=1)
    theirs = scipy.signal.sosfilt(sos, noise, axis=0)
    ours = EqSettings(bands).start(48000, channels).process(noise.copy())
    assert ours == pytest.approx(theirs, abs=1e-12)


def test_the_bell_is_the_one_of_an_independent_library() -> None:
    # pedalboard's peak filter follows the cookbook too; it works in float32.
    band = BandSettings("bell", 1500.0, 5.0, 1.2)
    noise = np.random.default_rng(3).standard_normal((2, 9600)) * 0.1
    other = pedalboard.PeakFilter(cutoff_frequency_hz=1500.0, gain_db=5.0, q=1.2)
    theirs = other(noise.astype(np.float32), 48000).T
    ours = EqSettings((band,)).start(48000, 2).process(np.ascontiguousarray(noise.T))
    assert ours == pytest.approx(theirs, abs=2e-5)
