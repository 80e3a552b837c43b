"""Reports of a check: text, JSON, Markdown, workflow commands, SARIF, and the page of the rules."""

from __future__ import annotations

import io
import json
import math
import re
import runpy
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest
import yaml

# Markdown as CommonMark reads it: comes with rich.
from markdown_it import MarkdownIt
from rich.cells import cell_len
from rich.console import Console

from mixwright.checks import (
    RULES,
    Checked,
    Remark,
    Rule,
    RuleOutcome,
    Spoken,
    StageOutcome,
)
from mixwright.checks.limits import default_limits
from mixwright.checks.page import page_of
from mixwright.checks.rule import Result
from mixwright.escaping import (
    markdown_code,
    markdown_text,
    one_line,
    workflow_data,
    workflow_property,
)
from mixwright.problem import Span
from mixwright.report.checks import (
    checked_as_data,
    counts,
    moment,
    print_checked,
    summary,
)
from mixwright.report.checks_ci import checked_as_github, checked_as_sarif
from mixwright.report.checks_markdown import MOST_CHARACTERS, checked_as_markdown
from mixwright.sheet.schema import load_schema
from mixwright.sheet.text import SheetText
from mixwright.sheet.tree import read_tree

ROOT = Path(__file__).resolve().parents[1]
HOSTILE = (
    "<script>alert('&amp;')</script> | `tick` ``two`` **bold** [a](http://b.example) ![c](d) "
    "@someone #12 $x$ ~~no~~\n# head\n::error::gone 50%, {0} \x1b[31mred www.c.example \\| _e_"
)
LONG = "a reason that goes on " * 12


def spoken(rule: str, verdict: Any = "fails", message: str = "too loud", **known: Any) -> Spoken:
    """A remark in its place; `span`, `bar`, `beat` and `accepted` belong to the place."""
    place = {k: known.pop(k) for k in ("bar", "beat", "accepted") if k in known}
    return Spoken(rule, Remark(verdict, message, **known), known.pop("span", None), **place)


def placed(one: Spoken, span: Span) -> Spoken:
    return Spoken(one.rule, one.remark, span, one.bar, one.beat, one.accepted)


def paged(heard: Any, limits: Any) -> Result:
    """Something is wrong.

    Measures nothing.

    Why it matters: it does not.

    Source: own choice.

    Fails:
        tracks: {bass: {gain_db: 6}}
    """
    return Result("0 dB")


def outcome(
    rule: str, *found: Spoken, measured: str = "0 dB", judged: bool = True, **limits: float
) -> RuleOutcome:
    return RuleOutcome(
        Rule(rule, tuple(limits), paged), measured, judged, found, tuple(limits.items())
    )


def song(*rules: RuleOutcome, title: str = "Paper Lighthouse", path: str = "mix.yaml") -> Checked:
    """A check with some rules; steps without any are there as well."""
    stages = []
    for stage in ("intake", "balance", "eq", "automation", "delivery"):
        own = tuple(rule for rule in rules if rule.rule.stage == stage)
        said = own[0].measured if own else "nothing to judge"
        stages.append(StageOutcome(stage, own, said))  # type: ignore[arg-type]
    return Checked(Path(path), title, tuple(stages))


@pytest.fixture
def checked() -> Checked:
    """A fault with everything, one without a place, accepted ones, notes, a look."""
    peak = spoken(
        "balance/headroom-short",
        message="the balance peaks at -2.10 dBTP, expected -3 at most",
        help="take 3.9 dB off every fader",
        path=("tracks",),
        section="chorus 2",
        at_s=54.25,
        bar=21,
        beat=3.99,
        measured=np.float64(-2.1),
        limit=-3.0,
        unit="dBTP",
    )
    bare = spoken("eq/reason-missing", message="bass has no reason for its bell, expected a why")
    meant = spoken("eq/reason-missing", "look", "keys too", accepted="the band likes it")
    notes = [spoken("eq/masked", "note", f"guitar {n} covers keys", name="keys") for n in (1, 2, 3)]
    jump = spoken("automation/jump", "look", "a step of 9 dB — 灯台", measured=-math.inf, unit="dB")
    return song(
        outcome("intake/faulty-track", measured="8 tracks, no fault"),
        outcome(
            "balance/headroom-short",
            placed(peak, Span("mix.yaml", 27, 3, 6)),
            measured="true peak -2.10 dBTP",
            balance_peak_dbfs=-3.0,
            balance_aim_dbfs=-6.0,
        ),
        outcome("eq/reason-missing", bare, placed(meant, Span("mix.yaml", 98, 11))),
        outcome("eq/masked", *notes),
        outcome("eq/on-most-tracks", measured="no tracks", judged=False, eq_tracks_percent=100.0),
        outcome("automation/jump", jump),
    )


