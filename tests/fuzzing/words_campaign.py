"""Songs whose every word is hostile, through every report: what reads these must not be misled.

Titles, names, reasons, labels and names of files are made of what terminals, spreadsheets,
browsers, build servers and tagging libraries give a meaning to (:mod:`fuzzing.words_songs`). What
is written is read again by parsers that know nothing of ours (:mod:`fuzzing.words_outputs`).
"""

from __future__ import annotations

import dataclasses
import io
import json
import os
import random
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

from fuzzing import words_outputs as outputs
from fuzzing.campaign import Outcome
from fuzzing.words_songs import (
    NEEDS_ESCAPE,
    RATE_HZ,
    SECONDS,
    TEXTS,
    file_name,
    sheet_of,
    text_of,
    without_controls,
    wrong_sheets,
)

REPORTS = ("heard", "compared", "reviewed", "files", "rendered")


class Words:
    """The campaign of hostile words."""

    name = "words"
    about = "songs of hostile words through every report, read again by other parsers"
    seconds = 60.0
    sample = 4

    def make(self, dice: random.Random) -> dict[str, Any]:
        """A case: a text for each place, names of files, and how the sheet writes them."""
        case: dict[str, Any] = {key: text_of(dice) for key in TEXTS}
        case |= {key: without_controls(case[key]) for key in ("album", "comment")}
        case["chorus"] += " 2" if case["chorus"].strip() == case["verse"].strip() else ""
        case["stem"] = file_name(dice, "s") + ".wav"
        case["other"] = file_name(dice, "o").encode() + dice.choice((b"", b"\xff", b"\n", b"\x1b"))
        case["folder"] = file_name(dice, "f").encode() + dice.choice(
            (b"", b"\xfe", b"\xe2\x80\xae")
        )
        case["pattern"] = dice.choice((None, "{title} - {variant}", "{album}/{artist} {variant}"))
        case["report"] = dice.choice(REPORTS)
        case["ascii"] = dice.random() < 0.5
        return case

    def attempt(self, case: dict[str, Any], home: Path) -> Outcome:
        """Make the song, write every report of it, and read each one again."""
        folder = Path(os.fsdecode(os.fsencode(home) + b"/" + case["folder"]))
        folder.mkdir()
        trial = _Trial(case, folder, Counter())
        for fault in trial.faults():
            return Outcome(trial.tried, fault)
        return Outcome(trial.tried)

    def smaller(self, case: dict[str, Any]) -> Iterable[dict[str, Any]]:
        """Cases with one text made plain, or cut in half."""
        plain = {"stem": "s.wav", "other": b"o", "folder": b"f", "pattern": None}
        plain |= {key: key for key in TEXTS}
        for key, value in plain.items():
            if case[key] != value:
                yield {**case, key: value}
        for key in TEXTS:
            text = case[key]
            for half in (text[: len(text) // 2], text[len(text) // 2 :]):
                if len(text) > 1 and half.strip() and half != text:
                    yield {**case, key: half}


@dataclasses.dataclass
class _Trial:
    """One case under way."""

    case: dict[str, Any]
    folder: Path
    tried: Counter[str]

    def faults(self) -> Iterator[str]:
        """Everything that doesn't hold, in the order of the reports."""
        import mixwright
        from mixwright.problem import ProblemError

        self.write_song()
        self.sheet = self.folder / "mix.yaml"
        self.sheet.write_text(sheet_of(self.case), "utf-8")
        self.old = self.folder / "old.yaml"
        self.old.write_text(sheet_of(self.case, "old"), "utf-8")
        loaded = mixwright.load(self.sheet)
        if loaded.song.title != self.case["title"]:
            yield f"the title is read as {loaded.song.title!r}"
        for part in (getattr(self, self.case["report"]), self.problems):
            try:
                for what, fault in part():
                    self.tried["outputs"] += 1
                    if fault is not None:
                        yield f"{what} {fault}"
            except ProblemError as error:
                # A title that no file can have is refused, and said in a line that can be seen.
                self.tried["refused"] += 1
                if fault := outputs.fault_of_text(str(error)):
                    yield f"a refusal {fault}"
                if not any(p.rule == "output/bad-name" for p in error.problems):
                    yield f"{part.__name__} refuses: {error}"

    def write_song(self) -> None:
        """Two stems, and a folder of tracks with an odd name among them."""
        import numpy as np
        import soundfile

        chance = np.random.default_rng(1)
        tracks = self.folder / "tracks"
        tracks.mkdir()
        other = os.fsencode(tracks) + b"/" + self.case["other"] + b".wav"
        for path in (self.folder / self.case["stem"], self.folder / "band.wav", other):
            sound = 0.1 * chance.standard_normal(round(SECONDS * RATE_HZ))
            soundfile.write(os.fsencode(path), sound, RATE_HZ, format="WAV")
        self.other = Path(os.fsdecode(other))

    def heard(self) -> Iterator[tuple[str, str | None]]:
        """The check and the recall sheet, in every form."""
        from rich.console import Console

        from mixwright.api.figures import _heard
        from mixwright.checks import run_checks
        from mixwright.cli import check as cli
        from mixwright.escaping import json_text
        from mixwright.rendering.session import Session
        from mixwright.report.checks import print_checked
        from mixwright.report.recall import recall_of

        evidence = _heard(self.sheet, Session(threads=1))
        checked = run_checks(evidence, None)
        for form in ("text", "json", "markdown", "sarif", "github"):
            for everything in (False, True):
                told = _printed(lambda f=form, e=everything: cli._show(checked, f, e))
                yield f"check as {form}", self.checked_fault(form, told, checked)
        screen = io.StringIO()
        print_checked(checked, Console(file=screen, force_terminal=True, color_system=None), True)
        yield "check on a terminal", outputs.fault_of_text(screen.getvalue())
        recall = recall_of(evidence)
        yield "log", outputs.fault_of_text(recall.as_text())
        yield "log as Markdown", outputs.fault_of_markdown(recall.as_markdown())
        yield "log as JSON", outputs.fault_of_json(json_text(recall.as_data()), [self.case["why"]])
        plain = _harmless(recall, self.words())
        if outputs.headings(plain.as_markdown()) != outputs.headings(recall.as_markdown()):
            yield "log as Markdown", "has other headings than with harmless words"

    def checked_fault(self, form: str, told: str, checked: Any) -> str | None:
        """What is wrong with a check in one of its forms."""
        if form == "json":
            return outputs.fault_of_json(told, [self.case["title"], str(self.sheet)])
        if form == "sarif":
            return outputs.fault_of_sarif(told)
        if form == "github":
            return outputs.fault_of_annotations(told, len(list(checked.spoken())))
        return (outputs.fault_of_markdown if form == "markdown" else outputs.fault_of_text)(told)

    def compared(self) -> Iterator[tuple[str, str | None]]:
        """A comparison in every form."""
        import mixwright
        from mixwright.cli import compare as cli
        from mixwright.report.compared_html import compared_as_html

        compared = mixwright.compare(self.old, self.sheet, threads=1)
        told = {
            form: _printed(lambda f=form: cli._show(compared, f))
            for form in ("text", "json", "markdown", "html")
        }
        yield "compare", outputs.fault_of_text(told["text"])
        yield "compare as JSON", outputs.fault_of_json(told["json"], [str(self.old)])
        yield "compare as Markdown", outputs.fault_of_markdown(told["markdown"])
        plain = compared_as_html(_harmless(compared, self.words()))
        yield "compare as HTML", outputs.fault_of_html(told["html"], plain)

    def reviewed(self) -> Iterator[tuple[str, str | None]]:
        """The review page against the version before."""
        import mixwright
        from mixwright.reviewing.page import page_text
        from mixwright.reviewing.sounds import PageSound

        reviewed = mixwright.review(self.sheet, against=self.old, threads=1)
        sounds = {one.id: PageSound("x", 0.0) for one in reviewed.data.sources}
        plain = page_text(_harmless(reviewed.data, self.words()), sounds)
        yield "review", outputs.fault_of_html(reviewed.page.read_text("utf-8"), plain)

    def files(self) -> Iterator[tuple[str, str | None]]:
        """Figures of files and of tracks as they arrive, in every form."""
        import mixwright
        from mixwright.cli import measure as cli
        from mixwright.escaping import json_text
        from mixwright.report import intake

        found = [mixwright.measure(self.other), mixwright.measure(self.sheet, by_section=True)]
        yield (
            "measure",
            outputs.fault_of_text(_printed(lambda: cli._show(found, None, False, False))),
        )
        text = _printed(lambda: cli._show(found, None, True, False))
        yield "measure as CSV", outputs.fault_of_csv(text, {"file", "kind", "name", "section"})
        text = _printed(lambda: cli._show(found, None, False, True))
        true = [str(self.other), self.case["chorus"]]
        yield "measure as JSON", outputs.fault_of_json(text, true)
        for source in (self.folder / "tracks", self.sheet):
            inspected = mixwright.inspect(source)
            shown = _printed(lambda one=inspected: intake.print_inspected(one))
            yield "inspect", outputs.fault_of_text(shown)
            data = json_text(intake.inspected_as_data(inspected))
            yield "inspect as JSON", outputs.fault_of_json(data, [str(source)])

    def rendered(self) -> Iterator[tuple[str, str | None]]:
        """A render and a delivery with its tags, and whether it holds."""
        import mixwright
        from tags_in_files import read_tags

        yield "render", self.command("render", self.sheet, "--threads", "1")
        yield "render as JSON", self.command("render", self.sheet, "--json", "--threads", "1")
        done = mixwright.deliver(self.sheet, threads=1)
        for entry in (*done.made, *done.kept):
            path = done.manifest_path.parent / entry.file
            if not path.resolve().is_relative_to(done.manifest_path.parent.resolve()):
                yield "deliver", f"writes {entry.file} outside its folder"
            title = re.sub(
                "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]+", " ", self.case["title"]
            ).strip()
            said = (read_tags(path).title or "").removesuffix(f" ({entry.variant})")
            if not said.startswith(title) and not title.startswith(said):
                yield f"the tag of {entry.format}", f"says {said!r}, expected {title!r}"
        yield "deliver", self.command("deliver", self.sheet)
        yield "verify", self.command("verify", self.folder / "out", "--all")
        yield "verify as JSON", self.command("verify", self.folder / "out", "--json")

    def command(self, *arguments: str | Path) -> str | None:
        """Run a command line that is to end well; what is wrong with what it prints."""
        from mixwright.cli import run

        said = io.StringIO()
        with redirect_stdout(said), redirect_stderr(said):
            status = run(list(map(str, arguments)))
        text = said.getvalue()
        if status == 2 and "its name takes" in text:
            return outputs.fault_of_text(text)
        if status:
            return f"ends with {status}: {text[-500:]}"
        if "--json" in arguments:
            return outputs.fault_of_json(text, [])
        return outputs.fault_of_text(text)

    def problems(self) -> Iterator[tuple[str, str | None]]:
        """Sheets that are wrong in their words: each fault is one line that can be seen."""
        from mixwright.problem import ProblemError
        from mixwright.report.problems import problem_lines
        from mixwright.sheet import load_sheet_text
        from mixwright.sheet.text import sheet_text

        for key in ("title", "why"):
            for wrong in wrong_sheets(self.case[key]):
                data = NEEDS_ESCAPE.sub(lambda c: f"\\u{ord(c[0]):04x}", wrong).encode()
                try:
                    load_sheet_text(sheet_text(data, str(self.sheet)), self.sheet)
                except ProblemError as error:
                    for problem in error.problems:
                        json.dumps(problem.as_data())
                        fault = None if problem.span else "has no place"
                        line = outputs.unseen(str(problem), kept="")
                        fault = f"shows {line}" if line else fault
                        yield f"a problem ({problem.rule})", fault
                    lines = "\n".join(problem_lines(error.problems, with_source=True))
                    yield "problems with their lines", outputs.fault_of_text(lines)

    def words(self) -> list[str]:
        """The hostile words of the case as they may come out, the longest first."""
        from mixwright.escaping import one_line

        raw = [self.case[key] for key in TEXTS] + [self.case["stem"], str(self.folder)]
        return sorted({*raw, *map(one_line, raw)}, key=len, reverse=True)


def _printed(show: Any) -> str:
    said = io.StringIO()
    with redirect_stdout(said):
        show()
    return said.getvalue()


def _harmless(value: Any, words: list[str]) -> Any:
    """The same data with every hostile word as a harmless one."""
    if isinstance(value, str):
        for word in words:
            value = value.replace(word, "word")
        return value
    if isinstance(value, tuple | list):
        return type(value)(_harmless(one, words) for one in value)
    if isinstance(value, dict):
        return {key: _harmless(one, words) for key, one in value.items()}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        new = {f.name: _harmless(getattr(value, f.name), words) for f in dataclasses.fields(value)}
        return dataclasses.replace(value, **{k: v for k, v in new.items() if v is not None})
    return value


CAMPAIGN = Words()
