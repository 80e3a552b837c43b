"""Caches that are damaged, foreign, poisoned or in the way: every result is as without a cache."""

from __future__ import annotations

import json
import os
import random
import shutil
import socket
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from fuzzing.bad_disks import limits
from fuzzing.campaign import Outcome
from fuzzing.folder_watch import faults_of_end, faults_of_status, lying
from fuzzing.forked import Done
from fuzzing.nursery import in_nursery
from fuzzing.small_song import new_song
from fuzzing.writing_jobs import DELIVER, RENDER, REVIEW, Bench, Job, bench, usual_seconds

CHECK, LOG = ("check", "mix.yaml", "--all"), ("log", "mix.yaml", "--json")
JOBS = {"render": RENDER, "check": CHECK, "log": LOG, "deliver": DELIVER, "review": REVIEW}
MEMORY_BYTES = 6 << 30  # an entry without end must not take the machine's
# Each does something to the entry at `path`; `other` is another one, both are there.
Harm = Callable[[Path, Path, random.Random], None]


def _text(text: str) -> Harm:
    return lambda path, other, dice: path.write_text(text, "utf-8")


def _changed(change: Callable[[Any], Any]) -> Harm:
    """Write a value in place of the one that is kept, in whatever form the file has."""

    def harm(path: Path, other: Path, dice: random.Random) -> None:
        data = json.loads(path.read_text("utf-8"))
        data["value"] = change(data["value"])
        path.write_text(json.dumps(data), "utf-8")

    return harm


def _poisoned(value: Any) -> Any:
    """Every number in a value becomes another one that is as likely."""
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    if isinstance(value, int | float):
        return value + 3
    if isinstance(value, list):
        return [_poisoned(item) for item in value]
    return {key: _poisoned(item) for key, item in value.items()}


def _cut(path: Path, other: Path, dice: random.Random) -> None:
    os.truncate(path, dice.randrange(path.stat().st_size))


def _flipped(path: Path, other: Path, dice: random.Random) -> None:
    data = bytearray(path.read_bytes())
    data[dice.randrange(len(data))] ^= 1 << dice.randrange(8)
    path.write_bytes(data)


def _swapped(path: Path, other: Path, dice: random.Random) -> None:
    one, two = path.read_bytes(), other.read_bytes()
    path.write_bytes(two)
    other.write_bytes(one)


def _in_place(put: Callable[[Path], object]) -> Harm:
    def harm(path: Path, other: Path, dice: random.Random) -> None:
        path.unlink()
        put(path)

    return harm


def _socket(path: Path) -> None:
    where = os.getcwd()
    os.chdir(path.parent)  # an address of a socket must be short
    try:
        with socket.socket(socket.AF_UNIX) as bound:
            bound.bind("s")
        os.replace("s", path)
    finally:
        os.chdir(where)


HARMS: dict[str, Harm] = {
    "cut": _cut,
    "flipped": _flipped,
    "empty": _text(""),
    "foreign": _text('{"name": "another tool"}\n'),
    "a list": _text("[1, 2, 3]"),
    "not a number": _text('{"value": NaN}'),
    "endless": _text('{"value": Infinity}'),
    "too big a number": _text('{"value": 1e999}'),
    "a word": _changed(lambda value: "seven"),
    "nothing": _changed(lambda value: None),
    "yes": _changed(lambda value: True),
    "whole number": _changed(lambda value: 10**400),
    "nested": _text("[" * 100_000),
    "huge": _text('{"value": "' + "x" * 30_000_000 + '"}'),
    "binary": lambda path, other, dice: path.write_bytes(dice.randbytes(500)) and None,
    "poisoned": _changed(_poisoned),
    "swapped": _swapped,
    "a folder": _in_place(lambda path: path.mkdir()),
    "a full folder": _in_place(lambda path: (path / "x").mkdir(parents=True)),
    "a link to nowhere": _in_place(lambda path: path.symlink_to("nowhere")),
    "a link to itself": _in_place(lambda path: path.symlink_to(path.name)),
    "a link to endless zeros": _in_place(lambda path: path.symlink_to("/dev/zero")),
    "a FIFO": _in_place(os.mkfifo),
    "a socket": _in_place(_socket),
}
# These look like an entry of ours.
EDITED = ("poisoned", "swapped", "flipped", "whole number")
# Of the cache as a whole.
PLACES = ("file", "dangling", "loop", "read only", "deleted meanwhile", "cluttered", "none")