def printed(checked: Checked, everything: bool = False, terminal: bool = False) -> str:
    out = io.StringIO()
    console = Console(file=out, width=100, force_terminal=terminal, color_system=None, _environ={})
    print_checked(checked, console, everything)
    return out.getvalue()


# --- text


def test_the_scoreboard_tells_each_step_by_a_word(checked: Checked) -> None:
    lines = printed(checked).splitlines()
    assert lines[0] == "Paper Lighthouse  mix.yaml"
    board = [re.split(r"\s{2,}", line.strip()) for line in lines[2:9]]
    assert board[0] == ["step", "state", "headline"]
    assert board[2:] == [
        ["intake", "holds", "8 tracks, no fault"],
        ["balance", "fails", "true peak -2.10 dBTP"],
        ["eq", "fails", "0 dB"],
        ["automation", "look", "0 dB"],
        ["delivery", "nothing to judge"],
    ]


def test_findings_stand_in_step_order_with_place_moment_and_help(checked: Checked) -> None:
    text = printed(checked)
    findings = text[text.index("\n\nbalance\n") :]
    # Four tenths past the fourth beat would be the next bar: the beat is cut, not rounded.
    assert findings == (
        "\n\nbalance\n"
        "  fails     the balance peaks at -2.10 dBTP, expected -3 at most\n"
        "            mix.yaml:27:3, chorus 2, bar 21 beat 3.9, 0:54.2 (balance/headroom-short)\n"
        "            help: take 3.9 dB off every fader\n"
        "\neq\n"
        "  fails     bass has no reason for its bell, expected a why\n"
        "            mix.yaml (eq/reason-missing)\n"
        "  accepted  keys too\n"
        "            mix.yaml:98:11 (eq/reason-missing)\n"
        "            reason: the band likes it\n"
        "  note      guitar 1 covers keys (eq/masked, and 2 more)\n"
        "\nautomation\n"
        "  look      a step of 9 dB — 灯台\n"
        "            mix.yaml (automation/jump)\n"
        "\n2 fail, 1 worth a look, 1 accepted, 3 notes\n"
    )


def test_everything_lists_every_rule_with_figures_and_limits(checked: Checked) -> None:
    text = printed(checked, everything=True)
    assert "  holds     intake/faulty-track: 8 tracks, no fault\n" in text
    assert "limits: balance_peak_dbfs -3 dBFS, balance_aim_dbfs -6 dBFS\n" in text
    assert "  -         eq/on-most-tracks: no tracks\n" in text
    assert "limits: eq_tracks_percent 100 %\n" in text
    assert text.count("covers keys") == 3
    assert all(rule.rule.id in text for stage in checked.stages for rule in stage.rules)


@pytest.mark.parametrize("everything", [False, True])
def test_lines_fit_a_terminal_and_stay_whole_in_a_pipe(everything: bool) -> None:
    long = spoken("eq/masked", "look", LONG.strip(), help="灯台 " * 60, accepted=LONG.strip())
    wide = song(outcome("eq/masked", long, measured=LONG.strip()), title="Paper Lighthouse")
    on_terminal = printed(wide, everything, terminal=True).splitlines()
    assert max(cell_len(line) for line in on_terminal) <= 100
    assert len(on_terminal) > 20
    in_pipe = printed(wide, everything).splitlines()
    assert sum(LONG.strip() in line for line in in_pipe) == (4 if everything else 3)
    assert [line for line in in_pipe if line != line.rstrip()] == []


