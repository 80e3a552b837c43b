"""A short fixed sample of every campaign, and all that was found once (``make fuzz`` goes on)."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from fuzzing.campaign import Outcome, campaigns, case_text, dice_for, kept_cases, read_case
from fuzzing.minimise import fewer, kind_of, minimised, shorter
from fuzzing.trial import tried

CAMPAIGNS = campaigns()


@pytest.mark.parametrize("name", CAMPAIGNS)
def test_a_sample_holds(name: str) -> None:
    campaign = CAMPAIGNS[name]
    for seed in range(campaign.sample):
        case = campaign.make(dice_for(campaign, seed))
        assert read_case(case_text(case)) == case
        fault = tried(campaign, case).fault
        assert fault is None, f"{name}, seed {seed}: {fault}"


@pytest.mark.parametrize(
    ("name", "path"),
    [(name, path) for name, one in CAMPAIGNS.items() for path in kept_cases(one)],
    ids=lambda value: value.stem if isinstance(value, Path) else value,
)
def test_what_was_found_once_holds(name: str, path: Path) -> None:
    fault = tried(CAMPAIGNS[name], read_case(path.read_text("utf-8"))).fault
    assert fault is None, fault


class Picky:
    """A campaign of lists of numbers, in which 7 is a fault and 9 another."""

    name, about, seconds, sample = "picky", "lists of numbers", 1.0, 1

    def make(self, dice: random.Random) -> list[int]:
        return [dice.randrange(7) for _ in range(20)]

    def attempt(self, case: list[int], home: Path) -> Outcome:
        if 9 in case:
            raise ValueError(f"{len(case)} numbers hold a nine")
        return Outcome({"numbers": len(case)}, "a seven is there" if 7 in case else None)

    def smaller(self, case: list[int]) -> Iterator[list[int]]:
        return fewer(case)


def test_a_case_is_made_small_and_stays_of_its_kind() -> None:
    picky = Picky()
    long = [1, 7, 2, 9, 3, 4, 5, 6]
    fault = tried(picky, long).fault
    assert fault is not None
    assert fault.strip().endswith("ValueError: 8 numbers hold a nine")
    assert minimised(picky, long, fault, lambda case: tried(picky, case)) == [9]
    assert minimised(picky, [7, 1, 1], "a seven is there", lambda case: tried(picky, case)) == [7]


def test_bytes_get_shorter_until_none_are_left() -> None:
    assert b"" in set(shorter(b"a"))
    assert all(len(one) < 9 for one in shorter(b"123456789"))
    assert kind_of("at 0:41.2 in '/tmp/x'") == kind_of("at 1:07.9 in '/var/y'")


def test_a_trial_leaves_nothing_behind() -> None:
    where, cache = os.getcwd(), os.environ.get("MIXWRIGHT_CACHE")
    assert tried(Picky(), [1, 2]) == Outcome({"numbers": 2})
    assert (os.getcwd(), os.environ.get("MIXWRIGHT_CACHE")) == (where, cache)
