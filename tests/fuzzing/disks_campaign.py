"""Disks that refuse, are full, lose or change files: told plainly, and nothing is lost.

Every command that writes meets: a call that fails, once or from then on (`disk_gate`); files that
may not get longer; too few open files; a small or read-only file system; reads that fail;
recordings that vanish, shrink, grow or are replaced meanwhile; a slow disk; a clock that is wrong.
It ends as if undisturbed, or with 3 (2 where the user can mend it) and the reason. Then each file
is the old or the new one, nothing is left behind, and with a sound disk the same command works.
"""

from __future__ import annotations

import errno
import os
import random
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from fuzzing import own_mounts
from fuzzing.bad_disks import Refusal, befallen, limits, wrong_clock
from fuzzing.campaign import Outcome
from fuzzing.disk_gate import Call, Gate, is_there
from fuzzing.folder_watch import (
    faults_of_end,
    faults_of_files,
    faults_of_manifest,
    faults_of_reason,
    faults_of_status,
    in_sight,
    lying,
)
from fuzzing.forked import Done
from fuzzing.nursery import in_nursery
from fuzzing.small_song import new_song
from fuzzing.writing_jobs import JOBS, Bench, bench, faults_of_debris, usual_seconds

TRIALS_A_CASE = (3, 12)
KINDS = ("refused", "refused", "refused", "longest", "files", "reads", "recording", "slow", "clock")
CALLS: dict[str, tuple[int, ...]] = {
    "write": (errno.ENOSPC, errno.EIO, errno.EDQUOT, errno.EFBIG),
    "open": (errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EMFILE, errno.EIO),
    "rename": (errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EIO),
    "mkdir": (errno.ENOSPC, errno.EROFS, errno.EACCES),
    "sync": (errno.EIO, errno.ENOSPC),
    "remove": (errno.EROFS, errno.EACCES, errno.EIO),
    "any": (errno.ENOSPC, errno.EIO, errno.EDQUOT),
}
# These put files in place one after the other, and speak of the one that was refused.
ONE_BY_ONE = ("demo", "deliver")
EVENTS = ("vanish", "shrink", "grow", "replace", "touch", "overwrite")
STEMS = ("stems/kick.wav", "stems/bass.wav", "stems/lead.wav")


class Disks:
    """A job, and what its disk does."""

    name = "disks"
    about = "disks that are full, refuse, lose files or are slow"
    seconds = 300.0
    sample = 1

    def make(self, dice: random.Random) -> dict[str, Any]:
        """A job of a song, and what befalls it each time."""
        befalls = [_befalls(dice) for _ in range(dice.choice(TRIALS_A_CASE))]
        case = {"song": new_song(dice), "job": dice.choice(list(JOBS)), "befalls": befalls}
        case["mounted"] = [_mounted(dice) for _ in range(3)] if dice.random() < 0.4 else []
        return case

    def attempt(self, case: dict[str, Any], home: Path) -> Outcome:
        """Let all of it befall the job, one after the other."""
        return in_nursery(attempt, case, home)

    def smaller(self, case: dict[str, Any]) -> Iterable[dict[str, Any]]:
        """One thing that befalls is enough."""
        if len(case["befalls"]) + len(case["mounted"]) > 1:
            for one in case["befalls"]:
                yield {**case, "befalls": [one], "mounted": []}
            for one in case["mounted"]:
                yield {**case, "befalls": [], "mounted": [one]}


def _befalls(dice: random.Random) -> dict[str, Any]:
    kind, share = dice.choice(KINDS), round(dice.random(), 4)
    if kind == "refused":
        calls = dice.choice(list(CALLS))
        error = errno.errorcode[dice.choice(CALLS[calls])]
        lasting = calls == "any" or dice.random() < 0.4
        return {"kind": kind, "calls": calls, "error": error, "lasting": lasting, "share": share}
    if kind == "longest":
        return {"kind": kind, "bytes": int(10 ** dice.uniform(0, 6.5))}
    if kind == "files":
        return {"kind": kind, "count": dice.randrange(8, 48)}
    if kind == "recording":
        event, file = dice.choice(EVENTS), dice.choice(STEMS)
        return {"kind": kind, "event": event, "file": file, "share": round(share * 0.8, 4)}
    return {"kind": kind, "share": share}


