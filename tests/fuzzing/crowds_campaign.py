"""Two and three commands at once in one folder, the sheet being replaced meanwhile.

Each of them is done or says plainly why not; every file is whole, and is what one of them would
have made alone; what manifest and page speak of is there; nothing is left behind.
"""

from __future__ import annotations

import os
import random
import re
import shutil
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from fuzzing.campaign import Outcome
from fuzzing.folder_watch import (
    MANIFEST,
    faults_of_manifest,
    faults_of_status,
    in_sight,
    lying,
)
from fuzzing.forked import Child, Done, run_all
from fuzzing.nursery import in_nursery
from fuzzing.small_song import new_song, sheet_text
from fuzzing.writing_jobs import (
    BYPASS,
    DELIVER,
    EACH_STEP,
    LOG,
    PLOT,
    RENDER,
    REVIEW,
    Arguments,
    Bench,
    Job,
    bench,
    faults_of_debris,
    usual_seconds,
)

TIDY = ("tidy", "mix.yaml")
VERIFY = ("verify", "out", "--rerender")
CROWDS: tuple[tuple[Arguments, ...], ...] = (
    (RENDER, RENDER),
    (RENDER, RENDER, RENDER),
    (RENDER, DELIVER),
    (DELIVER, DELIVER),
    (DELIVER, DELIVER, RENDER),
    (REVIEW, RENDER),
    (REVIEW, REVIEW),
    (TIDY, RENDER),
    (TIDY, TIDY),
    (EACH_STEP, (*BYPASS[:-1], "steps")),
    (EACH_STEP, EACH_STEP),
    (BYPASS, BYPASS),
    (LOG, LOG),
    (PLOT, PLOT),
    (DELIVER, VERIFY),
    (VERIFY, VERIFY),
)
# What a page's sounds are called in it: they must lie beside it.
SOUND = re.compile(r"audio/[\w.-]+\.(?:js|flac)")


class Crowds:
    """Commands, when each begins, whether there are files of an earlier run, edits of the sheet."""

    name = "crowds"
    about = "two and three commands at once in one folder"
    seconds = 240.0
    sample = 1

    def make(self, dice: random.Random) -> dict[str, Any]:
        """A crowd."""
        crowd = dice.choice(CROWDS)
        edits = [round(dice.random(), 3) for _ in range(dice.choice((0, 0, 1, 2)))]
        before = dice.random() < 0.6
        song = {**new_song(dice), "tidy": TIDY not in crowd}
        return {"song": song, "crowd": crowd, "edits": edits, "before": before}

    def attempt(self, case: dict[str, Any], home: Path) -> Outcome:
        """Let them loose."""
        return in_nursery(attempt, case, home)

    def smaller(self, case: dict[str, Any]) -> Iterable[dict[str, Any]]:
        """Fewer commands, no edits."""
        if case["edits"]:
            yield {**case, "edits": []}
        if len(case["crowd"]) > 2:
            for at in range(len(case["crowd"])):
                yield {**case, "crowd": case["crowd"][:at] + case["crowd"][at + 1 :]}


def attempt(case: dict[str, Any], home: Path) -> Outcome:
    """Run a crowd and look at what it leaves; in the process to fork from."""
    tried: Counter[str] = Counter({"crowds": 1, "commands at once": len(case["crowd"])})
    song, crowd = case["song"], [tuple(one) for one in case["crowd"]]
    texts = [sheet_text(song, song["tidy"])]
    texts.append(sheet_text({**song, "lead_db": song["lead_db"] - 2.0}, song["tidy"]))
    delivers = DELIVER in crowd or VERIFY in crowd
    first: tuple[Arguments, ...] = tuple(dict.fromkeys(crowd)) if case["before"] else ()
    first = (DELIVER, *first) if VERIFY in crowd else first
    made = bench(home, song, Job(crowd[0], _without_tidy(first)))
    alone = _alone(made, crowd, texts)
    made.reset()
    (made.home / "mix.yaml").write_text(texts[0], "utf-8")
    ends = usual_seconds(made) * len(crowd)
    moments = [
        (at * ends, _edit(made.home, texts[(n + 1) % 2])) for n, at in enumerate(case["edits"])
    ]
    done = run_all([made.command(arguments) for arguments in crowd], moments)
    tried.update(f"status {one.status}" for one in done)
    fault = next(_faults(made, done, alone, delivers), None)
    names = ", ".join(" ".join(one) for one in crowd)
    return Outcome(tried, None if fault is None else f"{names}:\n{fault}")


def _without_tidy(steps: Sequence[Arguments]) -> tuple[Arguments, ...]:
    return tuple(step for step in steps if step != TIDY)


def _alone(made: Bench, crowd: Sequence[Arguments], texts: Sequence[str]) -> dict[str, set[str]]:
    """Every content that each file has before, or when one of the crowd has run alone."""
    contents: dict[str, set[str]] = {}
    for arguments in dict.fromkeys(crowd):
        for text in texts:
            made.reset()
            (made.home / "mix.yaml").write_text(text, "utf-8")
            before = lying(made.home)
            done = made.run_as(arguments)
            assert done.status in (0, 1), done.told
            for found in (before, lying(made.home)):
                for file, content in in_sight(found).items():
                    contents.setdefault(file, set()).add(content)
    return contents


def _edit(home: Path, text: str) -> Callable[[Sequence[Child]], None]:
    def act(children: Sequence[Child]) -> None:
        beside = home / "edited"
        beside.write_text(text, "utf-8")
        os.replace(beside, home / "mix.yaml")

    return act


def _faults(
    made: Bench, done: Sequence[Done], alone: dict[str, set[str]], delivers: bool
) -> Iterator[str]:
    for one in done:
        yield from faults_of_status(one)
    told = "\n".join(one.told for one in done)
    now = in_sight(lying(made.home))
    for file, content in now.items():
        if content not in alone.get(file, ()) and Path(file).name != MANIFEST:
            what = "what nobody makes" if file in alone else "a stranger"
            yield f"{file} is {what}\n{told}"
    out = made.home / "out"
    found = faults_of_manifest(out, lying(out), settled=True)
    yield from (f"{fault}\n{told}" for fault in found)
    page = made.home / "review" / "index.html"
    if page.exists():
        named = set(SOUND.findall(page.read_text("utf-8")))
        missing = sorted(sound for sound in named if not (page.parent / sound).exists())
        if missing or not named:
            yield f"the page's sounds are gone: {missing}\n{told}"
    yield from (f"{fault}\n{told}" for fault in faults_of_debris(made))
    if delivers:
        shutil.rmtree(made.cache)
        verified = made.run_as(VERIFY) if (out / MANIFEST).exists() else None
        if verified is not None and verified.status not in (0, 1):
            yield f"what was delivered can't be verified: {verified.told}"


CAMPAIGN = Crowds()
