"""Shared by all tests: a cache of their own, and small songs made on the spot."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import hypothesis
import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

# Compiling takes what it takes: a time limit on an example would fail at random.
hypothesis.settings.register_profile("mixwright", deadline=None)
hypothesis.settings.load_profile("mixwright")

RATE_HZ = 48000
SongMaker = Callable[..., Path]


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MIXWRIGHT_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))


@pytest.fixture(scope="session")
def example_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the example song in ``demo``, made once: its stems take a while."""
    from mixwright.cli.demo import write_example

    home = tmp_path_factory.mktemp("reader")
    write_example(home / "demo", force=False)
    return home


def noise(
    seed: int, seconds: float = 2.0, channels: int = 1, level: float = 0.1
) -> NDArray[np.float64]:
    """Gaussian noise, shape (frames, channels)."""
    frames = round(seconds * RATE_HZ)
    return np.random.default_rng(seed).standard_normal((frames, channels)) * level


@pytest.fixture
def make_song(tmp_path: Path) -> SongMaker:
    """Return a function that writes stems and a sheet and returns the sheet's path.

    `tracks` maps a name to ``(samples, yaml settings)``; `rest` is YAML text for other parts.
    """

    def make(
        tracks: dict[str, tuple[NDArray[np.float64], str]],
        rest: str = "",
        song: str = "",
        subtype: str = "DOUBLE",
    ) -> Path:
        (tmp_path / "stems").mkdir(exist_ok=True)
        lines = ["format: 1", f"song: {{title: Test, sample_rate_hz: {RATE_HZ}{song}}}", "tracks:"]
        for name, (samples, settings) in tracks.items():
            soundfile.write(tmp_path / "stems" / f"{name}.wav", samples, RATE_HZ, subtype=subtype)
            lines.append(
                f"  {name}: {{file: stems/{name}.wav{', ' if settings else ''}{settings}}}"
            )
        path = tmp_path / "mix.yaml"
        path.write_text("\n".join(lines) + "\n" + rest, "utf-8")
        return path

    return make


# Files that take longest, to begin with: at the end one worker would wait for the other.
LONGEST = (
    "test_docs",
    "test_example",
    "test_rules",
    "test_cli",
    "test_render",
    "test_wheel",
    "test_rule_songs",
    "test_by_ear",
    "test_compressor",
    "test_hearing",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Run the longest files first; the order within a file stays."""
    rank = {name: index for index, name in enumerate(LONGEST)}
    items.sort(key=lambda item: rank.get(item.path.stem, len(rank)))
