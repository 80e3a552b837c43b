"""Write docs/rules.md from the rules themselves: ``python docs/make_rules_page.py``.

The docstring of a rule is its page and the schema of the sheet knows its limits; this puts both
together, and a test holds the page to them.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import yaml

from mixwright.checks import RULES, STAGES, Rule
from mixwright.checks.page import page_of
from mixwright.sheet import STEPS
from mixwright.sheet.schema import load_schema
from mixwright.words import unit_of

KEEP_WORDS: dict[str, Any] = {"break_long_words": False, "break_on_hyphens": False}
DOCS = Path(__file__).resolve().parent
HEAD = """# The rules of a check, one by one

Made from the rules and from `schemas/mix-sheet.schema.json` by `docs/make_rules_page.py`; don't
edit it by hand.

`mixwright check mix.yaml` looks at the tracks as they arrive, walks through the six steps of the
mix and ends at what is to be delivered. It hears the whole mix once, and every rule below judges
what was heard. **A rule is advice, never a verdict on the music.** It says what was measured,
what was expected and why that tends to matter; whether it matters in this song is for ears to
decide.

## How to read it

A rule that has something to say says it in one of three ways:

- *fails*: something is most likely wrong; the check as a whole fails with it, and its exit status
  is 1.
- *look*: worth listening to again; it may well be meant.
- *note*: good to know, nothing to do.

A rule that finds no fault *holds*. A rule about compressors has *nothing to judge* in a mix
without any, and says so.

Below, each rule has its id, what it measures, why it matters and where that comes from: a
published source, or "common practice" where it is a habit of the trade. Then come its limits, and
changes to a clean song with which it still holds or with which it fires: mappings are merged into
the sheet key by key, `null` takes a key out, a list takes the place of the one before. Those
examples are tests: each is tried on an invented song.

## Other limits for a song

The limits are those a mix is held to where its sheet sets no others. A song that asks for others
says so under `limits`:

```yaml
limits: {decay_bars: 4, mono_loss_lu: 3}
```

## What a song lives with

What is found and meant to be so is accepted under `accept`, with the reason; `name` and `section`
narrow it down to a track, group or return and to a part of the song. An accepted finding counts
no more, but it is still listed, with its reason:

```yaml
accept:
- {rule: effects/decay-long, name: hall, why: the hall is an instrument in this song}
```
"""


def page() -> str:
    """Return the whole page."""
    parts = [HEAD]
    for stage in STAGES:
        rules = [rule for rule in RULES if rule.stage == stage]
        if rules:
            number = f"Step {STEPS.index(stage) + 1}: " if stage in STEPS else ""
            heading = f"{number}{stage}" if number else stage.capitalize()
            parts += [f"## {heading}\n", *(entry(rule) for rule in rules)]
    return "\n".join(parts)


def entry(rule: Rule) -> str:
    """Return what the page says of one rule."""
    said = page_of(rule)
    parts = [f"### {rule.id}", f"**{said.title}**", wrapped(said.body), limit_table(rule.limits)]
    parts.append(wrapped(f"Source: {said.source}"))
    if said.holds is not None:
        parts.append(f"Holds with:\n\n{fragment(said.holds)}")
    parts.append(f"Fires with:\n\n{fragment(said.fails)}")
    return "\n\n".join(part for part in parts if part) + "\n"


def wrapped(text: str) -> str:
    """Return text in lines of 100 characters at most; its own line ends stay."""
    return "\n".join(textwrap.fill(line, 100, **KEEP_WORDS) for line in text.split("\n"))


def limit_table(keys: tuple[str, ...]) -> str:
    """Return the limits of a rule as a table; empty for none."""
    if not keys:
        return ""
    declared = load_schema()["properties"]["limits"]["properties"]
    rows = ["| limit | default | unit | meaning |", "| --- | --- | --- | --- |"]
    for key in keys:
        limit = declared[key]
        meaning = limit["description"].replace("|", "\\|")
        rows.append(f"| `{key}` | {limit['default']:g} | {unit_of(key)} | {meaning} |")
    return "\n".join(rows)


def fragment(changes: Mapping[str, Any]) -> str:
    """Return a part of a sheet as a block of YAML."""
    text = yaml.safe_dump(
        dict(changes), sort_keys=False, allow_unicode=True, default_flow_style=None, width=96
    )
    return f"```yaml\n{text}```"


if __name__ == "__main__":
    (DOCS / "rules.md").write_text(page(), "utf-8")
