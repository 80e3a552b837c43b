"""Try all rules on random songs, clean ones and ones with a planted fault: recall, false alarms.

``python tests/rule_grid.py --clean 40 --seeds 6`` prints what a clean song raised, for each fault
how often its rule fired, and what else did. It takes minutes; no test runs it.
"""

from __future__ import annotations

import argparse
import collections
import copy
import os
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

import mixwright
import rule_songs
from rule_songs import FAULTS

Fired = list[tuple[str, str, str]]  # rule, verdict, message


def fired(job: tuple[int, str | None]) -> tuple[int, str | None, Fired]:
    """Check one song, with a fault or without; return what counts."""
    seed, fault = job
    stems, sheet = rule_songs.random_song(seed)
    if fault is not None:
        planted = FAULTS[fault].plant(stems, copy.deepcopy(sheet), np.random.default_rng(seed))
        stems, sheet = planted
    with tempfile.TemporaryDirectory(prefix="mixwright-grid-") as name:
        os.environ["MIXWRIGHT_CACHE"] = name
        checked = mixwright.check(rule_songs.write_song(Path(name), sheet, stems), threads=1)
    return (
        seed,
        fault,
        [
            (s.rule, s.remark.verdict, s.remark.message)
            for s in checked.spoken()
            if s.counts or (fault is not None and s.rule == FAULTS[fault].rule)
        ],
    )


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clean", type=int, default=40)
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--first", type=int, default=100, help="the first seed")
    parser.add_argument("--fault", action="append", choices=FAULTS, help="this fault only")
    wanted = parser.parse_args()
    faults = wanted.fault or list(FAULTS)
    seeds = range(wanted.first, wanted.first + max(wanted.clean, wanted.seeds))
    jobs: list[tuple[int, str | None]] = [(seed, None) for seed in seeds[: wanted.clean]]
    jobs += [(seed, fault) for fault in faults for seed in seeds[: wanted.seeds]]
    hits: collections.Counter[str] = collections.Counter()
    others: collections.Counter[tuple[str, str]] = collections.Counter()
    alarms = 0
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for seed, fault, found in pool.map(fired, jobs):
            rules = {rule for rule, _, _ in found}
            if fault is None:
                alarms += bool(rules)
                for rule, verdict, message in found:
                    print(f"clean {seed}: {rule} {verdict}: {message}", flush=True)
                continue
            hits[fault] += FAULTS[fault].rule in rules
            if FAULTS[fault].rule not in rules:
                print(f"missed {fault} {seed}", flush=True)
            for rule in rules - {FAULTS[fault].rule, *FAULTS[fault].also}:
                others[fault, rule] += 1
    print(f"{alarms} of {wanted.clean} clean songs raised anything")
    for fault in faults:
        also = ", ".join(f"{r} {n}" for (f, r), n in others.items() if f == fault)
        print(f"{hits[fault]:>3} of {wanted.seeds}  {fault:<32} {also}")
    print(f"recall {sum(hits.values())} of {len(faults) * wanted.seeds}")


if __name__ == "__main__":
    main()