def test_colour_only_repeats_the_word(checked: Checked) -> None:
    out = io.StringIO()
    print_checked(checked, Console(file=out, width=100, force_terminal=True, _environ={}))
    assert "\x1b[" in out.getvalue()
    without = re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())
    assert without == printed(checked, terminal=True)


def test_much_of_the_same_is_counted_unless_asked_for() -> None:
    found = [spoken("eq/reason-missing", message=f"band {n} bare") for n in range(1, 64)]
    many = song(outcome("eq/reason-missing", *found))
    text = printed(many)
    assert "band 20 bare" in text
    assert "band 21 bare" not in text
    assert "and 43 more of eq/reason-missing (--all shows them)" in text
    assert "63 fail, 0 worth a look" in text
    assert "band 63 bare" in printed(many, everything=True)


def test_nothing_found_is_said_in_the_same_words() -> None:
    text = printed(song(outcome("intake/faulty-track")))
    assert text.endswith("\n0 fail, 0 worth a look\n")
    assert summary({"fails": 1, "look": 0, "accepted": 0, "note": 1}).startswith("1 fails, 0")


def test_hostile_text_reaches_no_terminal(checked: Checked) -> None:
    one = spoken("eq/masked", "look", HOSTILE, help=HOSTILE, accepted=HOSTILE, section=HOSTILE)
    hostile = song(outcome("eq/masked", one, measured=HOSTILE), title=HOSTILE)
    for everything in (False, True):
        text = printed(hostile, everything)
        assert "\x1b" not in text
        # Markup of the console is text, and no name makes a line of its own.
        assert "[31mred" in text
        assert not re.search(r"^\s*(::error|# head)", text, re.M)


def test_what_cannot_be_seen_is_spelt_out() -> None:
    # U+202E turns the writing direction round; joiners belong to words and pictures.
    assert one_line("a\u202eb\x07\x9b") == "a\\u202eb\\x07\\x9b"
    assert one_line(" a\r\n\tb\u2028c ") == "a b c"
    for joined in ("\u0645\u06cc\u200c\u062e", "\U0001f469\u200d\U0001f3a4"):
        assert one_line(joined) == joined


def test_a_moment_says_what_is_known() -> None:
    assert moment(spoken("eq/masked", section="verse 1")) == "verse 1"
    assert moment(spoken("eq/masked", at_s=5.0, bar=3, beat=1.0)) == "bar 3 beat 1, 0:05.0"
    assert moment(spoken("eq/masked")) == ""


# --- JSON


def test_data_holds_everything(checked: Checked) -> None:
    data = json.loads(json.dumps(checked_as_data(checked), allow_nan=False))
    assert (data["sheet"], data["title"]) == ("mix.yaml", "Paper Lighthouse")
    assert (data["passes"], data["passes_strict"]) == (False, False)
    assert data["counts"] == {"fails": 2, "look": 1, "accepted": 1, "note": 3}
    states = {stage["stage"]: stage["state"] for stage in data["stages"]}
    assert states["eq"] == "fails"
    assert states["delivery"] == "idle"
    (rule,) = data["stages"][1]["rules"]
    assert rule == {
        "id": "balance/headroom-short",
        "state": "fails",
        "measured": "true peak -2.10 dBTP",
        "judged": True,
        "limits": [
            {"key": "balance_peak_dbfs", "value": -3.0, "unit": "dBFS"},
            {"key": "balance_aim_dbfs", "value": -6.0, "unit": "dBFS"},
        ],
        "remarks": [
            {
                "verdict": "fails",
                "message": "the balance peaks at -2.10 dBTP, expected -3 at most",
                "help": "take 3.9 dB off every fader",
                "accepted": None,
                "path": ["tracks"],
                "file": "mix.yaml",
                "line": 27,
                "column": 3,
                "name": None,
                "section": "chorus 2",
                "at_s": 54.25,
                "bar": 21,
                "beat": 3.99,
                "measured": -2.1,
                "limit": -3.0,
                "unit": "dBTP",
            }
        ],
    }
    (jump,) = data["stages"][3]["rules"][0]["remarks"]
    assert jump["measured"] is None  # silence
    assert jump["line"] is None


