"""Whole songs at random: rendered, measured, checked, compared, delivered, and held to the laws."""

from __future__ import annotations

import os
import random
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fuzzing.campaign import Outcome
from fuzzing.minimise import fewer
from fuzzing.sheet_laws import SHEET, verdict
from fuzzing.sheet_styles import as_yaml
from fuzzing.song_laws import LAWS, RefusedError
from fuzzing.song_stems import write_sounds
from fuzzing.sound_sheets import SMALL, sound_sheet

Case = dict[str, Any]


class Songs:
    """Each case is a sound sheet as values, the seed of its sounds, and the laws to try."""

    name = "songs"
    about = "random songs, performed by every verb"
    seconds = 90.0
    sample = 3

    def make(self, dice: random.Random) -> Case:
        """A small song, and one of the laws."""
        sheet = sound_sheet(dice, SMALL)
        _without_plugins(sheet)
        _with_few_files(sheet)
        return {"sheet": sheet, "sounds": dice.randrange(10**6), "laws": [dice.choice(list(LAWS))]}

    def attempt(self, case: Case, home: Path) -> Outcome:
        """Perform the song; what a law says against it is the fault."""
        os.chdir(home)
        write_sounds(home, case["sounds"])
        text = as_yaml(case["sheet"], random.Random(case["sounds"]))
        Path(SHEET).write_text(text, "utf-8")
        tried = Counter({"songs": 1})
        if refused := verdict(SHEET).problems:
            return Outcome(tried, f"{refused[0]}\na sound song is refused: {refused[0].rule}")
        for law in case["laws"]:
            tried[law] += 1
            try:
                fault = LAWS[law]()
            except RefusedError:
                tried[f"{law} refused"] += 1
                continue
            if fault is not None:
                return Outcome(tried, f"{fault} ({law})")
        return Outcome(tried)

    def smaller(self, case: Case) -> Iterator[Case]:
        """One law, then fewer parts."""
        for laws in fewer(case["laws"]):
            if laws:
                yield {**case, "laws": laws}
        for sheet in _fewer_parts(case["sheet"]):
            yield {**case, "sheet": sheet}


def _fewer_parts(part: dict[str, Any], deep: int = 0) -> Iterator[dict[str, Any]]:
    """The same without one of its parts; a sheet that is not sound any more fails otherwise."""
    for key, value in part.items():
        if key not in ("format", "song", "title", "sample_rate_hz", "file", "type"):
            yield {name: kept for name, kept in part.items() if name != key}
        if isinstance(value, dict) and deep < 5:
            for less in _fewer_parts(value, deep + 1):
                yield {**part, key: less}
        elif isinstance(value, list):
            for fewer_items in fewer(value):
                yield {**part, key: fewer_items}


def _with_few_files(sheet: dict[str, Any]) -> None:
    """Each file of a delivery takes its time: two variants, at one rate, show what there is."""
    variants = sheet.get("variants", {})
    for name in list(variants)[2:]:
        del variants[name]
    for variant in variants.values():
        if len(variant.get("sample_rates_hz", [])) > 1:
            del variant["sample_rates_hz"][1:]


def _without_plugins(part: Any) -> None:
    """A plug-in is code of someone else: it may do anything."""
    if isinstance(part, dict):
        inserts = part.get("inserts", [])
        part.update({"inserts": [i for i in inserts if i["type"] != "plugin"]} if inserts else {})
    for value in part.values() if isinstance(part, dict) else part:
        if isinstance(value, dict | list):
            _without_plugins(value)


CAMPAIGN = Songs()
