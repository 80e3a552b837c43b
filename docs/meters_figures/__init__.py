"""The chapters of docs/meters.md, one file each; see ``docs/make_meters_page.py``."""

from __future__ import annotations

import sys
from pathlib import Path

# Signals and measures are those of the tests, wherever they have them.
sys.path.append(str(Path(__file__).resolve().parents[2] / "tests"))
