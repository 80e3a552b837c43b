"""The floor: decode every stem, sum, write - one thread, in blocks. Less can't be done."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import soundfile

FRAMES = 65536


def main(folder: Path) -> None:
    """Sum ``folder/stems`` into ``folder/out/floor.wav``."""
    files = [soundfile.SoundFile(path) for path in sorted((folder / "stems").glob("*.wav"))]
    (folder / "out").mkdir(exist_ok=True)
    block, total = np.empty((FRAMES, 2), np.float32), np.empty((FRAMES, 2), np.float32)
    with soundfile.SoundFile(
        folder / "out" / "floor.wav", "w", files[0].samplerate, 2, subtype="PCM_24"
    ) as out:
        while True:
            total[:] = 0.0
            frames = 0
            for file in files:
                got = file.read(out=block)
                frames = len(got)
                total[:frames] += got * np.float32(0.1)
            out.write(total[:frames])
            if frames < FRAMES:
                return


if __name__ == "__main__":
    main(Path(sys.argv[1]))
