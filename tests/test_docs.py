"""What the documents show is true: commands run, code runs, generated pages are up to date."""

from __future__ import annotations

import json
import re
import runpy
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import mixwright
from conftest import Demo
from fuzzing.campaign import campaigns
from mixwright import cli
from mixwright.measuring.evidence import Evidence
from mixwright.problem import ProblemError
from mixwright.reviewing import listening
from mixwright.sheet import STEPS, Sheet, load_sheet
from short_example import CHORUS, CUT_BAR, CUT_S

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
SHELL = [
    line for block in re.findall(r"```sh\n(.*?)```", README, re.S) for line in block.splitlines()
]
COMMANDS = [line for line in SHELL if line.startswith("mixwright ")]
DEMO = "mixwright demo demo"  # run before all others

# These go by the whole song, which one check hears for them all: the short one, on which the others
# do the same, is not written the way a person writes.
ON_THE_WHOLE = ("validate", "check", "log", "tidy")


@pytest.fixture
def folder(example_home: Path, example_readings: object) -> Path:
    """A folder with the example in ``demo``, rendered: what was measured for that is kept."""
    return example_home


@pytest.fixture(scope="module")
def short_folder(demo: Demo) -> Path:
    """Another, with the example cut short, as after ``mixwright demo demo``."""
    return demo.home


def is_on_the_whole(line: str) -> bool:
    """Whether a command is tried on the whole song; it is where a bar behind the cut is named."""
    if line.split()[1] in ON_THE_WHOLE:
        return True
    return any(int(bar) >= CUT_BAR for bar in re.findall(r"\bbar (\d+)", line))


@pytest.fixture(scope="module", autouse=True)
def _heard_once() -> Iterator[None]:
    """Hear a sheet once for all commands here that ask for the same."""
    from mixwright.api import figures as api

    kept: list[tuple[Sheet, Evidence]] = []
    gather = api.gather

    def recalled(sheet: Sheet, *rest: Any) -> Evidence:
        for known, heard in kept:
            if known == sheet:
                return heard
        kept.append((sheet, gather(sheet, *rest)))
        return kept[-1][1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(api, "gather", recalled)
        yield


def test_the_readme_shows_every_command() -> None:
    assert {line.split()[1] for line in COMMANDS} == set(cli.VERBS)
    assert {"make demo", "make test"} <= set(SHELL)


def test_the_demo_runs_as_in_the_readme(demo: Demo) -> None:
    assert DEMO in COMMANDS
    assert demo.status == 0
    assert "Listen to the six files in demo/out" in demo.said
    assert set(demo.renders) == set(STEPS)


@pytest.mark.parametrize("line", [line for line in COMMANDS if line != DEMO])
def test_commands_in_the_readme_run(
    line: str,
    folder: Path,
    short_folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if line.split()[1] == "review":  # variants are listened to in test_review.py
        monkeypatch.setattr(listening, "_variants", lambda *_: [])
    monkeypatch.chdir(folder if is_on_the_whole(line) else short_folder)
    assert cli.run(shlex.split(line)[1:]) == 0
    assert capsys.readouterr().out


def test_the_short_song_is_the_song_but_for_its_length(folder: Path, short_folder: Path) -> None:
    whole, short = (load_sheet(home / "demo" / "mix.yaml") for home in (folder, short_folder))
    for parts in ("tracks", "groups", "returns", "variants"):
        names = [[part.name for part in getattr(sheet, parts)] for sheet in (whole, short)]
        assert names[0] == names[1]
    assert [track.inserts for track in short.tracks] == [track.inserts for track in whole.tracks]
    assert [part.name for part in short.song.sections] == ["intro", "verse 1", CHORUS]
    assert mixwright.plan(short).end / short.song.sample_rate_hz == pytest.approx(CUT_S, abs=0.01)


def test_the_example_proves_its_six_steps(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    checked = mixwright.check("demo/mix.yaml")
    assert [s.remark.message for s in checked.spoken() if s.counts] == []
    assert {stage.state for stage in checked.stages if stage.stage != "bus"} == {"holds"}
    # What it lives with is said, with the reason.
    assert [s.rule for s in checked.spoken() if s.accepted] == ["bus/tone-off"]


def test_python_in_the_readme_runs(short_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(short_folder)
    for number, block in enumerate(re.findall(r"```python\n(.*?)```", README, re.S)):
        script = short_folder / f"readme_{number}.py"
        script.write_text(block, "utf-8")
        runpy.run_path(str(script))


def test_the_sheet_in_the_readme_is_sound(tmp_path: Path) -> None:
    (block,) = re.findall(r"```yaml\n(.*?)```", README, re.S)
    (tmp_path / "mix.yaml").write_text(block, "utf-8")
    (tmp_path / "stems").mkdir()
    (tmp_path / "stems" / "lead_vocal.wav").touch()
    assert load_sheet(tmp_path / "mix.yaml").tracks[0].eq[0].why == "rumble below the voice"


def test_the_mistake_in_the_readme_is_answered_as_shown(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    text = Path("demo/mix.yaml").read_text("utf-8")
    Path("demo/wrong.yaml").write_text(text.replace("threshold_db", "treshold_db", 1), "utf-8")
    with pytest.raises(ProblemError) as caught:
        load_sheet("demo/wrong.yaml")
    assert any(f"{problem}\n" in README for problem in caught.value.problems)


def test_the_sheet_reference_is_up_to_date() -> None:
    made = runpy.run_path(str(ROOT / "docs" / "make_sheet_reference.py"))["page"]()
    assert (ROOT / "docs" / "sheet.md").read_text("utf-8") == made


def test_links_between_documents_lead_somewhere() -> None:
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))):
        for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text("utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_the_counts_of_the_long_run_are_those_that_were_noted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.syspath_prepend(str(ROOT / "docs"))
    import make_reliability_page as maker

    text = maker.PAGE.read_text("utf-8")
    counts = json.loads(maker.COUNTS.read_text("utf-8"))
    assert maker.page(text, counts) == text
    assert set(counts) == set(campaigns())
