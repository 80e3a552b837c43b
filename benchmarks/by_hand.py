"""The same job as a capable user would write it by hand: short, whole arrays, same libraries.

Decode, four filters a stem, eight compressors, four returns, EQ and compressor of the bus, write.
With ``--meters`` it also reads what the engine reports: loudness and peak of every track at the
bus and of the mix, by pyloudnorm and scipy. With ``--match`` EQs and compressors are level-matched
besides, as the engine does: only then is the result the same mix.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyloudnorm
import soundfile
from numba import njit
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, resample_poly, sosfilt

from load import AIR_HZ, CUT_HZ, LIFT_HZ, PASS_HZ, RATE_HZ

Array = NDArray[np.float64]


def section(kind: str, freq_hz: float, gain_db: float, q: float) -> Array:
    """A cookbook bell or high shelf as one row of second-order sections."""
    a, w = 10 ** (gain_db / 40), 2 * np.pi * freq_hz / RATE_HZ
    c, alpha = np.cos(w), np.sin(w) / (2 * q)
    if kind == "bell":
        row = [1 + alpha * a, -2 * c, 1 - alpha * a, 1 + alpha / a, -2 * c, 1 - alpha / a]
    else:
        p, m, r = a + 1, a - 1, 2 * np.sqrt(a) * alpha
        row = [a * (p + m * c + r), -2 * a * (m + p * c), a * (p + m * c - r)]
        row += [p - m * c + r, 2 * (m - p * c), p - m * c - r]
    return np.array(row)[None] / row[3]


@njit(cache=True)  # type: ignore[untyped-decorator]
def compress(x, threshold, ratio, attack, release):  # type: ignore[no-untyped-def]
    """Hard-knee, stereo-linked, in place."""
    g = 0.0
    for n in range(len(x)):
        level = 20 * np.log10(max(abs(x[n, 0]), abs(x[n, 1]), 1e-9))
        c = max(0.0, (level - threshold) * (1 - 1 / ratio))
        k = attack if c > g else release
        g = k * g + (1 - k) * c
        x[n] *= 10 ** (-g / 20)


def coefficient(time_ms: float) -> float:
    """One-pole coefficient."""
    return float(np.exp(-1000.0 / (time_ms * RATE_HZ)))


def reverb(x: Array, decay_s: float) -> Array:
    """Convolve with decaying noise."""
    n = int(decay_s * RATE_HZ)
    noise = np.random.default_rng(1).standard_normal((n, 2))
    return fftconvolve(x, noise * 10 ** (-3 * np.arange(n) / n)[:, None] * 0.01, axes=0)[: len(x)]


def echo(x: Array, samples: int, feedback: float, repeats: int) -> Array:
    """Shifted copies, each duller and quieter."""
    out, copy = np.zeros_like(x), x
    sos = butter(2, 4500, fs=RATE_HZ, output="sos")
    for _ in range(repeats):
        copy = np.concatenate([np.zeros((samples, 2)), copy])[: len(x)]
        if feedback:
            copy = sosfilt(sos, copy, axis=0)
        out += copy
        copy = copy * feedback
    return out


def matched(before: Array, after: Array, meter: pyloudnorm.Meter) -> Array:
    """Bring a track back to the loudness it had."""
    lost = meter.integrated_loudness(before) - meter.integrated_loudness(after)
    return after * 10 ** (lost / 20)


def main(folder: Path, meters: bool, match: bool) -> None:
    """Mix ``folder/stems`` into ``folder/out/by_hand.wav``."""
    chain = np.concatenate(
        [
            butter(2, PASS_HZ, "high", fs=RATE_HZ, output="sos"),
            section("bell", CUT_HZ, -2.0, 1.4),
            section("bell", LIFT_HZ, 1.5, 1.0),
            section("shelf", AIR_HZ, 1.0, 0.7071),
        ]
    )
    meter = pyloudnorm.Meter(RATE_HZ)
    mix, sends = None, []
    for index, path in enumerate(sorted((folder / "stems").glob("*.wav"))):
        dry = soundfile.read(path)[0]
        x = sosfilt(chain, dry, axis=0)
        if match:
            x = matched(dry, x, meter)
        if index % 3 == 0:
            before = x.copy() if match else x
            compress(x, -16.0, 3.0, coefficient(8.0), coefficient(90.0))
            x = matched(before, x, meter) if match else x
        side = 0.0 if index % 3 == 0 else (10 + index * 3) * (-1 if index % 2 else 1)
        angle = (side + 100) / 200 * np.pi / 2
        x = x * 10 ** ((-30 - index % 5) / 20) * np.array([np.cos(angle), np.sin(angle)]) * 2**0.5
        if mix is None:
            mix, sends = np.zeros_like(x), [np.zeros_like(x) for _ in range(4)]
        mix += x
        if meters:
            print(path.name, np.abs(x).max(), meter.integrated_loudness(x))
        sends[index % 4] += x * 10 ** (-14 / 20)
    assert mix is not None
    mix += reverb(sends[0], 0.5) + reverb(sends[1], 2.0)
    mix += echo(sends[2], int(0.095 * RATE_HZ), 0.0, 1) + echo(sends[3], 22500, 0.35, 7)
    mix = sosfilt(section("shelf", 8000, 1.0, 0.7071), mix, axis=0)
    before = mix.copy() if match else mix
    compress(mix, -30.0, 2.0, coefficient(15.0), coefficient(150.0))
    mix = matched(before, mix, meter) * 10 ** (-9 / 20) if match else mix
    if meters:
        true_peak = np.abs(resample_poly(mix, 4, 1, axis=0)).max()
        print("mix", true_peak, meter.integrated_loudness(mix))
    (folder / "out").mkdir(exist_ok=True)
    soundfile.write(folder / "out" / "by_hand.wav", mix, RATE_HZ, subtype="PCM_24")


if __name__ == "__main__":
    main(Path(sys.argv[1]), "--meters" in sys.argv, "--match" in sys.argv)