class Caches:
    """A job, and what has become of the entries of the cache, or of the cache."""

    name = "caches"
    about = "caches that are damaged, foreign, poisoned or in the way"
    seconds = 240.0
    sample = 1

    def make(self, dice: random.Random) -> dict[str, Any]:
        """Some harms to some entries, and sometimes one to the place."""
        harms = [
            (dice.choice(list(HARMS)), dice.randrange(1000), dice.randrange(1000))
            for _ in range(dice.randrange(1, 6))
        ]
        place = dice.choice(PLACES) if dice.random() < 0.3 else ""
        return {
            "song": new_song(dice),
            "job": dice.choice(list(JOBS)),
            "harms": harms,
            "place": place,
        }

    def attempt(self, case: dict[str, Any], home: Path) -> Outcome:
        """Run the job with that cache."""
        return in_nursery(attempt, case, home)

    def smaller(self, case: dict[str, Any]) -> Iterable[dict[str, Any]]:
        """One harm is enough."""
        if case["place"]:
            yield {**case, "place": ""}
            yield {**case, "harms": []}
        if len(case["harms"]) > 1:
            for harm in case["harms"]:
                yield {**case, "harms": [harm]}


def attempt(case: dict[str, Any], home: Path) -> Outcome:
    """Run a job with a cache that was harmed; in the process to fork from."""
    tried: Counter[str] = Counter({"caches": 1, f"caches of {case['job']}": 1})
    made = bench(home, case["song"], Job(JOBS[case["job"]]))
    fault = next(_faults(made, case, tried), None)
    if fault is None:
        return Outcome(tried)
    harms = [name for name, _, _ in case["harms"]]
    return Outcome(tried, f"{case['job']} with {harms} {case['place']}:\n{fault}")


def _faults(made: Bench, case: dict[str, Any], tried: Counter[str]) -> Iterator[str]:
    kept = made.home.parent / "cache kept"
    shutil.copytree(made.cache, kept)
    made.reset()
    shutil.copytree(kept, made.cache, dirs_exist_ok=True)
    # The entries are by path, size and time: all as they were when the cache was filled.
    for _ in range(2):
        _empty_home(made)
        yield from _differs(made, made.run())
    entries = sorted(path for path in made.cache.rglob("*.json") if path.is_file())
    assert entries, "nothing is kept"
    for name, one, two in case["harms"]:
        path, other = entries[one % len(entries)], entries[two % len(entries)]
        if path.is_file() and other.is_file() and not path.is_symlink():
            try:
                HARMS[name](path, other, random.Random(one))
            except (ValueError, KeyError, TypeError):
                continue  # harmed before
            tried[f"entries: {name}"] += 1
    moments = _harm_place(made, case["place"])
    _empty_home(made)
    done = made.run(moments=moments, before=lambda: limits(memory=MEMORY_BYTES))
    edited = any(name in EDITED for name, _, _ in case["harms"])
    words = "with numbers that were edited, " if edited else ""
    yield from (f"{words}{fault}" for fault in _differs(made, done))
    _empty_home(made)
    again = made.run(before=lambda: limits(memory=MEMORY_BYTES))
    yield from (f"{words}once more: {fault}" for fault in _differs(made, again))


def _empty_home(made: Bench) -> None:
    """Take away what the job made; the recordings keep their times, and the cache is of use."""
    for file in set(lying(made.home)) - set(made.old):
        (made.home / file).unlink()


def _differs(made: Bench, done: Done) -> Iterator[str]:
    """What is otherwise than without a cache: files, words or how it ends."""
    assert made.reference is not None
    yield from faults_of_status(done, (made.reference.status or 0,))
    yield from (f"{fault}\n{done.told}" for fault in faults_of_end(lying(made.home), made.new))
    if done.out != made.reference.out:
        pairs = zip(done.out.splitlines(), made.reference.out.splitlines(), strict=False)
        lines = next((pair for pair in pairs if pair[0] != pair[1]), ("", "its end"))
        yield f"it says something else:\n{lines[0]}\n{lines[1]}"


def _harm_place(made: Bench, place: str) -> list[tuple[float, Any]]:
    cache = made.cache
    if place in ("file", "dangling", "loop"):
        shutil.rmtree(cache)
        if place == "file":
            cache.write_text("in the way")
        else:
            cache.symlink_to("nowhere" if place == "dangling" else cache.name)
    elif place == "read only":
        for path in (cache, *cache.rglob("*")):
            path.chmod(0o500 if path.is_dir() else 0o400)
    elif place == "cluttered":
        for folder in [path for path in cache.rglob("*") if path.is_dir()]:
            (folder / "x.json.part").write_bytes(b"x")
            (folder / ".hidden").mkdir()
    elif place == "none":
        shutil.rmtree(cache)
    elif place == "deleted meanwhile":
        at = 0.4 * usual_seconds(made)
        return [(at, lambda children: shutil.rmtree(cache, ignore_errors=True))]
    return []


CAMPAIGN = Caches()