def _mounted(dice: random.Random) -> dict[str, Any]:
    if dice.random() < 0.25:
        return {"kind": dice.choice(("read only", "no programs"))}
    return {"kind": "small", "room": int(10 ** dice.uniform(0, 6.7))}


def attempt(case: dict[str, Any], home: Path) -> Outcome:
    """Try all that befalls a case; in the process to fork from."""
    tried: Counter[str] = Counter()
    if case["befalls"]:
        made = bench(home, case["song"], JOBS[case["job"]], is_there())
        for one in case["befalls"]:
            if fault := next(_disturbed(made, one, tried), None):
                return Outcome(tried, f"{case['job']}, {one}:\n{fault}")
    if case["mounted"] and not own_mounts.are_there():
        tried["skipped, mounting is not allowed"] += 1
    elif case["mounted"]:
        place = home / "disk"
        place.mkdir()
        counted, fault = own_mounts.apart(_on_own_disk, case, place)
        return Outcome(tried + counted, fault)
    return Outcome(tried)


def _disturbed(made: Bench, one: dict[str, Any], tried: Counter[str]) -> Iterator[str]:
    """What is wrong with how a job takes one thing that befalls it."""
    kind = one["kind"]
    if kind in ("refused", "reads", "slow") and not is_there():
        tried["skipped, calls can't be held up"] += 1
        return
    tried[f"disks: {kind}"] += 1
    made.reset()
    if kind == "recording":
        at = one["share"] * usual_seconds(made)
        act = befallen(made.home / one["file"], one["event"])
        done = made.run(moments=[(at, lambda children: act())])
        yield from _faults_of_recording(made, done, one)
        return
    if kind in ("refused", "reads"):
        refusal = _refusal(made, one)
        done = made.run(Gate(refusal, reads=kind == "reads"))
        yield from _faults(made, done, refusal.error, refusal)
    elif kind == "longest":
        yield from _faults(made, made.run(before=lambda: limits(longest=one["bytes"])), errno.EFBIG)
    elif kind == "files":
        yield from _faults(made, made.run(before=lambda: limits(files=one["count"])), errno.EMFILE)
    elif kind == "slow":
        yield from _faults(made, made.run(Gate(_slowly(one["share"]))), None)
    else:
        _ahead(made.home, one["share"])
        yield from _faults(made, made.run(before=lambda: wrong_clock(one["share"])), None)


def _refusal(made: Bench, one: dict[str, Any]) -> Refusal:
    base = str(made.home.parent)
    if one["kind"] == "reads":
        return Refusal("read", errno.EIO, 1 + int(one["share"] * 60), False, f"{base}/song/stems")
    at = 1 + int(one["share"] * made.gate_calls)
    error = int(getattr(errno, one["error"]))
    return Refusal(one["calls"], error, at, one["lasting"], base)


def _slowly(share: float) -> Any:
    dice = random.Random(share)

    def policy(call: Call) -> int:
        if dice.random() < 0.05:
            time.sleep(0.01)
        return 0

    return policy


def _ahead(home: Path, share: float) -> None:
    """Files of tomorrow, or of long ago."""
    when = time.time() + 86400.0 if share < 0.5 else 86400.0 * 366 * 11
    for file in (*STEMS, "mix.yaml"):
        os.utime(home / file, (when, when))


def _faults(
    made: Bench, done: Done, error: int | None, refusal: Refusal | None = None
) -> Iterator[str]:
    """What is wrong after a job met a disk that refused (with `error`), and after one more run."""
    assert made.reference is not None
    now = lying(made.home)
    if done.status == made.reference.status:
        yield from (f"{fault}\n{done.told}" for fault in faults_of_end(now, made.new))
    elif error is None:
        yield f"it ends otherwise: {done.told}"
    else:
        once = refusal is not None and refusal.calls == "write" and not refusal.lasting
        if not (once and "System error" in done.said):  # it has no reason to be found any more
            yield from faults_of_reason(done, error, _names(made, refusal))
    yield from faults_after(made, done, removes=refusal is None or not refusal.keeps_files)
    again = made.run()
    if again.status != made.reference.status:
        yield f"afterwards it ends otherwise: {again.told}"
    yield from (f"afterwards {fault}" for fault in faults_of_end(lying(made.home), made.new))


