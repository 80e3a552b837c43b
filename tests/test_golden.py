"""Goldens: small renders whose samples must not drift. They come after the references.

A change that is meant to alter the sound prints the new figures: run
``python tests/test_golden.py`` and say in the commit why they moved. Tolerance: figures are
compared to 1e-6 of full scale, which is far below hearing and far above rounding differences
between machines.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

import mixwright
from conftest import RATE_HZ, SongMaker, noise

PLACES = (12000, 30001, 60002, 100003)
SHEETS = {
    "eq": ("eq: [{type: bell, freq_hz: 700, gain_db: 5, q: 1.1}], gain_db: -3, pan: L25", ""),
    "dynamics": ("compressor: {threshold_db: -32, ratio: 3, attack_ms: 5, release_ms: 80}", ""),
    "reverb": (
        "sends_db: {hall: -6}",
        "returns: {hall: {type: reverb, decay_s: 0.9, pre_delay_ms: 20, seed: 4}}\n",
    ),
    "echo": (
        "sends_db: {echo: -6}",
        "returns: {echo: {type: delay, note: 1/8 triplet, feedback_db: -7, low_pass_hz: 3000}}\n",
    ),
    "bus": (
        "gain_db: -3",
        "mix_bus: {eq: [{type: high_shelf, freq_hz: 6000, gain_db: 1.5}], "
        "compressor: {threshold_db: -28, ratio: 2, attack_ms: 15, release_ms: 150}}\n",
    ),
}
GOLDEN: dict[str, list[list[float]]] = {
    "eq": [
        [-0.12424729, -0.05782749],
        [0.00068755, 0.05574337],
        [-0.01365086, -0.05567677],
        [0.0954058, 0.02921471],
    ],
    "dynamics": [
        [-0.18130744, -0.10578594],
        [-0.0166022, 0.10436513],
        [-0.01925379, -0.10703734],
        [0.12437527, 0.04666053],
    ],
    "reverb": [
        [-0.14548406, -0.13033074],
        [-0.04805552, 0.10631497],
        [-0.03625311, -0.06124447],
        [0.06323451, 0.08107716],
    ],
    "echo": [
        [-0.18588762, -0.12085829],
        [0.00125605, 0.09330486],
        [-0.08156861, -0.08757992],
        [0.13067015, 0.02708352],
    ],
    "bus": [
        [-0.13726215, -0.07787632],
        [-0.00882475, 0.09783603],
        [-0.00590299, -0.09014546],
        [0.10577502, 0.04123642],
    ],
}


def sampled(path: Path) -> NDArray[np.float64]:
    """Render to float and return the samples at the places."""
    done = mixwright.render(path, path.parent / "golden.wav", format="wav32f", force=True)
    return np.asarray(soundfile.read(done.path)[0][list(PLACES)])


@pytest.mark.parametrize("name", SHEETS)
def test_sound_has_not_drifted(name: str, make_song: SongMaker) -> None:
    settings, rest = SHEETS[name]
    found = sampled(make_song({"a": (noise(11, 3, 2), settings)}, rest))
    assert found == pytest.approx(np.array(GOLDEN[name]), abs=1e-6)


def main() -> None:
    """Print the figures as they are now."""
    import tempfile

    for name, (settings, rest) in SHEETS.items():
        with tempfile.TemporaryDirectory() as folder:
            stem = Path(folder) / "a.wav"
            soundfile.write(stem, noise(11, 3, 2), RATE_HZ, subtype="DOUBLE")
            sheet = Path(folder) / "mix.yaml"
            head = f"format: 1\nsong: {{title: Golden, sample_rate_hz: {RATE_HZ}}}\n"
            sheet.write_text(f"{head}tracks: {{a: {{file: a.wav, {settings}}}}}\n{rest}", "utf-8")
            print(f'    "{name}": {sampled(sheet).round(8).tolist()},')


if __name__ == "__main__":
    main()
