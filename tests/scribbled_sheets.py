"""Random sheets, and a scribbler that writes them in every style of YAML, comments anywhere."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from mixwright.sheet.tidy_words import fits_plain, quoted
from mixwright.sheet.tree import plain_value

WORDS = ["low, then high", "a: b", "#1", "yes", "it's", 'say "no"', "ünï 🎚", "12:30", "two\nlines"]
WORDS += ["[a]", "{b}", "who?", "-", "true", "7", "null", "plain words", "a\n\nb\n"]
WORDS += ["  inset\nlines\n"]


class Scribbler:
    """Writes values as YAML in any style, with comments anywhere."""

    def __init__(self, dice: random.Random) -> None:
        self.dice = dice
        self.count = 0
        self.deepest = 8  # a comment may be indented

    def comment(self) -> str:
        self.count += 1
        return f"# c{self.count}"

    def above(self) -> str:
        lines = self.dice.choices(["", "c"], k=self.dice.choice((0, 0, 0, 1, 2)))
        indents = [" " * self.dice.randint(0, self.deepest) for _ in lines]
        self.deepest = 8
        pairs = zip(indents, lines, strict=True)
        return "".join(f"{indent}{self.comment()}\n" if line else "\n" for indent, line in pairs)

    def beside(self) -> str:
        return f" {self.comment()}" if self.dice.random() < 0.15 else ""

    def room(self) -> str:
        if self.dice.random() > 0.1:
            return self.dice.choice(("", " "))
        return f"{self.beside()}\n{self.above()}{' ' * 20}"

    def word(self, value: Any, in_flow: bool) -> str:
        if isinstance(value, bool):
            return str(value).lower()
        if not isinstance(value, str):
            forms = [f"{value}", f"{value:+}", f"{value:.3f}" if isinstance(value, float) else ""]
            return self.dice.choice([form for form in forms if form])
        styles = [quoted(value)]
        if "\n" not in value:
            styles.append("'" + value.replace("'", "''") + "'")
            if fits_plain(value, in_flow) and isinstance(plain_value(value), str):
                styles.append(value)
        return self.dice.choice(styles)

    def flow(self, value: Any) -> str:
        if isinstance(value, dict):
            pairs = [f"{key}: {self.flow(value[key])}" for key in self.keys(value)]
            return "{" + self.joined(pairs) + "}"
        if isinstance(value, list):
            return "[" + self.joined([self.flow(item) for item in value]) + "]"
        return self.word(value, True)

    def joined(self, parts: list[str]) -> str:
        return ",".join(f"{self.room()}{part}{self.room()}" for part in parts)

    def keys(self, value: dict[str, Any]) -> list[str]:
        is_fixed = value.keys() & {"file", "type", "gain_db", "value", "format", "formats", "title"}
        return self.dice.sample(list(value), len(value)) if is_fixed else list(value)

    def block(self, value: Any, indent: int) -> str:
        """A value after its key or dash, up to the end of its last line."""
        if isinstance(value, str) and "\n" in value and self.dice.random() < 0.7:
            inner = " " * (indent + 1)
            lines = "".join(f"{inner}{line}\n" if line else "\n" for line in value.splitlines())
            sign = "|1" if value.startswith(" ") else "|"
            sign += "" if value.endswith("\n") else "-"
            beside = self.beside()
            self.deepest = 0  # what is indented more is text
            return f" {sign}{beside}\n{lines}"
        if not isinstance(value, dict | list) or not value or self.dice.random() < 0.3:
            shown = self.flow(value) if isinstance(value, dict | list) else self.word(value, False)
            return f" {shown}{self.beside()}\n"
        inner = indent + self.dice.randrange(1, 4)
        made = f"{self.beside()}\n"
        for part in value if isinstance(value, list) else self.keys(value):
            lead = "-" if isinstance(value, list) else f"{part}:"
            item = part if isinstance(value, list) else value[part]
            made += f"{self.above()}{' ' * inner}{lead}{self.block(item, inner)}"
        return made


def random_sheet(dice: random.Random) -> dict[str, Any]:
    """A sheet with a few tracks, as plain values."""

    def some(choices: dict[str, Callable[[], Any]]) -> dict[str, Any]:
        return {key: make() for key, make in choices.items() if dice.random() < 0.6}

    def number() -> float:
        return dice.choice((-4.5, 0, 1.0, -0.25, 3, -12))

    def band() -> dict[str, Any]:
        words = some({"q": lambda: 1.25, "why": lambda: dice.choice(WORDS)})
        return {"type": "bell", "freq_hz": 240, "gain_db": number(), **words}

    def points() -> list[dict[str, Any]]:
        return [{"bar": bar, "value": number()} for bar in range(2, 2 + dice.randrange(3))]

    def settings() -> dict[str, Any]:
        found = {
            "gain_db": number,
            "mute": lambda: dice.random() < 0.5,
            "eq": lambda: [band() for _ in range(dice.randrange(3))],
            "compressor": lambda: {"threshold_db": -18, "ratio": 2.5, "why": dice.choice(WORDS)},
            "automation": lambda: some({"gain_db": points}),
            "why": lambda: dice.choice(WORDS),
        }
        return some(found)

    names = dice.sample(["kick", "on", "bass", "no", "12"], dice.randrange(2, 5))
    sends = lambda: some({"hall": number, "room": lambda: "off"})  # noqa: E731
    tracks = {n: {"file": f"{n}.wav", **settings(), **some({"sends_db": sends})} for n in names}
    returns = {name: {"type": "reverb", "decay_s": 1.5} for name in ("room", "hall")}
    variants = {"main": {"formats": ["wav24", "flac16"]}, "less": {"without": names[:1]}}
    song = {"title": dice.choice(WORDS), "sample_rate_hz": 48000}
    rest = some({"groups": lambda: {"all": settings()}, "variants": lambda: variants})
    return {"format": 1, "song": song, "tracks": tracks, "returns": returns, **rest}
