"""What a kill leaves: every file old or new and whole, and after one more run no debris.

Each command is cut off before changes to the disk, chosen over all of its run; the changes that the
sound library makes to a file are not among them: a file that it has begun is half until renamed.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import soundfile

from cut_off import changes_of, cut_off
from fuzzing.nursery import in_nursery
from warm_command import needs_fork

RATE_HZ = 48000
SHEET = """\
format: 1
song: {title: Ebb, sample_rate_hz: 48000, tempo: [{bar: 1, bpm: 240, beats_per_bar: 4}]}
tracks:
  bass: {file: stems/bass.wav, gain_db: +GAIN, compressor: {threshold_db: -30, ratio: 3}}
  keys: {file: stems/keys.wav, role: keys, eq: [{type: bell, freq_hz: 300, gain_db: 3, q: 1}]}
variants:
  main: {formats: [wav24]}
  high: {file_name: "{title}/{variant}", formats: [flac16], offset_db: {keys: 2}}
"""
# What each command is killed in, and what it writes; the cache and the temporary files aside.
COMMANDS = {
    "render": ["render", "mix.yaml"],
    "each-step": ["render", "mix.yaml", "--each-step", "--through", "eq"],
    "bypass": ["bypass", "mix.yaml", "bass", "compressor"],
    "review": ["review", "mix.yaml"],
    "check": ["check", "mix.yaml"],
    "measure": ["measure", "mix.yaml", "--plot", "out/tone.svg"],
    "compare": ["compare", "mix.yaml", "before.yaml"],
    "log": ["log", "mix.yaml", "--out", "out/recall.md", "--md"],
    "deliver": ["deliver", "mix.yaml"],
    "tidy": ["tidy", "mix.yaml"],
}
CACHED = re.compile(r"(levels|findings|hashes)(/[0-9a-f]{2}(/[0-9a-f]{62}\.json)?)?")


def sung(home: Path) -> None:
    """A song short enough to be mixed hundreds of times."""
    (home / "stems").mkdir(parents=True)
    for seed, name in enumerate(("bass", "keys")):
        noise = np.random.default_rng(seed).standard_normal(RATE_HZ // 2) * 0.05
        soundfile.write(home / "stems" / f"{name}.wav", noise, RATE_HZ)
    written(home, "-6")
    shutil.copy(home / "mix.yaml", home / "before.yaml")


def written(home: Path, gain: str) -> None:
    (home / "mix.yaml").write_text(SHEET.replace("GAIN", gain).replace("+-", "-"), "utf-8")


def run(words: list[str]) -> None:
    """Run a command as it is run, with what it says left out."""
    from mixwright import cli

    with open(os.devnull, "w") as nowhere, contextlib.redirect_stdout(nowhere):
        status = cli.run(words)
    assert status in (0, 1), f"{words} ended with {status}"


@contextlib.contextmanager
def within(home: Path) -> Iterator[None]:
    """Work in a folder, with its own cache and its own temporary files."""
    (home / "tmp").mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("MIXWRIGHT_CACHE", str(home / "cache"))
        patch.setenv("TMPDIR", str(home / "tmp"))
        patch.setattr(tempfile, "tempdir", str(home / "tmp"))
        patch.chdir(home)
        yield


def lying(home: Path) -> dict[str, str]:
    """Every file and folder by its path, hidden ones too, with the hash of what it holds."""
    found = {}
    for path in sorted(home.rglob("*")):
        name = path.relative_to(home).as_posix()
        if not name.startswith(("cache", "tmp")):
            found[name] = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
    return found


def debris(home: Path) -> list[str]:
    """What lies in the cache and among the temporary files and should not."""
    cached = [p.relative_to(home / "cache").as_posix() for p in (home / "cache").rglob("*")]
    left = [name for name in cached if not CACHED.fullmatch(name)]
    return left + [p.name for p in (home / "tmp").rglob("*")]


def shown(found: dict[str, str]) -> dict[str, str]:
    """What a user looks at: all that isn't in a hidden folder, and sounds of the page by name."""
    return {
        name: sha256
        for name, sha256 in found.items()
        if sha256 and not any(part.startswith(".") for part in Path(name).parts)
    }


def points_of(changes: int, most: int) -> list[int]:
    """Some of so many changes, the first and the last among them."""
    return sorted({round(at) for at in np.linspace(0, changes - 1, min(changes, most))})


def anew(home: Path, start: Path) -> None:
    shutil.rmtree(home, ignore_errors=True)
    shutil.copytree(start, home)


def kill(name: str, home: Path, most: int) -> int:
    """Cut a command off at up to so many places, and run it again; how many places there are."""
    words, start, place = COMMANDS[name], home / "start", home / "song"
    sung(start)
    with within(start):
        run(words)  # what lies there before
    before = lying(start)
    shutil.rmtree(start / "cache", ignore_errors=True)
    written(start, "-9")
    anew(place, start)
    with within(place):
        run(words)
    after = lying(place)
    assert name == "check" or name == "compare" or shown(after) != shown(before)
    assert debris(place) == []
    anew(place, start)
    with within(place):
        changes = changes_of(partial(run, words))
    for point in points_of(changes, most):
        anew(place, start)
        with within(place):
            assert cut_off(partial(run, words), point), f"lived at {point}"
            whole = {*before.items(), *after.items(), *lying(start).items()}
            for file, sha256 in shown(lying(place)).items():
                is_whole = (file, sha256) in whole or file.endswith("manifest.json")
                assert is_whole, f"{file} is neither old nor new after a kill at {point}"
            assert not cut_off(partial(run, words), 10**9)
            assert lying(place) == after, f"killed at {point}"
            assert debris(place) == [], f"killed at {point}"
    return changes


@needs_fork
@pytest.mark.parametrize(
    "names",
    [
        {"tidy": 8, "render": 8, "each-step": 4, "bypass": 2, "measure": 2},
        {"deliver": 5, "review": 3, "check": 1, "compare": 1, "log": 1},
    ],
)
def test_a_command_that_is_killed_leaves_all_files_whole_and_one_more_run_clears_up(
    names: dict[str, int], tmp_path: Path
) -> None:
    # In the warm process: forking is safe only where there are no threads.
    changes = {name: in_nursery(kill, name, tmp_path / name, most) for name, most in names.items()}
    print(changes)
    assert min(changes.values()) >= 3
