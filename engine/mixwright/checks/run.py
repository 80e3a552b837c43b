"""Run the rules over the evidence: remarks get their places, moments and acceptances."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from mixwright.checks.judged import Checked, RuleOutcome, Spoken, StageOutcome, State
from mixwright.checks.limits import limits_of
from mixwright.checks.rule import STAGES, Remark, Rule, StageName
from mixwright.checks.rules import RULES
from mixwright.measuring.evidence import Evidence
from mixwright.sheet import Accept

# The rule whose figures say most about a step, for its line on the scoreboard.
HEADLINES: dict[StageName, str] = {
    "intake": "intake/faulty-track",
    "balance": "balance/headroom-short",
    "bus": "bus/reduction-out-of-range",
    "eq": "eq/masked",
    "dynamics": "dynamics/too-much",
    "effects": "effects/too-wet",
    "automation": "automation/phrase-buried",
    "delivery": "delivery/true-peak-high",
}

WORST: tuple[State, ...] = ("fails", "look", "accepted", "holds", "idle")
# Half a millisecond: a moment that is a fraction of a sample before a beat is on it.
ON_THE_BEAT_S = 0.0005


def run_checks(heard: Evidence, stage: StageName | None = None) -> Checked:
    """Return what every rule says, or those of one stage, in step order."""
    stages = STAGES if stage is None else (stage,)
    sheet, limits = heard.sheet, limits_of(heard.sheet)
    outcomes = []
    for one in stages:
        rules = [rule for rule in RULES if rule.stage == one]
        judged = tuple(_judged(rule, heard, limits) for rule in rules)
        outcomes.append(StageOutcome(one, judged, _headline(one, judged)))
    return Checked(sheet.path, sheet.song.title, tuple(outcomes))


def _headline(stage: StageName, rules: Sequence[RuleOutcome]) -> str:
    """What the worst rule measured; where all hold, the one chosen for the step."""
    judged = [one for one in rules if one.judged]
    judged.sort(key=lambda one: (WORST.index(one.state), one.rule.id != HEADLINES[stage]))
    return judged[0].measured if judged else "nothing to judge"


def _judged(rule: Rule, heard: Evidence, limits: Mapping[str, float]) -> RuleOutcome:
    own = {key: limits[key] for key in rule.limits}
    result = rule.check(heard, own)
    spoken = tuple(_placed(rule, remark, heard) for remark in result.remarks)
    return RuleOutcome(rule, result.measured, result.judged, spoken, tuple(own.items()))


def _placed(rule: Rule, remark: Remark, heard: Evidence) -> Spoken:
    sheet = heard.sheet
    span = sheet.span_of(*remark.path) if remark.path else None
    accepted = _reason(rule.id, remark, sheet.accept)
    if remark.at_s is None:
        return Spoken(rule.id, remark, span, accepted=accepted)
    bar, beat = heard.timeline.bar_and_beat_at(remark.at_s + ON_THE_BEAT_S)
    return Spoken(rule.id, remark, span, bar, beat, accepted)


def _reason(id: str, remark: Remark, accepts: Sequence[Accept]) -> str | None:
    """The reason that the sheet gives for living with a remark."""
    for accept in accepts:
        names = accept.name in (None, remark.name)
        if accept.rule == id and names and accept.section in (None, remark.section):
            return accept.why
    return None
