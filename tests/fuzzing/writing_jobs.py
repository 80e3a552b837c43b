"""The commands that write, each with what lies there before and what it is to leave.

A job begins where its `steps` have led: command lines, edits of the sheet (``edit``) among them.
What an undisturbed run makes of it is found by running it, once for each song.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fuzzing.disk_gate import Gate
from fuzzing.folder_watch import TRIED_BY_PYTHON, debris, lying
from fuzzing.forked import Child, Command, Done, Moment, run
from fuzzing.small_song import sheet_text, write_song

EDIT = ("edit",)
UNTIDY = ("untidy",)
Arguments = tuple[str, ...]
RENDER, DELIVER = ("render", "mix.yaml"), ("deliver", "mix.yaml")
EACH_STEP = ("render", "mix.yaml", "--each-step", "--out", "steps")
BYPASS = ("bypass", "mix.yaml", "lead", "eq", "--out", "bypassed")
REVIEW = ("review", "mix.yaml", "--against", "before.yaml")
PLOT = ("measure", "mix.yaml", "--plot", "plots/spectra.png")
TONE = ("measure", "mix.yaml", "--against-references", "--plot", "tone.svg")
LOG = ("log", "mix.yaml", "--md", "--out", "notes/recall.md")


@dataclass(frozen=True)
class Job:
    """A command line, and what was done in the folder before it."""

    arguments: Arguments
    steps: tuple[Arguments, ...] = ()


JOBS: dict[str, Job] = {
    "render, first": Job(RENDER),
    "render": Job(RENDER, (RENDER, EDIT)),
    "render flac": Job(("render", "mix.yaml", "--out", "a/b/mix.flac", "--section", "chorus")),
    "each step, first": Job(EACH_STEP),
    "each step": Job(EACH_STEP, (EACH_STEP, EDIT)),
    "bypass": Job(BYPASS, (BYPASS, EDIT)),
    "deliver, first": Job(DELIVER),
    "deliver again": Job(DELIVER, (DELIVER,)),
    "deliver": Job(DELIVER, (DELIVER, EDIT)),
    "verify": Job(("verify", "out", "--rerender"), (DELIVER,)),
    "review, first": Job(REVIEW),
    "review": Job(REVIEW, (REVIEW, EDIT)),
    "plot, first": Job(PLOT),
    "plot": Job(PLOT, (PLOT, EDIT)),
    "tone": Job(TONE, (TONE, EDIT)),
    "tidy": Job(("tidy", "mix.yaml"), (UNTIDY,)),
    "log": Job(LOG, (LOG, EDIT)),
    "check": Job(("check", "mix.yaml")),
    "demo, first": Job(("demo", "first")),
    "demo": Job(("demo", "first"), (("demo", "first"),)),
}
# Nothing in a folder but these may ever change, unless it is what a command is for.
SOURCES = ("stems/", "references/", "before.yaml", "mix.yaml")


@dataclass
class Bench:
    """A place to try one job of a song: `home` is the song's folder, the rest lies beside it."""

    job: Job
    home: Path
    kept: Path
    old: Mapping[str, str] = field(default_factory=dict)
    new: Mapping[str, str] = field(default_factory=dict)
    reference: Done | None = None
    gate_calls: int = 0

    @property
    def temporary(self) -> Path:
        """The folder for passing files that commands are given."""
        return self.home.parent / "tmp"

    @property
    def cache(self) -> Path:
        """The folder of the cache that commands are given."""
        return self.home.parent / "cache"

    def reset(self) -> None:
        """Put back what lay there before the job."""
        for place in (self.home, self.temporary, self.cache):
            if place.is_symlink() or place.is_file():
                place.unlink()
            shutil.rmtree(place, ignore_errors=True)
            place.mkdir(parents=True)
        shutil.copytree(self.kept, self.home, dirs_exist_ok=True, symlinks=True)

    def run(
        self, gate: Gate | None = None, moments: Sequence[Moment] = (), before: Any = None
    ) -> Done:
        """Run the job as the folder is now."""
        return self.run_as(self.job.arguments, gate, moments, before)

    def run_as(
        self,
        arguments: Sequence[str],
        gate: Gate | None = None,
        moments: Sequence[Moment] = (),
        before: Any = None,
    ) -> Done:
        """Run any command here."""
        return run(self.command(arguments, gate, before), moments)

    def command(
        self, arguments: Sequence[str], gate: Gate | None = None, before: Any = None
    ) -> Command:
        """A command in this folder, with a cache and a place for passing files of its own."""
        environment = {
            "TMPDIR": str(self.temporary),
            "MIXWRIGHT_CACHE": str(self.cache),
            "HOME": str(self.temporary),
        }

        def prepared() -> None:
            if arguments[0] == "demo":
                _use_small_example(self.home)
            if before is not None:
                before()

        return Command(arguments, self.home, environment, prepared, gate)


def bench(home: Path, song: dict[str, Any], job: Job, count: bool = False) -> Bench:
    """Return a place to try a job in, with what an undisturbed run comes to.

    `count` has its system calls counted on the way, where that can be done.
    """
    made = Bench(job, home / "song", home / "kept")
    for place in (made.kept, made.home, made.temporary, made.cache):
        place.mkdir()
    write_song(made.kept, song)
    made.reset()
    for step in job.steps:
        if step == EDIT:
            edited = {**song, "lead_db": song["lead_db"] - 2.5}
            (made.home / "mix.yaml").write_text(sheet_text(edited), "utf-8")
        elif step == UNTIDY:
            (made.home / "mix.yaml").write_text(sheet_text(song, tidy=False), "utf-8")
        else:
            done = made.run_as(step)
            assert done.status in (0, 1), done.told
    shutil.rmtree(made.kept)
    shutil.copytree(made.home, made.kept, symlinks=True)
    made.reset()
    made.old = lying(made.home)
    gate = Gate(lambda call: 0) if count else None
    made.reference = made.run(gate)
    made.gate_calls = len(gate.calls) if gate else 0
    assert made.reference.status in (0, 1), made.reference.told
    made.new = lying(made.home)
    return made


def _use_small_example(home: Path) -> None:
    """Let ``demo`` write this song in place of the example, which takes its time."""
    from mixwright.cli import demo

    source = home.parent / "kept"

    class Small:
        @staticmethod
        def write_stems(folder: Path) -> None:
            for name in ("stems", "references"):
                shutil.copytree(source / name, folder / name)

    demo.example_folder = lambda: source
    demo._generator = lambda folder: Small  # type: ignore[assignment,return-value]


def faults_of_debris(made: Bench) -> Iterator[str]:
    """What was left beside the targets, among passing files, and in the cache."""
    if left := debris(made.home):
        yield f"debris beside the targets: {left[:4]}"
    left = debris(made.temporary, all_of_it=True)
    if left := [file for file in left if not TRIED_BY_PYTHON.fullmatch(file)]:
        yield f"debris in the folder for passing files: {left[:4]}"
    entries = (path for path in made.cache.rglob("*.json") if path.is_file())
    known = {path.relative_to(made.cache).as_posix() for path in entries}
    files = {file for file in debris(made.cache, all_of_it=True) if (made.cache / file).is_file()}
    if left := sorted(files - known):
        yield f"debris in the cache: {left[:4]}"


def kill_all(children: Sequence[Child]) -> None:
    """End every command at once."""
    for child in children:
        child.kill()


def usual_seconds(made: Bench) -> float:
    """How long the job takes undisturbed."""
    assert made.reference is not None
    return made.reference.seconds


def is_root() -> bool:
    """Whether nothing is refused to us."""
    return os.name != "nt" and os.geteuid() == 0
