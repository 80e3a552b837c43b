"""Sound files that are odd, broken or lie: played by every command that reads one.

Each is tried alone, in a folder with a good one, and as a track, a recorded room or a reference of
a small sheet. It may be refused, in a line that names it, with nothing written; or it is accepted,
and then by all, with figures that are numbers and a mix that is finite.
"""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from fuzzing.campaign import Outcome
from fuzzing.minimise import fewer, shorter
from fuzzing.sound_commands import Ran, ran, snapshot
from fuzzing.sound_edits import file_parts
from fuzzing.sound_grammar import made_edits, made_name, made_recipe
from mixwright.audio import probe
from mixwright.audio.plain import is_plain
from mixwright.problem import ProblemError

MOST_CPU_S = 12.0
MOST_GROWN_BYTES = 600 << 20
MOST_BYTES, MOST_FRAMES = 100 << 20, 20_000_000
OURS = ("error: ", "warning: ", "note: ", "help: ")
PARTS = {
    "track": "  odd: {{file: {name}, sends_db: {{room: -12}}}}\n"
    "returns:\n  room: {{type: reverb, decay_s: 0.3}}\n",
    "impulse": "returns:\n  room: {{type: reverb, impulse: {name}}}\n",
    "reference": "references: [{{file: {name}}}]\n",
}
SHEET = """format: 1
song: {{title: Odd, sample_rate_hz: 48000}}
tracks:
  good: {{file: good.wav, sends_db: {{{sends}}}}}
"""