def faults_after(made: Bench, done: Done, removes: bool = True) -> Iterator[str]:
    """What is wrong with the files that a job left which met a bad disk."""
    now, out = lying(made.home), made.home / "out"
    yield from faults_of_files(now, made.old, made.new)
    yield from faults_of_manifest(out, lying(out), settled=done.status == 0)
    changed = in_sight(now) != in_sight(made.old)
    one_by_one = made.job.arguments[0] in ONE_BY_ONE
    if done.status != 0 and "nothing was changed" in done.said and changed and not one_by_one:
        yield f"something was changed, although it says nothing was: {done.told}"
    if removes:
        yield from (f"{fault}\n{done.told}" for fault in faults_of_debris(made))


def _names(made: Bench, refusal: Refusal | None) -> set[str]:
    """Names that a message may tell: a file in sight, or a folder that it lies in."""
    files = [Path(file) for file in in_sight({**made.old, **made.new})]
    names = {file.name for file in files} | {p.name for file in files for p in file.parents}
    names |= {str(made.temporary), str(made.home), str(made.cache), "the output", "$tmpdir"} - {""}
    return (names | ({Path(refusal.path).name} if refusal and refusal.path else set())) - {""}


def _faults_of_recording(made: Bench, done: Done, one: dict[str, Any]) -> Iterator[str]:
    """What is wrong after a recording was lost or changed; afterwards it is there again."""
    assert made.reference is not None
    now, file = lying(made.home), one["file"]
    yield from faults_of_status(done)
    if done.status in (2, 3) and Path(file).name not in done.said:
        yield f"the recording isn't told: {done.told}"
    changed = {other: content for other, content in now.items() if other != file}
    before = {other: content for other, content in made.old.items() if other != file}
    if done.status in (2, 3):
        yield from faults_of_files(changed, before, made.new)
    yield from faults_of_debris(made)
    if done.status in (0, 1) and in_sight(changed) != in_sight({**made.new, file: ""}):
        # It may be the new recording's mix; what is part the one and part the other is neither.
        made.run()
        final = {other: one for other, one in lying(made.home).items() if other != file}
        yield from (
            f"neither of two recordings: {fault}" for fault in faults_of_end(changed, final)
        )


def _on_own_disk(case: dict[str, Any], place: Path) -> tuple[Counter[str], str | None]:
    """On a file system that is small or read-only; where mounts are our own."""
    tried: Counter[str] = Counter()
    large = 1 << 28
    own_mounts.mount_memory(place, large)
    made = bench(place, case["song"], JOBS[case["job"]])
    for one in case["mounted"]:
        tried[f"disks: mounted {one['kind']}"] += 1
        made.reset()
        taken = os.statvfs(place)
        used = (taken.f_blocks - taken.f_bfree) * taken.f_frsize
        flag = {"read only": own_mounts.READ_ONLY, "no programs": own_mounts.NO_PROGRAMS}
        size = used + one["room"] if one["kind"] == "small" else large
        own_mounts.mount_memory(place, size, flag.get(one["kind"], 0), again=True)
        error = {"small": errno.ENOSPC, "read only": errno.EROFS}.get(one["kind"])
        done = made.run()
        if one["kind"] != "small":
            own_mounts.mount_memory(place, large, again=True)
        found = list(_faults_when_mounted(made, done, error, place, large))
        if fault := next(iter(found), None):
            return tried, f"{case['job']}, {one}:\n{fault}"
    return tried, None


def _faults_when_mounted(
    made: Bench, done: Done, error: int | None, place: Path, large: int
) -> Iterator[str]:
    yield from faults_after(made, done)
    own_mounts.mount_memory(place, large, again=True)
    yield from _faults(made, done, error)


CAMPAIGN = Disks()
