"""Sheets of any kind: taken if they are sound, and refused in plain words at a place if not."""

from __future__ import annotations

import os
import random
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from fuzzing.byte_mutations import scrambled
from fuzzing.campaign import Outcome
from fuzzing.memory import peak_bytes
from fuzzing.minimise import fewer, shorter
from fuzzing.sheet_laws import OTHER, SHEET, Verdict, laws_of_verbs, said_wrong, verdict
from fuzzing.sheet_mutations import mutated
from fuzzing.sheet_styles import as_json, as_yaml
from fuzzing.sheet_words import write_silent_files
from fuzzing.sound_sheets import SMALL, shaped_sheet, sound_sheet

Case = dict[str, Any]
KINDS = {"sound": 3, "json": 1, "shaped": 3, "mutated": 7, "scrambled": 5}
# One in so many sheets goes through the verbs as well: they take longer.
THROUGH_VERBS = 48
MOST_SECONDS, PER_PROBLEM_S, MOST_BYTES = 2.0, 0.0005, 256 << 20


class Sheets:
    """Each case is a sheet's bytes, and what is known of it."""

    name = "sheets"
    about = "random mix sheets, sound ones and all kinds of broken ones"
    seconds = 30.0
    sample = 300

    def make(self, dice: random.Random) -> Case:
        """A sheet's text with its kind, the sound sheet it came from, and what to try."""
        kind = dice.choices(list(KINDS), weights=list(KINDS.values()))[0]
        caps = dice.choice((None, SMALL, SMALL, SMALL))
        through_verbs = dice.randrange(THROUGH_VERBS) == 0
        if kind == "shaped":
            text = as_yaml(shaped_sheet(dice, caps), dice).encode()
            return {"kind": kind, "text": text, "origin": b"", "through_verbs": through_verbs}
        sheet = sound_sheet(dice, caps)
        origin = as_yaml(sheet, dice).encode()
        text = origin
        if kind == "json":
            text = as_json(sheet, dice).encode()
        elif kind == "mutated":
            text = as_yaml(mutated(sheet, dice), dice).encode("utf-8", "replace")
        elif kind == "scrambled":
            whole = as_json(sheet, dice).encode() if dice.random() < 0.2 else origin
            text = scrambled(whole, dice)
        return {"kind": kind, "text": text, "origin": origin, "through_verbs": through_verbs}

    def attempt(self, case: Case, home: Path) -> Outcome:
        """Read the sheet as ``validate`` does, hold the answer to the laws, try the verbs."""
        os.chdir(home)
        write_silent_files(home)
        Path(SHEET).write_bytes(case["text"])
        before, begun = peak_bytes(reset=True), time.process_time()
        found = verdict(SHEET)
        seconds, grown = time.process_time() - begun, peak_bytes() - before
        tried = Counter({"sheets": 1, f"{case['kind']} sheets": 1})
        tried["sheets taken" if found.sheet is not None else "sheets refused"] += 1
        fault = self._fault(case, found, seconds, grown)
        if fault is None and case["through_verbs"]:
            tried["sheets through the verbs"] += 1
            fault = laws_of_verbs(case["text"], case["origin"], found)
        return Outcome(tried, fault)

    def _fault(self, case: Case, found: Verdict, seconds: float, grown: int) -> str | None:
        if (wrong := said_wrong(found.problems, case["text"])) is not None:
            return wrong
        if case["kind"] in ("sound", "json"):
            if found.problems:
                return f"{found.problems[0]}\na sound sheet is refused: {found.problems[0].rule}"
            if case["kind"] == "json" and not means(case["origin"], found):
                return "a sheet as JSON is another than as YAML"
        allowed = MOST_SECONDS * max(1.0, len(case["text"]) / 1e6)
        if seconds > allowed + PER_PROBLEM_S * len(found.problems):
            return f"reading took {seconds:.1f} s for {len(case['text'])} bytes\nreading takes long"
        if grown > MOST_BYTES:
            return f"reading took {grown >> 20} MB\nreading takes too much memory"
        return None

    def smaller(self, case: Case) -> Iterator[Case]:
        """Sheets with lines left out, then with bytes left out."""
        text: bytes = case["text"]
        if case["through_verbs"]:
            yield {**case, "through_verbs": False}
        if case["kind"] in ("sound", "json"):
            return
        if case["origin"]:
            yield {**case, "origin": b""}
        for lines in fewer(text.splitlines(keepends=True)):
            yield {**case, "text": b"".join(lines)}
        if len(text) < 400:
            for part in shorter(text):
                yield {**case, "text": part}


def means(text: bytes, found: Verdict) -> bool:
    """Whether another text in the same folder is the same sheet."""
    Path(OTHER).write_bytes(text)
    other = verdict(OTHER).sheet
    return other is not None and replace(other, path=Path(SHEET)) == found.sheet


CAMPAIGN = Sheets()
