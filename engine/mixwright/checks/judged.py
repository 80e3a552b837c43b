"""The outcome of a check: what each rule said of one sheet, with places, moments, acceptances."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeAlias

from mixwright.checks.rule import Remark, Rule, StageName, worst
from mixwright.problem import Span

State: TypeAlias = Literal["holds", "accepted", "look", "fails", "idle"]


@dataclass(frozen=True)
class Spoken:
    """A remark in its place: `span` in the sheet, `bar` and `beat` of its moment.

    `accepted` is the reason that the sheet gives for living with it, None where it gives none.
    """

    rule: str
    remark: Remark
    span: Span | None
    bar: int | None = None
    beat: float | None = None
    accepted: str | None = None

    @property
    def counts(self) -> bool:
        """Whether it weighs on the step: a fault or a look that was not accepted."""
        return self.accepted is None and self.remark.verdict != "note"


@dataclass(frozen=True)
class RuleOutcome:
    """What one rule says: `measured` in a phrase, its remarks, and the limits it held to."""

    rule: Rule
    measured: str
    judged: bool
    spoken: tuple[Spoken, ...]
    limits: tuple[tuple[str, float], ...]

    @property
    def state(self) -> State:
        """Holds, is accepted, worth a look, fails; idle where there was nothing to judge."""
        verdict = worst(one.remark.verdict for one in self.spoken if one.counts)
        if verdict in ("fails", "look"):
            return verdict
        if any(one.accepted and one.remark.verdict != "note" for one in self.spoken):
            return "accepted"
        return "holds" if self.judged else "idle"


@dataclass(frozen=True)
class StageOutcome:
    """One line of the scoreboard: a step, what its rules say, and its headline figures."""

    stage: StageName
    rules: tuple[RuleOutcome, ...]
    headline: str

    @property
    def state(self) -> State:
        """Fails if any rule fails, else worth a look or accepted if any is, else holds."""
        states = {rule.state for rule in self.rules}
        order: tuple[State, ...] = ("fails", "look", "accepted", "holds")
        return next((state for state in order if state in states), "idle")

    def spoken(self) -> Iterator[Spoken]:
        """Yield all remarks, in the order of the rules."""
        for rule in self.rules:
            yield from rule.spoken


@dataclass(frozen=True)
class Checked:
    """A whole check of the sheet at `path`, in step order."""

    path: Path
    title: str
    stages: tuple[StageOutcome, ...]

    def spoken(self) -> Iterator[Spoken]:
        """Yield all remarks in step order."""
        for stage in self.stages:
            yield from stage.spoken()

    def passes(self, strict: bool = False) -> bool:
        """Whether no rule fails; `strict` counts what is worth a look as well."""
        bad: tuple[State, ...] = ("fails", "look") if strict else ("fails",)
        return all(stage.state not in bad for stage in self.stages)
