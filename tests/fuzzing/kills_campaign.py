"""Every command that writes is killed at any moment: nothing is lost, nothing is half there.

Killed before its n-th change of the disk: by system calls where the machine lets them be held up
(`disk_gate`), so that what compiled libraries write counts; else by what Python tells of. And at a
random moment. Afterwards each file in its place is the old or the new one, the manifest is true,
and the same command, run again, leaves what an undisturbed run leaves, and no debris.
"""

from __future__ import annotations

import os
import random
import signal
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from fuzzing.campaign import Outcome
from fuzzing.disk_gate import KILL, Gate, is_there
from fuzzing.folder_watch import (
    faults_of_end,
    faults_of_files,
    faults_of_manifest,
    lying,
)
from fuzzing.nursery import in_nursery
from fuzzing.small_song import new_song
from fuzzing.writing_jobs import JOBS, Bench, bench, faults_of_debris, kill_all, usual_seconds

# What Python tells of before it is done: together with opening to write, all that changes a disk.
CHANGES = ("os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.truncate", "os.link", "os.chmod")
KILLS_A_CASE = (20, 4)
# These say what there was left to do, and that depends on how far they came.
TELL_WHAT_WAS_LEFT = ("deliver", "tidy")
WAYS = ("call", "call", "change", "moment")


class Kills:
    """A job, and moments to be killed at, as shares of all there is to count."""

    name = "kills"
    about = "every command that writes is killed at any moment"
    seconds = 240.0
    sample = 1

    def make(self, dice: random.Random) -> dict[str, Any]:
        """A job of a song, and the moments."""
        count = dice.choice(KILLS_A_CASE)
        at = [(dice.choice(WAYS), round(dice.random(), 4)) for _ in range(count)]
        return {"song": new_song(dice), "job": dice.choice(list(JOBS)), "at": at}

    def attempt(self, case: dict[str, Any], home: Path) -> Outcome:
        """Kill it at each of the moments."""
        return in_nursery(attempt, case, home)

    def smaller(self, case: dict[str, Any]) -> Iterable[dict[str, Any]]:
        """One moment is enough."""
        if len(case["at"]) > 1:
            for moment in case["at"]:
                yield {**case, "at": [moment]}


def attempt(case: dict[str, Any], home: Path) -> Outcome:
    """Kill a job at each of the moments of a case; in the process to fork from."""
    tried: Counter[str] = Counter()
    made = bench(home, case["song"], JOBS[case["job"]], is_there())
    changes = _changes(made)
    for way, share in case["at"]:
        made.reset()
        if way == "call" and not is_there():
            way = "change"
        if way == "call":
            at = 1 + int(share * made.gate_calls)
            gate = Gate(lambda call, at=at: KILL if call.count == at else 0)
            done = made.run(gate)
        elif way == "change":
            at = int(share * changes)
            done = made.run(before=lambda at=at: _die_before(at))
        else:
            at = share * usual_seconds(made)
            done = made.run(moments=[(at, kill_all)])
        died = done.status == -signal.SIGKILL
        tried["kills" if died else "lived"] += 1
        if not died and done.status not in (0, 1):
            return Outcome(tried, f"{case['job']}: it neither died nor was done: {done.told}")
        if fault := next(_faults(made), None):
            where = f"{case['job']}, killed at {way} {at}"
            return Outcome(
                tried, f"{where} (of {made.gate_calls} calls, {changes} changes):\n{fault}"
            )
    return Outcome(tried)


def _changes(made: Bench) -> int:
    """How many changes Python tells of in an undisturbed run."""
    made.reset()
    counted = made.temporary.parent / "counted"
    made.run(before=lambda: _die_before(sys.maxsize, counted))
    return counted.stat().st_size if counted.exists() else 0


def _die_before(at: int, counted: Path | None = None) -> None:
    """In the child: die before that change to the disk; or note each by one byte."""
    changes = 0
    note = None if counted is None else os.open(counted, os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def watch(event: str, arguments: tuple[Any, ...]) -> None:
        nonlocal changes
        opens = event == "open" and arguments[2] & (os.O_WRONLY | os.O_RDWR)
        if not opens and event not in CHANGES:
            return
        if note is not None:
            os.write(note, b".")
        if changes >= at:
            os.kill(os.getpid(), signal.SIGKILL)
        changes += 1

    sys.addaudithook(watch)


def _faults(made: Bench) -> Iterator[str]:
    """What is wrong after a kill, and after the same command once more."""
    now = lying(made.home)
    yield from faults_of_files(now, made.old, made.new)
    out = made.home / "out"
    yield from faults_of_manifest(out, lying(out), settled=False)
    again = made.run()
    assert made.reference is not None
    if again.status != made.reference.status:
        yield f"run again it ends otherwise: {again.told}"
    if made.job.arguments[0] not in TELL_WHAT_WAS_LEFT and again.out != made.reference.out:
        yield f"run again it says something else:\n{again.out[-600:]}\n{made.reference.out[-600:]}"
    yield from faults_of_end(lying(made.home), made.new)
    yield from faults_of_manifest(out, lying(out), settled=True)
    yield from faults_of_debris(made)


CAMPAIGN = Kills()