def test_every_field_of_a_remark_is_in_the_data(checked: Checked) -> None:
    remark = checked_as_data(checked)["stages"][1]["rules"][0]["remarks"][0]
    assert set(Remark.__dataclass_fields__) | {"bar", "beat", "accepted"} <= set(remark)


# --- Markdown


def read(markdown: str) -> tuple[list[Any], str]:
    """Return the tokens of a page and the text that it shows."""
    parser = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    tokens = parser.parse(markdown)
    flat = [child for token in tokens for child in (token, *(token.children or ()))]
    shown = [t.content for t in flat if t.type in ("text", "code_inline", "text_special")]
    return flat, "".join(shown)


def test_markdown_has_a_scoreboard_findings_and_the_rest_folded(checked: Checked) -> None:
    page = checked_as_markdown(checked)
    assert page.startswith("## Check of the mix: Paper Lighthouse\n\n2 fail, 1 worth a look")
    assert "| balance | fails | true peak -2.10 dBTP |\n" in page
    assert "| delivery | nothing to judge |  |\n" in page
    assert (
        "- the balance peaks at -2.10 dBTP, expected -3 at most  \n"
        "  `balance/headroom-short`, `mix.yaml:27`, chorus 2, bar 21 beat 3.9, 0:54.2  \n"
        "  help: take 3.9 dB off every fader\n"
    ) in page
    accepted = page.index("<summary>Accepted: 1</summary>")
    assert page.index("### Fails") < page.index("### Worth a look") < accepted
    assert accepted < page.index("reason: the band likes it") < page.index("Notes: 3")
    tokens, _ = read(page)
    kinds = [token.type for token in tokens]
    assert kinds.count("table_open") == 1
    assert kinds.count("list_item_open") == len(list(checked.spoken()))
    assert page.count("<details>") == page.count("</details>") == 2


def test_hostile_text_stays_text_in_markdown() -> None:
    one = spoken("eq/masked", "look", HOSTILE, help=HOSTILE, accepted=HOSTILE, section=HOSTILE)
    two = placed(spoken("eq/masked", "look", HOSTILE), Span("`a`|<b>.yaml", 3, 1))
    hostile = song(outcome("eq/masked", one, two, measured=HOSTILE), title=HOSTILE)
    page = checked_as_markdown(hostile)
    tokens, shown = read(page)
    # Title, headline, two messages, a section, a help, a reason.
    assert shown.count(one_line(HOSTILE)) == 7
    assert "`a`|<b>.yaml:3" in shown
    html = {t.content.strip() for t in tokens if t.type in ("html_inline", "html_block")}
    own = r"(<!-- -->|<details>\n<summary>Accepted: 1</summary>|</details>)"
    assert [part for part in html if not re.fullmatch(own, part)] == []
    kinds = {token.type for token in tokens}
    assert not kinds & {"link_open", "image", "strong_open", "em_open", "s_open", "hr", "fence"}
    assert [t.tag for t in tokens if t.type == "heading_open"] == ["h2", "h3"]
    rows = [t for t in tokens if t.type == "tr_open"]
    cells = [t for t in tokens if t.type == "td_open"]
    assert len(cells) == 3 * (len(rows) - 1)
    # Hosts link these even where they are escaped.
    assert not re.search(r"@someone|#12|http://|www\.c", page)


@pytest.mark.parametrize("begin", ["- 3 dB", "+3 dB", "1. verse", "2) verse", "# x", "> x", "==="])
def test_a_message_begins_no_list_or_heading(begin: str) -> None:
    page = checked_as_markdown(song(outcome("eq/masked", spoken("eq/masked", message=begin))))
    tokens, shown = read(page)
    assert begin in shown
    kinds = [token.type for token in tokens]
    assert kinds.count("bullet_list_open") == 1
    assert not set(kinds) & {"ordered_list_open", "blockquote_open"}
    assert kinds.count("heading_open") == 2


