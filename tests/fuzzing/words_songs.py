"""Hostile words, and songs made of them."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator
from typing import Any

PIECES = (
    "</script><img src=x onerror=window.ran=1>",
    "<script>window.ran=1</script>",
    '"><svg onload=window.ran=1>',
    "' onmouseover='window.ran=1",
    "]]>",
    "<!--",
    "-->",
    "&lt;b&gt;",
    "{{7*7}}",
    "{% raw %}",
    "${7*7}",
    "{title}",
    "{0}",
    "%s%n",
    "%0A::error::x",
    "::error file=a,line=1::gone",
    "\n::set-output name=a::b",
    "\r\n",
    "\n\n# head\n",
    "\n- item",
    "\n| a | b |\n|---|---|",
    "|",
    "\\|",
    "`",
    "```",
    "[a](javascript:alert(1))",
    "![b](http://b.example/c.png)",
    "http://c.example",
    "@someone",
    "#12",
    "**bold** _e_ ~~no~~ $x$",
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "=cmd|' /C calc'!A0",
    '"',
    "'",
    ",",
    ";",
    "\t",
    "\\",
    "\\n",
    "\x1b[31m",
    "\x1b]0;title\x07",
    "\x9b2J",
    "\x08\x08",
    "\x00",
    "\x7f",
    "\u202egpj",
    "\u2066a\u2069",
    "\u200f\u05e9\u05dc\u05d5\u05dd",
    "\u0645\u06cc\u200c\u062e",
    "\u2028",
    "\u2029",
    "\u0085",
    "\ufeff",
    "\u200b",
    "\u00a0",
    "\U0001f39a",
    "\U0001f468\u200d\U0001f3a4",
    "e\u0301\u0301\u0301",
    "\u5927\u304d\u3044",
    "[red]r[/red]",
    ":warning:",
    "C:\\x",
    "../../up",
    "CON",
    " ",
    "~",
    "null",
    "1e3",
    "no",
    "x" * 300,
)
# What a text that labels (album, comment and so on) may not hold.
_CONTROL = re.compile("[\x00-\x1f\x7f]")
NEEDS_ESCAPE = re.compile("[\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]")
TEXTS = ("title", "artist", "verse", "chorus", "why", "reason", "album", "comment", "old")
RATE_HZ, SECONDS = 44100, 1.5


def text_of(dice: random.Random) -> str:
    """A text of one to three hostile pieces, among harmless words."""
    words = ["Low", "Tide", *dice.choices(PIECES, k=dice.randint(1, 3))]
    dice.shuffle(words)
    text = dice.choice(("", " ")).join(words)
    return text if text.strip() else f"a{text}"


def file_name(dice: random.Random, stem: str) -> str:
    """A name that a file system takes and that a sheet may hold: all of it can be printed."""
    text = "".join(c for c in text_of(dice) if c.isprintable() and c != "/")
    return (dice.choice(("", stem, "-", "=")) + text)[:60].strip() or stem


def sheet_of(case: dict[str, Any], which: str = "new") -> str:
    """The sheet of a case, as JSON; `which` "old" is the version before."""
    why, title = case["why"], case["title"] if which == "new" else case["old"]
    variants: dict[str, Any] = {
        "main": {"formats": ["wav24", "flac24", "mp3"], "why": why},
        "tv": {"without": ["lead"], "formats": ["wav16"]},
    }
    release: dict[str, Any] = {"album": case["album"], "comment": case["comment"]}
    if case["pattern"]:
        release["file_name"] = case["pattern"]
    lead = {
        "file": case["stem"],
        "role": "lead_vocal",
        "gain_db": -12 if which == "new" else -13,
        "why": why,
        "group": "all",
        "sends_db": {"room": -20},
        "eq": [{"type": "bell", "freq_hz": 900, "gain_db": 3, "q": 1, "why": why}],
        "compressor": {"threshold_db": -40, "ratio": 3, "why": why},
        "automation": {"gain_db": [{"section": case["chorus"], "value": 2}]},
    }
    data: dict[str, Any] = {
        "format": 1,
        "song": {
            "title": title,
            "artist": case["artist"],
            "sample_rate_hz": RATE_HZ,
            "tempo": [{"bar": 1, "bpm": 240, "beats_per_bar": 2}],
            "sections": [{"name": case["verse"], "bar": 1}, {"name": case["chorus"], "bar": 2}],
            "loudest_section": case["chorus"],
        },
        "tracks": {"lead": lead, "band": {"file": "band.wav", "gain_db": -15, "pan": "L30"}},
        "groups": {"all": {"why": why}},
        "returns": {"room": {"type": "reverb", "decay_s": 0.2, "why": why}},
        "references": [{"file": case["stem"], "section": case["verse"]}],
        "accept": [{"rule": "delivery/tail-cut", "why": case["reason"]}],
        "release": release,
        "variants": variants,
    }
    text = json.dumps(data, ensure_ascii=case["ascii"], indent=1)
    return NEEDS_ESCAPE.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def wrong_sheets(word: str) -> Iterator[str]:
    """Sheets that are wrong in a word, as JSON."""
    song = {"title": "T", "sample_rate_hz": RATE_HZ}
    track = {"file": "band.wav"}
    yield json.dumps({"format": 1, "song": song, "tracks": {"a": track}, word: 1})
    yield json.dumps({"format": 1, "song": song, "tracks": {word: track, "a": {"file": word}}})
    wrong = {"file": "band.wav", "gain_db": word, "role": word, "group": word, "pan": word}
    yield json.dumps({"format": 1, "song": song, "tracks": {"a": wrong}}, ensure_ascii=False)
    rides = {"automation": {"gain_db": [{"section": word, "value": 1}]}}
    release = {"file_name": word, "date": word, "isrc": word}
    told = {"release": release, "variants": {"main": {"formats": [word], "only": [word]}}}
    yield json.dumps({"format": 1, "song": song, "tracks": {"a": {**track, **rides}}, **told})
    yield f"format: 1\nsong: &{word[:9]} {{title: T}}\n? {word}"


def without_controls(text: str) -> str:
    """The text as a label may hold it."""
    return _CONTROL.sub("", text) or "A"
