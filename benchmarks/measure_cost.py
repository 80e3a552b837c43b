"""What measuring costs: every figure of one file, or its integrated loudness alone by hand.

``python benchmarks/measure_cost.py FILE`` does what ``mixwright measure FILE`` does, short of the
table; ``--loudness-alone`` reads the whole file and asks another library, pyloudnorm, for one
figure.
"""

from __future__ import annotations

import sys
from pathlib import Path


def all_figures(path: Path) -> None:
    """Measure a file with every meter there is."""
    import mixwright

    print(mixwright.measure(path))


def loudness_alone(path: Path) -> None:
    """Read a file and work out its integrated loudness."""
    import pyloudnorm
    import soundfile

    samples, rate_hz = soundfile.read(path)
    print(pyloudnorm.Meter(rate_hz).integrated_loudness(samples))


if __name__ == "__main__":
    (loudness_alone if "--loudness-alone" in sys.argv else all_figures)(Path(sys.argv[1]))
