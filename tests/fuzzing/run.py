"""Run campaigns for some minutes on all cores: ``make fuzz MINUTES=10 ONLY=sheets SEED=1``.

Every case runs in a worker process: one that dies without a word, or hangs, is a finding like any
other. Seeds are printed; a case is seen again with ``--only NAME --seed N --cases 1``. What is
found is made small and kept in the folder `found` of the working directory; once it is mended, its
file goes into `tests/fuzzing/kept/NAME/`, and ``make test`` tries it for ever.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import multiprocessing.connection
import os
import sys
import time
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from fuzzing.campaign import Outcome, campaigns, case_text, dice_for, read_case
from fuzzing.minimise import kind_of, minimised
from fuzzing.trial import tried

FIRST_SECONDS = 900.0  # the first trial of a worker also compiles
TELL_EVERY_S = 60.0
PER_KIND = 3  # cases of one kind of fault that are made small and kept
SPAWN = multiprocessing.get_context("spawn")


def main() -> int:
    """Run what was asked for; 1 if anything was found."""
    options = _options()
    known = campaigns()
    names = options.only or list(known)
    if unknown := [name for name in names if name not in known]:
        print(f"unknown campaign {unknown[0]}, expected one of: {', '.join(known)}")
        return 2
    if options.case:
        return _again(names[0], options.case)
    found = 0
    minutes = options.minutes / len(names)
    for name in names:
        hunt = Hunt(name, options.seed, options.found)
        hunt.run(minutes * 60.0, options.cases, options.workers)
        hunt.tell()
        hunt.note(options.summary)
        found += sum(hunt.faults.values())
    return 1 if found else 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Look for what breaks.")
    parser.add_argument("--minutes", type=float, default=10.0, help="for all campaigns together")
    parser.add_argument("--only", action="append", metavar="NAME", help="this campaign alone")
    parser.add_argument("--seed", type=int, help="the first seed [of the clock]")
    parser.add_argument("--cases", type=int, help="so many cases of each campaign at most")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--found", type=Path, default=Path("found"), help="where to keep findings")
    parser.add_argument("--summary", type=Path, help="add the counts to this JSON file")
    parser.add_argument("--case", type=Path, help="try one kept case again, with --only NAME")
    options = parser.parse_args()
    if options.seed is None:
        options.seed = int(time.time())
    return options


def _again(name: str, path: Path) -> int:
    outcome = tried(campaigns()[name], read_case(path.read_text("utf-8")))
    print(outcome.fault or "holds")
    return 0 if outcome.fault is None else 1


@dataclass
class Worker:
    """A process that tries one case after the other, and the seed that it is at."""

    process: Any
    pipe: Connection
    seed: int | None = None
    until: float = 0.0
    is_warm: bool = False


@dataclass
class Hunt:
    """One campaign under way: what was tried, what was found."""

    name: str
    seed: int
    found: Path
    tried: Counter[str] = field(default_factory=Counter)
    faults: Counter[str] = field(default_factory=Counter)
    cases: int = 0
    seconds: float = 0.0

    def run(self, seconds: float, most: int | None, count: int) -> None:
        """Try cases from the first seed on, until the time is up or there were `most`."""
        self._campaign = campaigns()[self.name]
        print(f"{self.name}: {self._campaign.about}; from seed {self.seed}", flush=True)
        begun = time.monotonic()
        workers = [_hired(self.name) for _ in range(count)]
        at, told = self.seed, begun
        try:
            while True:
                if time.monotonic() - told > TELL_EVERY_S:
                    told = time.monotonic()
                    print(f"  {self.cases:,} cases after {told - begun:.0f} s", flush=True)
                over = time.monotonic() - begun > seconds
                over |= most is not None and at - self.seed >= most
                for place, worker in enumerate(workers):
                    if worker.seed is None and not over:
                        self._give(worker, at)
                        at += 1
                    elif worker.seed is not None and (outcome := _answer(worker)) is not None:
                        workers[place] = self._settled(worker, outcome)
                busy = [worker.pipe for worker in workers if worker.seed is not None]
                if over and not busy:
                    return
                if all(worker.seed is not None for worker in workers) or over:
                    multiprocessing.connection.wait(busy, timeout=1.0)
        finally:
            self.seconds = time.monotonic() - begun
            for worker in workers:
                _dismiss(worker)

    def _give(self, worker: Worker, seed: int) -> None:
        worker.seed = seed
        limit = self._campaign.seconds if worker.is_warm else FIRST_SECONDS
        worker.until = time.monotonic() + max(limit, self._campaign.seconds)
        worker.pipe.send(seed)  # the case follows from it: it is made over there

    def _settled(self, worker: Worker, outcome: Outcome) -> Worker:
        """Count an outcome; return who goes on in this place."""
        self.cases += 1
        self.tried.update(outcome.tried)
        seed = worker.seed
        worker.seed, worker.is_warm = None, True
        if not worker.process.is_alive():
            _dismiss(worker)
            worker = _hired(self.name)
        if outcome.fault is not None:
            assert seed is not None
            self._keep(seed, outcome.fault)
        return worker

    def _keep(self, seed: int, fault: str) -> None:
        kind = kind_of(fault)
        self.faults[kind] += 1
        if self.faults[kind] > PER_KIND:
            return
        print(f"  seed {seed}: {kind}", flush=True)
        with closing(Apart(self.name)) as apart:
            case = self._campaign.make(dice_for(self._campaign, seed))
            smallest = minimised(self._campaign, case, fault, apart.attempt)
        path = self.found / self.name / f"seed_{seed}.py"
        path.parent.mkdir(parents=True, exist_ok=True)
        said = "".join(f"# {line}\n" for line in fault.strip().splitlines())
        path.write_text(f"# {self.name}, seed {seed}\n{said}{case_text(smallest)}", "utf-8")

    def tell(self) -> None:
        """Print what came of it."""
        counted = ", ".join(f"{count:,} {what}" for what, count in sorted(self.tried.items()))
        print(f"  {self.cases:,} cases in {self.seconds:.0f} s: {counted}")
        for kind, count in self.faults.most_common():
            print(f"  {count} x {kind}")
        if not self.faults:
            print("  all held", flush=True)

    def note(self, path: Path | None) -> None:
        """Add the counts to a JSON file."""
        if path is None:
            return
        noted = json.loads(path.read_text("utf-8")) if path.exists() else {}
        old = noted.get(self.name, {"cases": 0, "tried": {}, "faults": {}})
        noted[self.name] = {
            "cases": old["cases"] + self.cases,
            "tried": dict(sorted((Counter(old["tried"]) + self.tried).items())),
            "faults": dict(sorted((Counter(old["faults"]) + self.faults).items())),
        }
        path.write_text(json.dumps(noted, indent=1) + "\n", "utf-8")


class Apart:
    """Tries one case after another in a process that may die or hang of any of them."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._worker = _hired(name)

    def attempt(self, case: Any) -> Outcome:
        """Try a case; the next one has a new process if this one took it along."""
        if not self._worker.process.is_alive():
            self.close()
            self._worker = _hired(self._name)
        self._worker.until = time.monotonic() + FIRST_SECONDS
        self._worker.pipe.send(case)
        while (outcome := _answer(self._worker)) is None:
            multiprocessing.connection.wait([self._worker.pipe], timeout=1.0)
        return outcome

    def close(self) -> None:
        """Let the process go."""
        _dismiss(self._worker)


def _hired(name: str) -> Worker:
    ours, theirs = SPAWN.Pipe()
    process = SPAWN.Process(target=_work, args=(name, theirs))
    process.start()
    theirs.close()
    return Worker(process, ours)


def _dismiss(worker: Worker) -> None:
    worker.process.kill()
    worker.process.join()
    worker.pipe.close()


def _answer(worker: Worker) -> Outcome | None:
    """What came of the case under way; None while it goes on."""
    try:
        if worker.pipe.poll():
            outcome = worker.pipe.recv()
            assert isinstance(outcome, Outcome)
            return outcome
    except (EOFError, ConnectionResetError):
        worker.process.join()
        return Outcome({}, f"the process died: exit code {worker.process.exitcode}")
    if time.monotonic() > worker.until:
        worker.process.kill()
        worker.process.join()
        return Outcome({}, "the trial hangs")
    return None


def _work(name: str, pipe: Connection) -> None:
    campaign = campaigns()[name]
    while True:
        try:
            given = pipe.recv()
        except EOFError:
            return
        case = campaign.make(dice_for(campaign, given)) if isinstance(given, int) else given
        pipe.send(tried(campaign, case))


if __name__ == "__main__":
    sys.exit(main())
