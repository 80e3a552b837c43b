"""What a rule is, and what it says: plain frozen data.

A rule is a function of the evidence and of its limits, in a file of its own named after its id. Its
docstring is its page in the documentation, see :mod:`mixwright.checks.page`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

from mixwright.measuring.evidence import Evidence
from mixwright.sheet import STEPS

StageName: TypeAlias = Literal[
    "intake", "balance", "bus", "eq", "dynamics", "effects", "automation", "delivery"
]
STAGES: tuple[StageName, ...] = ("intake", *STEPS, "delivery")
Verdict: TypeAlias = Literal["fails", "look", "note"]
VERDICTS: tuple[Verdict, ...] = ("fails", "look", "note")


@dataclass(frozen=True)
class Remark:
    """One thing that a rule has to say; a fault, something worth a look, or a note.

    `message` is lower case and states what was measured and what was expected; only `help`
    suggests. `path` is the place in the sheet, `name` the track, group or return that is meant
    (``mix_bus`` for the bus), `at_s` the moment in the song.
    """

    verdict: Verdict
    message: str
    help: str | None = None
    path: tuple[str | int, ...] = ()
    name: str | None = None
    section: str | None = None
    at_s: float | None = None
    measured: float | None = None
    limit: float | None = None
    unit: str = ""


@dataclass(frozen=True)
class Result:
    """What a rule found: `measured` in one short phrase with units, and its remarks.

    `judged` is False where there was nothing to judge; `measured` then says why.
    """

    measured: str
    remarks: tuple[Remark, ...] = ()
    judged: bool = True

    @classmethod
    def nothing(cls, why: str) -> Result:
        """Nothing to judge."""
        return cls(why, judged=False)


# The limits come by the keys of the rule's own, as the sheet sets them or by default.
Check: TypeAlias = Callable[[Evidence, Mapping[str, float]], Result]


@dataclass(frozen=True)
class Rule:
    """A rule: its id (``balance/headroom-short``), keys of its limits, and what checks it.

    Limits stand in the schema of the sheet under `limits`, with their defaults and bounds.
    """

    id: str
    limits: tuple[str, ...]
    check: Check

    @property
    def stage(self) -> StageName:
        """The step it belongs to, or intake or delivery."""
        stage = self.id.partition("/")[0]
        return next(known for known in STAGES if known == stage)

    @property
    def page(self) -> str:
        """Its docstring."""
        return self.check.__doc__ or ""


def rule(id: str, *limits: str) -> Callable[[Check], Rule]:
    """Make a rule of a function.

    >>> @rule("balance/example")
    ... def example(heard, limit):
    ...     return Result("0 dB")
    >>> example.stage
    'balance'
    """

    def made(check: Check) -> Rule:
        return Rule(id, limits, check)

    return made


def worst(verdicts: Iterable[Verdict]) -> Verdict | None:
    """Return the worst of some verdicts; None for none.

    >>> worst(["note", "fails", "look"])
    'fails'
    """
    found = set(verdicts)
    return next((verdict for verdict in VERDICTS if verdict in found), None)
