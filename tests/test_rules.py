"""Every rule on songs made for it: silent on the clean one, heard on each planted fault.

The changes that a rule's page shows are made to one clean song of invented sounds, and the whole
check is run on it: what the documentation says is what is tested.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import mixwright
import rule_songs
from mixwright.checks import RULES, Checked, Rule, RuleOutcome, run_checks
from mixwright.checks.limits import default_limits
from mixwright.checks.page import page_of
from mixwright.checks.rules import rule_ids
from mixwright.measuring import hearing
from mixwright.measuring.evidence import Evidence
from mixwright.measuring.hearing import gather
from mixwright.rendering import Plan
from mixwright.sheet import Sheet
from mixwright.words import unit_of

PACKAGE = Path(mixwright.__file__).parent / "checks"
HOLDING = [rule for rule in RULES if page_of(rule).holds is not None]


@pytest.fixture(scope="module", autouse=True)
def _balances_heard_once() -> Iterator[None]:
    """Play the first two steps once for all sheets that are the same up to there."""
    first = hearing._FirstHearing
    perform, kept = first.perform, {}

    def recalled(sheet: Sheet, plan: Plan) -> Any:
        return kept.setdefault(repr((plan, sheet.song, sheet.references)), first(sheet, plan))

    def once(self: Any, *arguments: Any) -> None:
        if not hasattr(self, "done"):
            perform(self, *arguments)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hearing, "_FirstHearing", recalled)
        patch.setattr(first, "perform", once)
        yield


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the clean song."""
    folder = rule_songs.make_base_song(tmp_path_factory.mktemp("clean")).parent
    # The stem that the page of intake/faulty-track names.
    stem = rule_songs.base_stems()["guitar_left"]
    clipped = np.clip(stem / np.abs(stem).max() * 4.0, -1.0, 1.0)
    soundfile.write(folder / "guitar_left_clipped.wav", clipped, rule_songs.RATE_HZ, "PCM_24")
    return folder


@pytest.fixture(scope="module")
def heard(song: Path) -> Evidence:
    """What a check hears of the clean song."""
    sheet = mixwright.load(song / "mix.yaml")
    return gather(sheet, mixwright.plan(sheet, through="bus"), mixwright.plan(sheet))


def changed(song: Path, changes: dict[str, Any]) -> Sheet:
    sheet = rule_songs.with_changes(rule_songs.base_sheet(), changes)
    path = song / "changed.yaml"
    path.write_text(json.dumps(sheet), "utf-8")  # JSON is YAML
    return mixwright.load(path)


def as_if(heard: Evidence, sheet: Sheet) -> Evidence:
    """What was heard of the clean song together with another sheet and its plan."""
    plan = mixwright.plan(sheet)
    plans = {track.name: track for track in plan.tracks}
    return replace(
        heard,
        sheet=sheet,
        plan=plan,
        tracks={
            t.name: replace(heard.tracks[t.name], track=t, plan=plans[t.name]) for t in sheet.tracks
        },
        groups={g.name: replace(heard.groups[g.name], group=g) for g in sheet.groups},
        returns={
            r.name: replace(heard.returns[r.name], part=r)
            for r in sheet.returns
            if r.name in heard.returns
        },
    )


def outcome_of(checked: Checked, id: str) -> RuleOutcome:
    return next(r for stage in checked.stages for r in stage.rules if r.rule.id == id)


def test_a_clean_song_passes_every_rule(heard: Evidence) -> None:
    checked = run_checks(heard)
    found = {s.rule: s.remark.message for s in checked.spoken() if s.counts}
    assert found == {}
    assert checked.passes(strict=True)
    judged = [rule for stage in checked.stages for rule in stage.rules if rule.judged]
    assert len(judged) >= len(RULES) - 4  # all but those that need references, a target, variants
    assert all(stage.state == "holds" for stage in checked.stages)


@pytest.mark.parametrize("rule", RULES, ids=[rule.id for rule in RULES])
def test_a_rule_fires_on_the_sheet_that_its_page_shows(
    song: Path, heard: Evidence, rule: Rule
) -> None:
    sheet = changed(song, page_of(rule).fails)
    # A rule that goes by the sheet alone need not hear the song anew.
    outcome = outcome_of(run_checks(as_if(heard, sheet), rule.stage), rule.id)
    if outcome.state in ("holds", "idle"):
        outcome = outcome_of(mixwright.check(sheet, step=rule.stage), rule.id)
    assert outcome.spoken, outcome.measured
    if rule.id != "effects/slap-beyond-the-voice":  # it only ever makes a note
        assert outcome.state in ("look", "fails"), outcome.measured
    names = {"mix_bus", *(t.name for t in (*sheet.tracks, *sheet.groups, *sheet.returns))}
    for spoken in outcome.spoken:
        remark = spoken.remark
        assert remark.path == () or spoken.span is not None
        assert remark.name is None or remark.name in names
        assert remark.message
        assert not remark.message.endswith(".")


@pytest.mark.parametrize("rule", HOLDING, ids=[rule.id for rule in HOLDING])
def test_a_rule_is_silent_on_the_sheet_that_its_page_says_holds(
    song: Path, heard: Evidence, rule: Rule
) -> None:
    page = page_of(rule)
    failing = as_if(heard, changed(song, page.fails))
    by_sheet = outcome_of(run_checks(failing, rule.stage), rule.id).state in ("look", "fails")
    sheet = changed(song, page.holds or {})
    # One that goes by the sheet alone need not hear the song anew, any other has to.
    again = run_checks(as_if(heard, sheet), rule.stage) if by_sheet else None
    outcome = outcome_of(again or mixwright.check(sheet, step=rule.stage), rule.id)
    assert outcome.state == "holds", [s.remark.message for s in outcome.spoken]


def test_limits_can_be_set_and_findings_accepted(song: Path, heard: Evidence) -> None:
    id, loud = "bus/ratio-too-high", {"mix_bus": {"compressor": {"ratio": 3}}}

    def outcome(more: dict[str, Any]) -> RuleOutcome:
        sheet = changed(song, {**loud, **more})
        return outcome_of(run_checks(as_if(heard, sheet), "bus"), id)

    assert outcome({}).state == "fails"
    raised = outcome({"limits": {"bus_ratio": 4}})
    assert raised.state == "holds"
    assert raised.limits == (("bus_ratio", 4.0),)
    meant = {"rule": id, "name": "mix_bus", "why": "a wall of sound on purpose"}
    accepted = outcome({"accept": [meant]})
    assert accepted.state == "accepted"
    assert [s.accepted for s in accepted.spoken] == ["a wall of sound on purpose"]
    assert outcome({"accept": [{"rule": id, "section": "verse", "why": "no"}]}).state == "fails"


def test_rules_files_and_the_schema_agree() -> None:
    files = {
        f"{path.parent.name}/{path.stem.replace('_', '-')}"
        for path in PACKAGE.glob("*/*.py")
        if "@rule(" in path.read_text("utf-8")
    }
    assert files == set(rule_ids()) == {rule.id for rule in RULES}
    used = [key for rule in RULES for key in rule.limits]
    assert set(used) == set(default_limits())
    assert all(unit_of(key) or key == "bus_ratio" for key in used)
