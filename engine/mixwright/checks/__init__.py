"""Checks: rules that hold a mix, step by step, to limits; one rule a file.

>>> from mixwright.checks import RULES
>>> "balance/headroom-short" in [rule.id for rule in RULES]
True
"""

from mixwright.checks.judged import Checked, RuleOutcome, Spoken, StageOutcome, State
from mixwright.checks.rule import STAGES, Remark, Result, Rule, StageName, Verdict
from mixwright.checks.rules import RULES
from mixwright.checks.run import run_checks

__all__ = [
    "RULES",
    "STAGES",
    "Checked",
    "Remark",
    "Result",
    "Rule",
    "RuleOutcome",
    "Spoken",
    "StageName",
    "StageOutcome",
    "State",
    "Verdict",
    "run_checks",
]
