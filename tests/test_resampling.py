"""Recordings at other rates: level, images, aliases and place, measured through the stem reader.

Limits are ours: a hundredth of a decibel is below any audible step, 120 dB below what 20 bits hold
(6.02 dB a bit), a thousandth of a sample below any phase that matters.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from resampling_measures import as_read, rejection_db, tone_response, tones

PAIRS = [(44100, 48000), (48000, 44100), (96000, 48000), (88200, 44100)]
# Up to 0.9 of half the lower rate: 19,845 Hz at 44.1 kHz.
PASSED_HZ = [20, 50, 100, 500, 1000, 3000, 7000, 10000, 13000, 16000, 18000, 19000, 19500, 19840]


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
def test_what_can_be_heard_keeps_its_level_and_place(
    tmp_path: Path, from_hz: int, to_hz: int
) -> None:
    top = [20000] if min(from_hz, to_hz) >= 48000 else []
    gain_db, delay = tone_response(tmp_path, PASSED_HZ + top, from_hz, to_hz)
    assert np.abs(gain_db).max() < 0.01
    assert np.abs(delay).max() < 0.001


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
@pytest.mark.parametrize("hz", [1000, 10000, 19000])
def test_tones_have_no_images(tmp_path: Path, from_hz: int, to_hz: int, hz: int) -> None:
    assert rejection_db(tmp_path, hz, from_hz, to_hz) > 120.0


@pytest.mark.parametrize(
    ("from_hz", "to_hz", "hz"),
    [
        (48000, 44100, 22500),
        (48000, 44100, 23500),
        (96000, 48000, 24500),
        (96000, 48000, 31000),
        (96000, 48000, 47000),
        (88200, 44100, 22500),
        (88200, 44100, 25000),
        (88200, 44100, 43000),
    ],
)
def test_what_the_lower_rate_can_not_hold_leaves_no_alias(
    tmp_path: Path, from_hz: int, to_hz: int, hz: int
) -> None:
    assert rejection_db(tmp_path, hz, from_hz, to_hz) > 120.0


def test_the_measure_finds_an_alias_and_a_delay(tmp_path: Path) -> None:
    # Every second sample of 30 kHz at 96 kHz is 18 kHz at full level; one sample is one sample.
    taken = tones([30000], 96000)[::2]
    found = np.abs(np.fft.rfft(taken[:48000])) / 24000
    assert (int(np.argmax(found)), found.max()) == (18000, pytest.approx(1.0))
    late = np.concatenate([[0.0], tones([1000, 5000], 48000)[:-1]])
    read = as_read(tmp_path, late, 48000, 96000)
    direct = as_read(tmp_path, tones([1000, 5000], 48000), 48000, 96000)
    assert read[1000:9000] == pytest.approx(direct[998:8998], abs=1e-6)


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
def test_an_impulse_stays_where_it_was(tmp_path: Path, from_hz: int, to_hz: int) -> None:
    """On a place that both rates have; the same forwards and backwards."""
    signal = np.zeros(2 * from_hz)
    signal[from_hz] = 1.0
    found = as_read(tmp_path, signal, from_hz, to_hz)
    assert np.argmax(np.abs(found)) == to_hz
    # Passed up to half the lower rate, but for the edge: nine tenths of it and more.
    share = min(1.0, to_hz / from_hz)
    assert 0.9 * share < found[to_hz] <= share
    after, before = found[to_hz + 1 : to_hz + 2000], found[to_hz - 1999 : to_hz][::-1]
    assert after == pytest.approx(before, abs=1e-9)


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
def test_a_file_that_begins_at_once_is_in_its_place(
    tmp_path: Path, from_hz: int, to_hz: int
) -> None:
    """Like the same sound after a second of silence, without what rings ahead of it there."""
    signal = np.zeros(from_hz)
    signal[0] = 1.0
    found = as_read(tmp_path, signal, from_hz, to_hz)
    later = as_read(tmp_path, np.concatenate([np.zeros(from_hz), signal]), from_hz, to_hz)
    assert np.argmax(np.abs(found)) == 0
    assert np.abs(found - later[to_hz:]).max() < 1e-9


@pytest.mark.parametrize(("from_hz", "to_hz"), PAIRS)
def test_reading_from_the_middle_is_the_same_slice(
    tmp_path: Path, from_hz: int, to_hz: int
) -> None:
    signal = np.random.default_rng(3).standard_normal(2 * from_hz) * 0.1
    whole = as_read(tmp_path, signal, from_hz, to_hz)
    for start in (1, 1000, to_hz // 2 + 1, to_hz, to_hz + 12345):
        part = as_read(tmp_path, signal, from_hz, to_hz, start)
        assert len(part) == len(whole) - start
        # 200 dB down: the converter starts half a second before, not at the start of the file.
        assert np.abs(part - whole[start:]).max() < 1e-9