class Sounds:
    """Sound files by their structure, and what is done to it."""

    name = "sounds"
    about = "sound files of every format that are odd, broken or lie"
    seconds = 60.0
    sample = 25

    def make(self, dice: random.Random) -> dict[str, Any]:
        """Return a recipe, what is done to it, and what is tried with it."""
        recipe = made_recipe(dice)
        trials = {"render": 0.8, "inspect": 0.25, "check": 0.06, "log": 0.04}
        return {
            "recipe": recipe,
            "edits": made_edits(recipe, dice),
            "name": made_name(recipe, dice),
            "part": dice.choices(list(PARTS), (6, 2, 1))[0],
            "trials": [name for name, share in trials.items() if dice.random() < share],
        }

    def attempt(self, case: dict[str, Any], home: Path) -> Outcome:
        """Measure the file, then try what else the case asks for."""
        trial = Trial(case, home)
        fault = trial.fault()
        return Outcome(trial.tried, fault)

    def smaller(self, case: dict[str, Any]) -> Iterator[dict[str, Any]]:
        """Yield it with fewer trials and edits, simpler samples, then fewer bytes."""
        for trials in fewer(case["trials"]):
            yield {**case, "trials": trials}
        if case["name"] != "odd.wav":
            yield {**case, "name": "odd.wav"}
        if "bytes" in case:
            yield from ({**case, "bytes": data} for data in shorter(case["bytes"]))
            return
        for edits in fewer(case["edits"]):
            yield {**case, "edits": edits}
        recipe = case["recipe"]
        simpler = {"signal": "silence", "channels": 1, "rate": 48000, "seed": 0}
        for key, value in simpler.items():
            if recipe[key] != value:
                yield {**case, "recipe": {**recipe, key: value}}
        for frames in (0, 1, recipe["frames"] // 2):
            if frames < recipe["frames"]:
                yield {**case, "recipe": {**recipe, "frames": frames}}
        parts = file_parts(case)
        if all(isinstance(part, bytes) and len(part) < 2000 for part in parts):
            rest = {key: value for key, value in case.items() if key not in ("recipe", "edits")}
            yield {"bytes": b"".join(part for part in parts if isinstance(part, bytes)), **rest}


class Trial:
    """One file, and the commands that are run on it."""

    def __init__(self, case: Mapping[str, Any], home: Path) -> None:
        self.case, self.home = case, home
        self.tried: Counter[str] = Counter({"files": 1})
        self.name: str = case["name"]
        self.folder = home / "song"
        self.folder.mkdir()
        with open(self.folder / self.name, "wb") as file:
            for part in file_parts(case):
                if isinstance(part, bytes):
                    file.write(part)
                else:
                    file.truncate(file.seek(part, 1))
        good = np.random.default_rng(1).standard_normal((24000, 1)) * 0.05
        soundfile.write(self.folder / "good.wav", good, 48000, subtype="PCM_16")
        part = case["part"]
        sends = "room: -12" if part == "impulse" else ""
        sheet = SHEET.format(sends=sends) + PARTS[part].format(name=self.name)
        (self.folder / "mix.yaml").write_text(sheet, "utf-8")
        self.before = snapshot(self.folder)

    def fault(self) -> str | None:
        """Return the first thing that is wrong, None if all holds."""
        if self.is_long():
            self.tried["files too long to play"] += 1
            return None
        measured = self._run("measure", str(self.folder / self.name), "--json")
        is_read = measured.status == 0
        self.tried["files accepted" if is_read else "files refused"] += 1
        fault = self._wrong(measured, self.before) or self._wrong_figures(measured)
        for trial in self.case["trials"]:
            fault = fault or getattr(self, f"_{trial}")(is_read)
        return fault

    def is_long(self) -> bool:
        """Whether a file with holes is read as hours of silence, or hashed for as long."""
        path = self.folder / self.name
        if path.stat().st_size <= MOST_BYTES:
            return False
        with open(path, "rb") as file:
            if not is_plain(file):  # it is hashed before it is decoded
                return True
        try:
            return probe(path).frames > MOST_FRAMES
        except ProblemError:
            return False

    def _run(self, *words: str) -> Ran:
        self.tried["commands"] += 1
        done = ran(words, self.home / "temporary")
        if done.cpu_s > MOST_CPU_S or done.grown_bytes > MOST_GROWN_BYTES:
            return ran(words, self.home / "temporary")  # at first, much is imported and compiled
        return done

    def _wrong(self, done: Ran, after: Mapping[str, str] | None) -> str | None:
        """What no command may do; `after` is what the folder is to hold, None if anything."""
        told = f"{' '.join(done.words[:1])} ends with {done.status}"
        if done.status not in (0, 1, 2):
            return f"{told}\n{self._bug()}{done.err}{done.out[-500:]}\n{self._last(done)}"
        if done.stray:
            return f"{told}: something else wrote to its output\n{done.stray}\nstray output"
        if "Traceback" in done.out + done.err:
            return f"{told}\n{done.err}\na traceback"
        if done.cpu_s > MOST_CPU_S:
            return f"{told} after {done.cpu_s:.0f} s of work\ntoo slow"
        if done.grown_bytes > MOST_GROWN_BYTES:
            return f"{told} having taken {done.grown_bytes >> 20} MB\ntoo much memory"
        if list((self.home / "temporary").iterdir()):
            return f"{told}\ntemporary files are left"
        if after is not None and snapshot(self.folder) != after:
            names = sorted(set(snapshot(self.folder).items()) ^ set(after.items()))
            return f"{told}: {names}\nthe folder has changed"
        return None

    def _bug(self) -> str:
        return "".join(
            path.read_text("utf-8") for path in (self.home / "temporary").glob("mixwright-bug-*")
        )

    def _last(self, done: Ran) -> str:
        """What kind of failure it is: of a bug its exception, else the line printed."""
        lines = [line for line in (done.err or done.out).splitlines() if "error: " in line]
        return f"{done.words[0]}: {lines[-1] if lines else done.status}"

    def _refusal(self, done: Ran) -> str | None:
        """A refusal is one line for each problem and names the file."""
        lines = [line for line in done.err.splitlines() if "error: " in line]
        others = [x for x in done.err.splitlines() if x not in lines and not x.startswith(OURS)]
        if not lines or others:
            return f"{done.words[0]} says: {done.err}\na refusal of more than a line"
        return self._unnamed(done.words[0], lines)

    def _unnamed(self, verb: str, lines: list[str]) -> str | None:
        for line in lines:
            if self.name not in line or not line.isprintable():
                return f"{verb} says: {line!r}\na refusal that does not name the file"
        return None

    def _wrong_figures(self, done: Ran) -> str | None:
        try:
            data = json.loads(done.out, parse_constant=_refused_number)
        except ValueError as error:
            return f"{done.words[0]} prints {done.out[-300:]}\nits JSON is not strict: {error}"
        if done.status == 0:
            return None
        messages = [problem["message"] for problem in data["problems"]]
        return self._unnamed(done.words[0], messages)

    def _render(self, is_read: bool) -> str | None:
        if self.case["part"] == "reference":
            return self._compared()
        target = self.folder / "out.wav"
        done = self._run(
            "render",
            str(self.folder / "mix.yaml"),
            "--out",
            str(target),
            "--format",
            "wav32f",
            "--force",
        )
        if fault := self._wrong(done, None):
            return fault
        if done.status != 0:
            if is_read and self.case["part"] == "track":
                return f"{done.err}\nmeasured and not rendered: {_without_name(done.err)}"
            return self._wrong(done, self.before) or self._refusal(done)
        if not is_read:
            return f"{done.out}\nrendered and not measured"
        sound, _ = soundfile.read(target)
        target.unlink()
        if not np.isfinite(sound).all():
            return "the mix holds what is not finite"
        return self._wrong(done, self.before)

    def _compared(self) -> str | None:
        done = self._run("measure", str(self.folder / "mix.yaml"), "--against-references", "--json")
        return self._wrong(done, self.before) or self._wrong_figures(done)

    def _inspect(self, is_read: bool) -> str | None:
        done = self._run("inspect", str(self.folder), "--json")
        fault = self._wrong(done, self.before) or self._wrong_figures(done)
        if fault is None and done.status != 0:
            return f"{done.out}\ninspect refuses a folder for one of its files"
        return fault

    def _check(self, is_read: bool) -> str | None:
        return self._of_sheet(self._run("check", str(self.folder / "mix.yaml")))

    def _log(self, is_read: bool) -> str | None:
        return self._of_sheet(self._run("log", str(self.folder / "mix.yaml")))

    def _of_sheet(self, done: Ran) -> str | None:
        fault = self._wrong(done, self.before)
        return fault or (self._refusal(done) if done.status == 2 else None)


def _refused_number(text: str) -> float:
    raise ValueError(f"{text} is no number of JSON")


def _without_name(text: str) -> str:
    return text.strip().splitlines()[-1].split(": ", 1)[-1] if text.strip() else ""


CAMPAIGN = Sounds()
