"""Sound for random songs: made from a seed, sparse, quiet enough that few mixes clip."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fuzzing.sheet_words import FILES, STEMS, StemFile, wav_head

_KINDS = ("tone", "bursts", "noise", "clicks", "silence", "loud", "square")


def write_sounds(home: Path, seed: int) -> None:
    """Write every file that sheets may name, with sound in it that follows from the seed."""
    for number, (name, file) in enumerate(FILES.items()):
        rng = np.random.default_rng([seed, number])
        kind = str(rng.choice(_KINDS)) if name in STEMS else "bursts"
        samples = np.clip(_sound(file, kind, rng), -1.0, 1.0) * 32767.0
        path = home / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(wav_head(file) + samples.astype("<i2").tobytes())


def _sound(file: StemFile, kind: str, rng: np.random.Generator) -> NDArray[np.float64]:
    """Samples of one kind, shape (frames, channels)."""
    time_s = np.arange(file.frames)[:, None] / file.rate_hz
    freq_hz = 10.0 ** rng.uniform(1.5, 3.8)
    noise = rng.standard_normal((file.frames, file.channels))
    tone = np.sin(2.0 * np.pi * freq_hz * time_s + np.arange(file.channels))
    level = 10.0 ** (rng.uniform(-40.0, -14.0) / 20.0)
    if kind == "silence":
        return 0.0 * noise
    if kind == "clicks":
        return level * np.where(rng.random((file.frames, 1)) < 3e-4, 1.0, 0.0) * np.ones_like(noise)
    if kind == "bursts":
        return level * noise * np.exp(-6.0 * (time_s % rng.uniform(0.15, 0.7)))
    shapes = {"tone": tone, "noise": noise / 3.0, "loud": 30.0 * tone, "square": np.sign(tone)}
    return level * shapes[kind]
