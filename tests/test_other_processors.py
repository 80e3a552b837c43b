"""How far apart two processors may be: code made for this one against code for any of its kind.

Fused multiplications, wider vectors in a library and other routines for sines round last bits of
float64 otherwise. What is left of that in a mix is noise far below any format: this law holds it.
(Measured where it was written: -144.5 dBFS, one step of a 32-bit float below full scale.)
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

import mixwright
from conftest import RATE_HZ, SongMaker, noise

MOST_DBFS = -140.0
REST = """\
returns:
  hall: {type: reverb, decay_s: 0.8, pre_delay_ms: 10}
  slap: {type: delay, time_ms: 90, feedback_db: -10}
mix_bus:
  gain_db: 9
  compressor: {threshold_db: -20, ratio: 2, attack_ms: 10, release_ms: 100}
  limiter: {ceiling_dbtp: -1}
"""
TRACK = (
    "eq: [{type: high_pass, freq_hz: 90}, {type: bell, freq_hz: 1000, gain_db: 3, q: 1.0}], "
    "gate: {threshold_db: -30}, "
    "compressor: {threshold_db: -30, ratio: 3, attack_ms: 5, release_ms: 80}, "
    "sends_db: {hall: -12, slap: -12}"
)


@pytest.fixture
def any_code(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Where code for any processor is kept, from run to run as that for this one is."""
    cache: pytest.Cache | None = getattr(request.config, "cache", None)
    return tmp_path if cache is None else cache.mkdir("code_for_any_processor")


@pytest.fixture
def sheet(make_song: SongMaker) -> Path:
    """A song with a part of every kind that calculates, one track of it at another rate."""
    swells = np.repeat(np.random.default_rng(3).uniform(0.02, 1.0, 16), RATE_HZ // 8)
    song = {"a": (noise(1) * swells[:, None], TRACK), "b": (noise(2, 2.0, 2, 0.1), "pan: L20")}
    path = make_song(song, REST)
    slower = path.parent / "stems" / "b.wav"
    soundfile.write(slower, noise(2, 1.8, 2, 0.1), 44100, subtype="PCM_24")
    return path


def any_processor(folder: Path) -> dict[str, str]:
    """Surroundings in which nothing is made for this processor, with compiled code of its own."""
    from numpy._core import _multiarray_umath as umath  # numpy has no public list of them

    found = [name for name in umath.__cpu_dispatch__ if umath.__cpu_features__.get(name)]
    return {
        **os.environ,
        "NUMBA_CPU_NAME": "generic",
        "NUMBA_CPU_FEATURES": "",
        "NUMBA_CACHE_DIR": str(folder),
        "NPY_DISABLE_CPU_FEATURES": " ".join(found),
        **({"OPENBLAS_CORETYPE": "Prescott"} if platform.machine() == "x86_64" else {}),
    }


def test_another_processor_differs_by_noise_below_every_format(
    sheet: Path, any_code: Path, tmp_path: Path
) -> None:
    here, there = tmp_path / "here.wav", tmp_path / "there.wav"
    done = mixwright.render(sheet, here, format="wav32f")
    assert done.readings.reductions["mix_bus.limiter"].max_db > 0.5, "the limiter has to work"
    assert done.readings.reductions["a.gate"].max_db > 1.0, "and the gate"
    command = ["render", str(sheet), "--out", str(there), "--format", "wav32f", "--no-cache"]
    subprocess.run(
        [sys.executable, "-m", "mixwright.cli", *command],
        env=any_processor(any_code),
        capture_output=True,
        check=True,
    )
    (one, _), (other, _) = soundfile.read(here), soundfile.read(there)
    assert one.shape == other.shape
    residual_dbfs = 20.0 * np.log10(np.abs(one - other).max() + 1e-30)
    print(f"{residual_dbfs:.1f} dBFS in {np.mean(one != other):.1%} of the samples")
    assert residual_dbfs < MOST_DBFS
    assert (one != other).any(), "nothing was compiled otherwise: the law was not tried"
