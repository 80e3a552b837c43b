"""Shared by all tests: a cache of their own, and small songs made on the spot."""

from __future__ import annotations

import contextlib
import gc
import io
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import hypothesis
import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

if TYPE_CHECKING:
    from mixwright.rendering import Readings, Rendered

# Python's own notes are kept, whatever the shell says: each worker and each of a hundred commands
# would read all sources again.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
# Compiling takes what it takes: a time limit on an example would fail at random.
hypothesis.settings.register_profile("mixwright", deadline=None)
hypothesis.settings.load_profile("mixwright")

RATE_HZ = 48000
SongMaker = Callable[..., Path]


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The folder of the cache that all tests of this process share, and what they share too."""
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.getbasetemp() / "cache"
        patch.setenv("MIXWRIGHT_CACHE", str(folder))
        yield folder


@dataclass(frozen=True)
class Demo:
    """What ``mixwright demo demo`` left in a folder, what it said, and its renders by step."""

    home: Path
    status: int
    said: str
    renders: dict[str, Rendered]


@pytest.fixture(scope="session")
def example_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the whole example song in ``demo``: its sheet, its stems and its reference."""
    from mixwright.cli.demo import write_example

    home = tmp_path_factory.mktemp("reader")
    write_example(home / "demo", force=False)
    return home


@pytest.fixture(scope="session")
def example_readings(example_home: Path) -> dict[str, Readings]:
    """What renders of the whole example measured, of its balance and of the finished mix."""
    import mixwright

    home = example_home / "demo"
    return {
        step: mixwright.render(
            home / "mix.yaml", home / "out" / f"{step}.wav", through=step
        ).readings
        for step in ("balance", "automation")
    }


@pytest.fixture(scope="session")
def demo(example_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """``mixwright demo demo``, once, on the example cut short: six renders of it take a while."""
    import mixwright
    from mixwright import cli
    from short_example import ShortExample

    home, said = tmp_path_factory.mktemp("short"), io.StringIO()
    renders: dict[str, Rendered] = {}
    render = mixwright.render

    def kept(*arguments: Any, **options: Any) -> Rendered:
        done = render(*arguments, **options)
        renders[done.readings.through] = done
        return done

    short = ShortExample(example_home / "demo", tmp_path_factory.mktemp("source"))
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(said):
        patch.setattr(mixwright, "render", kept)
        patch.setattr("mixwright.cli.demo.example_folder", lambda: short.folder)
        patch.setattr("mixwright.cli.demo._generator", lambda _: short)
        patch.chdir(home)
        status = cli.run(["demo", "demo"])
    return Demo(home, status, said.getvalue(), renders)


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


# Files that share what takes long to make, or the warm process that they fork from: together on one
# worker. The first groups begin first, since at the end one worker would wait for the other.
TOGETHER = (
    ("test_docs", "test_example"),
    (
        *("test_fuzzing", "test_fuzz_commands", "test_killed", "test_deliver", "test_cli"),
        *("test_decoding_commands", "test_commit"),
    ),
    ("test_rules", "test_rule_songs"),
    ("test_loudness_cases",),
    ("test_other_processors",),
    ("test_parts_add_up",),
    ("test_decoding",),
    ("test_review_page", "test_words_in_a_browser"),
    ("test_render",),
    ("test_measure",),
    ("test_compare",),
    ("test_places",),
    ("test_wheel",),
    ("test_album",),
)
GROUP = {name: files[0] for files in TOGETHER for name in files}


def pytest_collection(session: pytest.Session) -> None:
    """Search for no garbage while thousands of tests are gathered, all of which stay."""
    gc.disable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Run the longest groups of files first; the order within a file stays."""
    order = {name: index for index, name in enumerate(chain(*TOGETHER))}
    items.sort(key=lambda item: order.get(item.path.stem, len(order)))


def pytest_collection_finish(session: pytest.Session) -> None:
    """From now on look for garbage among what is new, and less often."""
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
    gc.enable()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Hand out files in this order, and to one worker those that share what they have made."""
    if config.getvalue("dist") != "loadfile":
        return None
    from xdist.scheduler import LoadFileScheduling

    class LongestFirst(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            name = Path(nodeid.split("::", 1)[0]).stem
            return GROUP.get(name, name)

    config.option.loadscopereorder = False  # it would put those with the most tests first
    return LongestFirst(config, log)
