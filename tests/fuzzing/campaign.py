"""What a campaign is: cases from a seed, a trial that says what went wrong, smaller cases."""

from __future__ import annotations

import importlib
import random
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

HERE = Path(__file__).parent
KEPT = HERE / "kept"


@dataclass(frozen=True)
class Outcome:
    """What a trial came to: `fault` says what went wrong, None if all held.

    `tried` counts what was tried, such as ``{"sheets": 1, "sheets refused": 1}`` or
    ``{"kills": 12}``: a run adds them up.
    """

    tried: Mapping[str, int] = field(default_factory=Counter)
    fault: str | None = None


class Campaign(Protocol):
    """Hostile cases of one kind. Everything about a case follows from its seed.

    `seconds` is how long one trial may take before it counts as hanging, on a busy machine;
    `sample` is how many cases ``make test`` tries.
    """

    name: str
    about: str
    seconds: float
    sample: int

    def make(self, dice: random.Random) -> Any:
        """Return a case: plain data, of str, bytes, numbers, tuples, lists and dicts alone."""

    def attempt(self, case: Any, home: Path) -> Outcome:
        """Try a case in an empty folder of its own; an exception counts as a fault."""

    def smaller(self, case: Any) -> Iterable[Any]:
        """Yield simpler cases that may show the same fault, the simplest first; may be empty."""


def campaigns() -> dict[str, Campaign]:
    """Return every campaign of this folder by name."""
    modules = [
        importlib.import_module(f"fuzzing.{path.stem}")
        for path in sorted(HERE.glob("*_campaign.py"))
    ]
    return {module.CAMPAIGN.name: module.CAMPAIGN for module in modules}


def dice_for(campaign: Campaign, seed: int) -> random.Random:
    """Return the dice of one case: the same for a seed on every machine."""
    return random.Random(f"{campaign.name}/{seed}")


def kept_cases(campaign: Campaign) -> list[Path]:
    """Return the cases that were found once, and are to be tried again for ever."""
    return sorted((KEPT / campaign.name).glob("*.py"))


def case_text(case: Any) -> str:
    """Return a case as text that Python reads again.

    >>> read_case(case_text({"a": b"\\0", "b": [1.5, None]}))
    {'a': b'\\x00', 'b': [1.5, None]}
    """
    import pprint

    return pprint.pformat(case, width=100, sort_dicts=False) + "\n"


def read_case(text: str) -> Any:
    """Return the case that was written as text; comments are passed over."""
    import ast

    return ast.literal_eval(text)
