"""Write docs/sheet.md from the schema: ``python docs/make_sheet_reference.py``.

The schema is the contract; this page is the same contract for people, held to it by a test.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
HEAD = """# The mix sheet, key by key

Made from `schemas/mix-sheet.schema.json` by `docs/make_sheet_reference.py`; don't edit it by hand.

One YAML file, read in a strict subset: no duplicate keys, aliases, tags or second documents;
`yes`, `no`, `on`, `off` are words, not booleans. Units are in the keys. A place in the song is
`section: NAME`, `bar: N` (with `beat:`, fractional) or `s: SECONDS`. Paths start at the sheet.
An automation point starts at its place and reaches its value after `over_beats` or `over_ms`;
`gain_db` points add to the fader, all others (those of EQ bands too) are absolute. Text with a
comma or a `: ` in it needs quotes: `why: "boxy, against the piano"`.

`render` makes the mix that the sheet describes, the main mix; its `variants` are made by
`mixwright deliver`.

**A tidy sheet.** `mixwright tidy mix.yaml` puts a sheet into one order, spacing and form of
numbers, so that a diff shows decisions and nothing else. `--check` writes nothing and exits with
1 if a sheet is not tidy, `--diff` prints what would change. A tidied sheet means the same as
before, and that is checked before it is written; one with faults is left as it is. Sound files
need not be there.

- Keys stand in the order of the tables below: what a thing is, its settings, the reason for them
  (`why`), then what has settings and reasons of its own, automation last. So a reason is never
  cut off from its settings by a long list. Names of your own - tracks, sends, variants - keep the
  order they have.
- A decision has one line: an EQ band, a compressor, the sends, a point of automation. Braces
  where that fits 100 columns and holds no comment; what is longer stays on one line or on
  several, as it was. Text of several lines after `|` or `>` stays.
- One empty line between the parts of the sheet and between tracks, elsewhere where there are
  some; two columns a level.
- The shortest form of a number: `-4.5` for `-4.50`, `3` for `+3`; `1.0` keeps its point. Quotes
  only where a text would be read as something else without.
- Comments move with their keys: one at the end of a line stays with it, one above goes with what
  comes next. Those at the top of the file stay there.

**File names.** The files of a variant are called by the pattern `file_name`, its own or that of the
release; `/` is between folders. In a pattern these are filled in:

| in braces | becomes |
| --- | --- |
| `{title}`, `{artist}` | those of the song |
| `{album}`, `{track_number}` | those of the labels; the number with two digits at least |
| `{variant}` | the name of the variant |
| `{stem}` | in a variant in parts, the name of the group, track or stem |
| `{format}`, `{rate_hz}` | such as `wav24` and `48000` |

The ending goes by the format: `.wav`, `.aiff`, `.flac`, `.ogg`, `.opus`, `.mp3`. A character in a
title that some disks do not take becomes `_`. Where one variant has several parts, several rates,
or formats with the same ending, and its pattern does not tell them apart, ` - ` and what does is
added. So `{title} - {variant}` gives `Salt Road - main.wav`, `Salt Road - stems - drums.wav` and
`Salt Road - cd - 44100 Hz - wav16.wav`.
"""


class Reference:
    """Walks the schema and collects a table for every object in it."""

    def __init__(self, schema: dict[str, Any]) -> None:
        self.schema = schema
        self.done: set[str] = set()
        self.parts: list[str] = [HEAD]

    def follow(self, node: dict[str, Any]) -> tuple[dict[str, Any], str | None]:
        """Return what a ``$ref`` points at, with the keys beside it, and its name."""
        if "$ref" not in node:
            return node, None
        name = node["$ref"].rsplit("/", 1)[1]
        return {
            **self.schema["$defs"][name],
            **{k: v for k, v in node.items() if k != "$ref"},
        }, name

    def section(self, node: dict[str, Any], path: str) -> None:
        """Write the table of one object, then those of the objects in it."""
        rows, inner = [], []
        named = {f"`{key}`": value for key, value in node.get("properties", {}).items()}
        for value in node.get("patternProperties", {}).values():
            named["*NAME*"] = value
        required = node.get("required", [])
        for key, raw in named.items():
            value, _ = self.follow(raw)
            needed = " **needed**" if key.strip("`") in required else ""
            rows.append(f"| {key} | {value.get('description', '')}{needed} | {self.range(value)} |")
            inner.append((key.strip("`*"), raw))
        if rows:
            self.parts.append(f"## {path or 'the sheet'}\n\n{node.get('description', '')}\n")
            self.parts.append(
                "| key | meaning | values |\n| --- | --- | --- |\n" + "\n".join(rows) + "\n"
            )
        for key, raw in inner:
            self.descend(raw, f"{path}.{key}" if path else key)

    def descend(self, raw: dict[str, Any], path: str) -> None:
        """Go into an object or the items of a list, once for each definition."""
        node, name = self.follow(raw)
        if node.get("type") == "array":
            self.descend(node.get("items", {}), f"{path}[]")
            return
        if name is not None and name in self.done:
            return
        if name is not None and ("properties" in node or "patternProperties" in node):
            self.done.add(name)
        self.section(node, path)

    @staticmethod
    def range(node: dict[str, Any]) -> str:
        """The values a key takes, as a few words."""
        words = []
        if "const" in node:
            words.append(f"`{node['const']}`")
        choices = node.get("enum") or node.get("items", {}).get("enum", ())
        words.append(", ".join(f"`{value}`" for value in choices))
        if "pattern" in node:
            words.append(node.get("patternErrorMessage", "").removeprefix("expected "))
        elif "minimum" in node:
            words.append(f"{node['minimum']} to {node['maximum']}")
        if "default" in node:
            words.append(f"left out: `{json.dumps(node['default'])}`")
        return "; ".join(word for word in words if word).replace("|", "\\|")


def page() -> str:
    """Return the whole page."""
    schema = json.loads((ROOT / "schemas" / "mix-sheet.schema.json").read_text("utf-8"))
    reference = Reference(schema)
    reference.section(schema, "")
    return "\n".join(reference.parts)


if __name__ == "__main__":
    (ROOT / "docs" / "sheet.md").write_text(page(), "utf-8")
