"""Many commands one after the other in one folder, with edits and odd names in between.

Each ends in 0, 1, 2 or 3 and plain words; recordings stay what they are, the sheet too unless it is
tidied, and files of others unless ``--force`` is said; at the end the sheet makes the same bits as
in a fresh folder.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from fuzzing.campaign import Outcome
from fuzzing.folder_watch import (
    content_of,
    debris,
    faults_of_manifest,
    faults_of_status,
    lying,
)
from fuzzing.minimise import fewer
from fuzzing.nursery import in_nursery
from fuzzing.sequence_words import EDITS, OUTSIDE, edited, new_command
from fuzzing.small_song import new_song, write_song
from fuzzing.writing_jobs import RENDER, Bench, Job

FOREIGN = b"not mixwright's\n"


class Sequences:
    """Commands and edits, one after the other."""

    name = "sequences"
    about = "commands one after the other, with edits and odd names in between"
    seconds = 240.0
    sample = 1

    def make(self, dice: random.Random) -> dict[str, Any]:
        """Three to eight commands, edits between some of them."""
        steps: list[tuple[str, ...]] = []
        for _ in range(dice.randrange(3, 9)):
            if dice.random() < 0.4:
                steps.append(("edit", dice.choice(list(EDITS))))
            steps.append(("run", *new_command(dice)))
        return {"song": new_song(dice), "steps": steps, "git": dice.random() < 0.4}

    def attempt(self, case: dict[str, Any], home: Path) -> Outcome:
        """Do all of it."""
        return in_nursery(attempt, case, home)

    def smaller(self, case: dict[str, Any]) -> Iterable[dict[str, Any]]:
        """Fewer steps."""
        for steps in fewer(case["steps"]):
            yield {**case, "steps": steps}


def attempt(case: dict[str, Any], home: Path) -> Outcome:
    """Do the steps of a case and look after each; in the process to fork from."""
    tried: Counter[str] = Counter({"sequences": 1})
    made = Bench(Job(RENDER), home / "song", home / "kept")
    for place in (made.kept, made.home, made.temporary, made.cache):
        place.mkdir()
    write_song(made.kept, case["song"])
    made.reset()
    if case["git"]:
        _into_git(made)
    for step in case["steps"]:
        if fault := next(_faults_of_step(made, step, tried), None):
            return Outcome(tried, f"{' '.join(step)}:\n{fault}")
    fault = next(_faults_at_end(made, home), None)
    return Outcome(tried, fault)


def _into_git(made: Bench) -> None:
    name = {"GIT_AUTHOR_NAME": "a", "GIT_COMMITTER_NAME": "a"}
    mail = {"GIT_AUTHOR_EMAIL": "a@b.invalid", "GIT_COMMITTER_EMAIL": "a@b.invalid"}
    environment = {**os.environ, **name, **mail, "HOME": str(made.temporary)}
    for words in (("init", "-q"), ("add", "mix.yaml"), ("commit", "-qm", "first")):
        subprocess.run(["git", *words], cwd=made.home, env=environment, check=True)


def _faults_of_step(made: Bench, step: tuple[str, ...], tried: Counter[str]) -> Iterator[str]:
    kind, *words = step
    if kind == "edit":
        tried["edits"] += 1
        edited(made.home, words[0])
        return
    before = _without_git(lying(made.home))
    done = made.run_as(words)
    tried["commands"] += 1
    tried[f"status {done.status}"] += 1
    yield from faults_of_status(done)
    now = _without_git(lying(made.home))
    for file, content in before.items():
        if now.get(file) == content or _may_change(made, file, content, words):
            continue
        yield f"{file} was changed or lost: {done.told}"
    yield from (f"{fault}\n{done.told}" for fault in _faults_of_places(made))


def _without_git(found: dict[str, str]) -> dict[str, str]:
    return {file: content for file, content in found.items() if not file.startswith(".git/")}


def _may_change(made: Bench, file: str, content: str, words: list[str]) -> bool:
    """Whether a command may write over a file that was there."""
    if file.startswith(("stems/", "references/")) or file in ("before.yaml", "odd sheet.yaml"):
        return words[0] == "tidy" and file in words
    if file == "mix.yaml":
        return words[0] == "tidy" and "--check" not in words and "--diff" not in words
    return content != content_of_foreign() or "--force" in words


def content_of_foreign() -> str:
    """The hash of what is not ours."""
    import hashlib

    return hashlib.sha256(FOREIGN).hexdigest()


def _faults_of_places(made: Bench) -> Iterator[str]:
    left = [file for file in debris(made.home) if not file.startswith(".git")]
    odd = [file for file in left if ".hidden" not in file]  # as the user called it
    if odd:
        yield f"debris: {odd[:4]}"
    if left := [f for f in debris(made.temporary, all_of_it=True) if "mixwright-bug" not in f]:
        yield f"debris in the folder for passing files: {left[:4]}"
    for manifest in made.home.rglob("manifest.json"):
        if manifest.is_file() and manifest.stat().st_size > len(FOREIGN):
            folder = manifest.parent
            yield from faults_of_manifest(folder, lying(folder), settled=False)
    outside = made.home.parent / OUTSIDE
    if outside.exists() and outside.read_bytes() != FOREIGN:
        yield "a file outside the folder was changed"


def _faults_at_end(made: Bench, home: Path) -> Iterator[str]:
    """A render of the sheet as it is now against one in a fresh folder, without the cache."""
    fresh = Bench(Job(RENDER), home / "fresh" / "song", home / "fresh" / "kept")
    for place in (fresh.home, fresh.temporary, fresh.cache):
        place.mkdir(parents=True)
    for name in (name for name in ("stems", "references") if (made.home / name).is_dir()):
        shutil.copytree(made.home / name, fresh.home / name, symlinks=True)
    if not (made.home / "mix.yaml").exists():
        return
    shutil.copyfile(made.home / "mix.yaml", fresh.home / "mix.yaml")
    words = ("render", "mix.yaml", "--out", "at the end/mix.wav")
    one, other = made.run_as(words), fresh.run_as(words)
    if (one.status, one.out) != (other.status, other.out):
        yield f"otherwise than in a fresh folder: {one.told}{one.out}{other.told}{other.out}"
    elif one.status == 0:
        made_there, made_fresh = (content_of(at.home / words[-1]) for at in (made, fresh))
        if made_there != made_fresh:
            yield "the mix has other bits than in a fresh folder"


CAMPAIGN = Sequences()