def test_markdown_fits_a_comment() -> None:
    rules = [
        outcome(f"eq/rule-{n}", *(spoken(f"eq/rule-{n}", message=LONG) for _ in range(60)))
        for n in range(40)
    ]
    page = checked_as_markdown(song(*rules[:20]))
    assert len(page) <= MOST_CHARACTERS
    assert "- and 52 more of `eq/rule-19`\n" in page  # eight of each fit
    # One each of forty, all of it links: nothing fits but the scoreboard.
    linked = [outcome(f"eq/rule-{n}", spoken(f"eq/rule-{n}", message="@" * 999)) for n in range(40)]
    page = checked_as_markdown(song(*linked, title="#" * 9999))
    assert len(page) <= MOST_CHARACTERS
    assert "Too many findings" in page
    assert "| automation |" in page


def test_code_holds_backticks() -> None:
    for text in ("a`b", "`a`", "``", "a``b`c"):
        _, shown = read(markdown_code(text))
        assert shown == text
    assert read(markdown_text("a  b"))[1] == "a b"


# --- workflow commands


def test_findings_are_workflow_commands(checked: Checked) -> None:
    lines = checked_as_github(checked)
    assert lines[:4] == [
        "::error file=mix.yaml,line=27,col=3,title=balance/headroom-short::"
        "the balance peaks at -2.10 dBTP, expected -3 at most (chorus 2, bar 21 beat 3.9, 0:54.2)"
        "%0Ahelp: take 3.9 dB off every fader",
        "::error file=mix.yaml,title=eq/reason-missing::"
        "bass has no reason for its bell, expected a why",
        "::notice file=mix.yaml,line=98,col=11,title=eq/reason-missing::"
        "keys too%0Aaccepted: the band likes it",
        "::notice file=mix.yaml,title=eq/masked::guitar 1 covers keys",
    ]
    assert lines[-1].startswith("::warning file=mix.yaml,title=automation/jump::")
    assert len(lines) == sum(counts(checked).values())


def test_hostile_text_stays_in_its_command() -> None:
    # As GitHub's actions/toolkit does it (packages/core/src/command.ts): % first, then the rest.
    assert workflow_data("100 %\r\na:b,c") == "100 %25%0D%0Aa:b,c"
    assert workflow_property("100 %\r\na:b,c") == "100 %25%0D%0Aa%3Ab%2Cc"
    one = placed(spoken("eq/masked", message=HOSTILE), Span("take 1: a,b\n::debug::%.yaml", 1, 1))
    (line,) = checked_as_github(song(outcome("eq/masked", one)))
    assert len(line.splitlines()) == 1
    head, _, message = line.removeprefix("::").partition("::")
    kind, _, rest = head.partition(" ")
    properties = dict(part.split("=", 1) for part in rest.split(","))
    assert kind == "error"
    assert unquote(properties.pop("file")) == "take 1: a,b\n::debug::%.yaml"
    assert properties == {"line": "1", "col": "1", "title": "eq/masked"}
    assert unquote(message) == one_line(HOSTILE)


# --- SARIF: what OASIS SARIF 2.1.0 (with Errata 01, 2023) asks for, section by section. A log like
# this was found valid against the schema that OASIS publishes with it.


