"""What was measured and need not be measured again, one small file each, in the user's cache.

The key names everything it depends on: the stem (path, size, time of change), the settings,
and the version of this tool. Losing the cache costs time, never a different result.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from pathlib import Path
from typing import Any

from mixwright.dsp.inserts import PluginSettings
from mixwright.version import __version__

# Raised whenever a processor comes to sound different at the same settings.
SOUND = 3
# What a third-party plug-in does may change behind our back: nothing that depends on one is kept.
FOREIGN = f"{PluginSettings.__name__}("


class DataCache:
    """Plain JSON data by the text of what it depends on; `folder` None keeps nothing."""

    def __init__(self, folder: Path | None, kind: str) -> None:
        self._folder = None if folder is None else folder / kind

    def get(self, depends: str) -> Any:
        """Return what was kept for exactly these dependencies, None if nothing was."""
        if self._folder is None or FOREIGN in depends:
            return None
        try:
            return json.loads(self._path(depends).read_text("utf-8"))["value"]
        except (OSError, ValueError, KeyError, TypeError):
            return None  # absent or damaged: measured again, which is always right

    def put(self, depends: str, value: Any) -> None:
        """Keep something; a cache that can't be written to is as good as none."""
        if self._folder is None or FOREIGN in depends:
            return
        path = self._path(depends)
        beside = path.with_name(f"{path.name}.{os.getpid()}")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            beside.write_text(json.dumps({"value": value}), "utf-8")
            os.replace(beside, path)
        except OSError:
            return  # read-only home or full disk: the render itself does not need this

    def _path(self, depends: str) -> Path:
        assert self._folder is not None
        digest = hashlib.sha256(f"{__version__}/{SOUND}\n{depends}".encode()).hexdigest()
        return self._folder / digest[:2] / f"{digest[2:]}.json"


class NumberCache(DataCache):
    """Levels in dB; whatever is no finite number was not kept by us."""

    def __init__(self, folder: Path | None) -> None:
        super().__init__(folder, "levels")

    def get(self, depends: str) -> float | None:
        """Return the number kept for exactly these dependencies, if there is one."""
        value = super().get(depends)
        return float(value) if isinstance(value, float) and math.isfinite(value) else None


class Remembered(NumberCache):
    """Levels that are also kept while this lasts: mixes of one song have most of them in common."""

    def __init__(self, folder: Path | None) -> None:
        super().__init__(folder)
        self._values: dict[str, float] = {}

    def get(self, depends: str) -> float | None:
        """Return the number found before for exactly these dependencies, now or earlier."""
        known = self._values.get(depends)
        return super().get(depends) if known is None else known

    def put(self, depends: str, value: float) -> None:
        """Keep a number."""
        self._values[depends] = value
        super().put(depends, value)