def test_a_sarif_log_has_the_form_of_the_standard(checked: Checked) -> None:
    log = json.loads(json.dumps(checked_as_sarif(checked), allow_nan=False))
    assert log["version"] == "2.1.0"  # 3.13.2
    assert log["$schema"].endswith("sarif-schema-2.1.0.json")
    (run,) = log["runs"]
    driver = run["tool"]["driver"]
    assert driver["name"] == "mixwright"
    assert driver["version"]
    assert "informationUri" not in driver
    ids = [rule["id"] for rule in driver["rules"]]
    assert len(set(ids)) == len(ids) == 6
    for rule in driver["rules"]:  # 3.49
        assert rule["shortDescription"] == {"text": "Something is wrong."}
        assert rule["fullDescription"]["text"].endswith("Source: own choice.")
        assert rule["defaultConfiguration"]["level"] in ("none", "note", "warning", "error")
    assert driver["rules"][1]["properties"]["limits"][0]["unit"] == "dBFS"
    assert len(run["results"]) == len(list(checked.spoken()))
    for result in run["results"]:  # 3.27
        assert ids[result["ruleIndex"]] == result["ruleId"]
        assert result["level"] in ("note", "warning", "error")
        assert result["message"]["text"]
        (location,) = result["locations"]
        physical = location["physicalLocation"]
        assert physical["artifactLocation"] == {"uri": "mix.yaml"}
        if "region" in physical:  # 3.30: lines and columns from 1, the end column is past the end
            region = physical["region"]
            assert region["startLine"] == region["endLine"] >= 1
            assert region["endColumn"] > region["startColumn"] >= 1
        # 3.27.23: all results have them or none does.
        for suppression in result["suppressions"]:
            assert suppression["kind"] == "inSource"
            assert suppression["justification"]


def test_results_carry_level_region_figures_and_reason(checked: Checked) -> None:
    peak, bare, meant, note, *_ = checked_as_sarif(checked)["runs"][0]["results"]
    assert (peak["level"], meant["level"], note["level"]) == ("error", "warning", "note")
    assert peak["locations"][0]["physicalLocation"]["region"] == {
        "startLine": 27,
        "startColumn": 3,
        "endLine": 27,
        "endColumn": 9,
    }
    assert peak["properties"] == {
        "section": "chorus 2",
        "at_s": 54.25,
        "bar": 21,
        "beat": 3.99,
        "measured": -2.1,
        "limit": -3.0,
        "unit": "dBTP",
    }
    assert bare["suppressions"] == []
    assert "region" not in bare["locations"][0]["physicalLocation"]
    assert meant["suppressions"] == [{"kind": "inSource", "justification": "the band likes it"}]
    assert note["properties"] == {"name": "keys"}


def test_files_are_named_from_the_working_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    files = {
        str(here / "demo" / "mix.yaml"): "demo/mix.yaml",
        "./demo/../take 1: löwe%.yaml": "take%201%3A%20l%C3%B6we%25.yaml",
        "../mix.yaml": (tmp_path / "mix.yaml").as_uri(),
    }
    for file, uri in files.items():
        one = song(outcome("eq/masked", spoken("eq/masked")), path=file)
        (result,) = checked_as_sarif(one)["runs"][0]["results"]
        physical = result["locations"][0]["physicalLocation"]
        assert physical["artifactLocation"]["uri"] == uri
    inside = song(outcome("eq/masked", spoken("eq/masked")), path=str(here / "mix.yaml"))
    assert checked_as_github(inside)[0].startswith("::error file=mix.yaml,")
    assert "`mix.yaml`" in checked_as_markdown(inside)


def test_a_message_in_sarif_holds_no_link_or_placeholder() -> None:
    # 3.11.5 and 3.11.6: {0} is an argument, [text](where) a link.
    one = song(outcome("eq/masked", spoken("eq/masked", message=HOSTILE)))
    (result,) = checked_as_sarif(one)["runs"][0]["results"]
    assert not re.search(r"\{\d+\}|\]\(", result["message"]["text"])
    assert "[a] (http://b.example)" in result["message"]["text"]


# --- the pages of the rules

PAGE = """Something is wrong.

    Measures this
    and that:
    - one
      more
    - two

    Why it matters: it does.

    Source: own choice,
    for one reason.

    Holds:
        tracks: {bass: {mute: true}}

    Fails:
        tracks:
          bass: {gain_db: off, pan: null}

          keys: {gain_db: 6}
    """


def rule_with(page: str) -> Rule:
    def check(heard: Any, limits: Any) -> Result:
        return Result("0 dB")

    check.__doc__ = page
    return Rule("eq/example", (), check)


def test_a_page_is_read_from_a_docstring() -> None:
    page = page_of(rule_with(PAGE))
    assert page.title == "Something is wrong."
    assert page.body == "Measures this and that:\n- one more\n- two\n\nWhy it matters: it does."
    assert page.source == "own choice, for one reason."
    assert page.holds == {"tracks": {"bass": {"mute": True}}}
    # `off` is a word in a sheet.
    assert page.fails == {
        "tracks": {"bass": {"gain_db": "off", "pan": None}, "keys": {"gain_db": 6}}
    }
    assert page_of(rule_with(PAGE.replace("Holds:\n        tracks: {bass: {mute: true}}", "")))


@pytest.mark.parametrize(
    ("part", "instead", "said"),
    [
        (PAGE, "", "no words"),
        ("wrong.\n\n", "wrong\n\n", "no sentence on one line"),
        ("wrong.\n\n", "wrong\n    and more.\n\n", "no sentence on one line"),
        ("Measures this", "It is this", "'Measures ...'"),
        ("Why it matters:", "It matters:", "'Why it matters: ...'"),
        ("Source: own", "From: own", "'Source: ...'"),
        ("Why it matters: it does.", "Why it matters: it does.\n\n    Source: x", "'Source: ...'"),
        ("for one reason.", "for one reason.\n\n    And more.", "'Source: ...'"),
        ("Fails:", "Fails: now", "nothing under 'Fails:'"),
        ("Fails:", "Holds:", "'Holds:' twice"),
        (PAGE[PAGE.index("    Fails:") :], "", "no block 'Fails:'"),
        (PAGE[PAGE.index("        tracks:\n") :], "", "nothing under 'Fails:'"),
        ("{bass: {mute: true}}", "{bass: [}", "no sound YAML under 'Holds:'"),
        ("tracks: {bass: {mute: true}}", "[bass]", "no mapping of changes under 'Holds:'"),
        ("keys: {gain_db: 6}\n", "keys: {gain_db: 6}\n\n    And more.\n", "goes on after"),
    ],
)
def test_a_page_with_a_part_missing_is_refused(part: str, instead: str, said: str) -> None:
    assert part in PAGE
    with pytest.raises(ValueError, match=r"the page of eq/example .*") as caught:
        page_of(rule_with(PAGE.replace(part, instead)))
    assert said in str(caught.value)


@pytest.fixture(scope="module")
def rules_page() -> str:
    return (ROOT / "docs" / "rules.md").read_text("utf-8")


def test_the_page_of_the_rules_is_up_to_date(rules_page: str) -> None:
    assert runpy.run_path(str(ROOT / "docs" / "make_rules_page.py"))["page"]() == rules_page


def test_every_rule_and_limit_is_on_the_page(rules_page: str) -> None:
    headings = re.findall(r"^### (\S+)$", rules_page, re.M)
    assert headings == [rule.id for rule in RULES]
    used = {key for rule in RULES for key in rule.limits}
    assert set(re.findall(r"^\| `(\w+)` \|", rules_page, re.M)) == used
    assert used <= set(default_limits())


def test_the_fragments_shown_are_those_that_are_tried(rules_page: str) -> None:
    tried = []
    for page in map(page_of, RULES):
        tried += [part for part in (page.holds, page.fails) if part is not None]
    blocks = re.findall(r"^```yaml\n(.*?)^```", rules_page, re.M | re.S)
    shown = [read_tree(SheetText("example", b, tuple(b.splitlines()))).value for b in blocks]
    assert shown[2:] == tried
    # The first two are those of the introduction: what they name is there.
    limits, accepted = (yaml.safe_load(block) for block in blocks[:2])
    assert set(limits["limits"]) <= set(default_limits())
    known = load_schema()["properties"]["accept"]["items"]["properties"]
    assert all(set(one) <= set(known) for one in accepted["accept"])
    assert all(one["rule"] in known["rule"]["enum"] for one in accepted["accept"])


def test_no_two_rules_have_one_title() -> None:
    titles = [page_of(rule).title for rule in RULES]
    assert len(set(titles)) == len(titles)
