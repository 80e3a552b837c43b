"""What sequences are made of: command lines with all their options, names, and edits between."""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path

FOREIGN = b"not mixwright's\n"
OUTSIDE = "outside.wav"
LONG = "x" * 251
# Places to write to: plain ones, odd ones, and such as must be refused.
STEMS_OF_NAMES = (
    *("out/mix", "mix", "a b", "Zwölf Möwen", "-dash", "--force", "out/.hidden", "é" * 120, LONG),
    *("foreign", "out/foreign", "stems/kick", "STEMS/KICK", "./out/../mix", "folder", "link"),
    *("loop", "nowhere", "linked/mix", "no/such/../mix", "out/a\nb", "out/\udcff", "CON", ""),
    *("mix.yaml/below", "foreign.wav/below", "../outside", "fifo", "/dev/null"),
)
FOLDERS = (
    *("out", "steps", "a b", "Zwölf", "-dash", "foreign.wav", "stems", ".", "linked", "loop"),
    *("mix.yaml", "new/deep/er", "out/mix.wav", "é" * 120, LONG, "folder.wav", "", "/dev/null/x"),
)
SHEETS = ("mix.yaml",) * 50 + (
    *("./mix.yaml", "stems/../mix.yaml", "odd sheet.yaml", "nowhere.yaml", "stems", "MIX.YAML"),
    *("loop.wav", "stems/kick.wav", "/dev/null", "link.yaml", "", "foreign.wav", "a\0b"),
)
STEPS = ("balance", "bus", "eq", "dynamics", "effects", "automation")
FORMATS = ("wav16", "wav24", "wav32f", "flac16", "flac24", "mp3")


def new_command(dice: random.Random) -> list[str]:
    """Return a command line with options at random; names without a zero byte."""
    verb = dice.choice(list(VERBS))
    words = [word.replace("\0", "") for word in VERBS[verb](dice)]
    return [verb, *(word.encode("utf-8", "replace").decode() for word in words)]


def _some(dice: random.Random, *pairs: tuple[str, ...], likely: float = 0.25) -> list[str]:
    return [word for pair in pairs if dice.random() < likely for word in pair]


def _span(dice: random.Random) -> list[str]:
    return _some(
        dice,
        ("--section", dice.choice(("verse", "chorus", "bridge", ""))),
        ("--from", dice.choice(("0.2 s", "bar 1", "-1 s", "bar 99", "1e9 s", "nan s"))),
        ("--to", dice.choice(("1 s", "bar 2", "0 s", "0.0001 s"))),
        likely=0.15,
    )


def _sound(dice: random.Random) -> str:
    return dice.choice(STEMS_OF_NAMES) + dice.choice((".wav", ".wav", ".flac", ".WAV", ".txt", ""))


def _sheet(dice: random.Random) -> str:
    return dice.choice(SHEETS)


def _render(dice: random.Random) -> list[str]:
    into = ("--out", _sound(dice))
    words = [_sheet(dice), *_some(dice, into, likely=0.6), *_span(dice)]
    if dice.random() < 0.2:
        words = [_sheet(dice), "--each-step", *_some(dice, ("--out", dice.choice(FOLDERS)))]
    return words + _some(
        dice,
        ("--format", dice.choice(FORMATS)),
        ("--through", dice.choice(STEPS)),
        ("--mono",),
        ("--dither", "shaped"),
        ("--force",),
        ("--no-cache",),
        ("--json",),
        ("--threads", dice.choice(("1", "3", "0", "256"))),
        likely=0.15,
    )


def _bypass(dice: random.Random) -> list[str]:
    track = dice.choice(("lead", "kick", "bass", "nobody"))
    part = dice.choice(("eq", "eq", "compressor", "gate", "inserts"))
    out = ("--out", dice.choice(FOLDERS))
    return [_sheet(dice), track, part, *_some(dice, out, ("--force",), ("--json",)), *_span(dice)]


def _deliver(dice: random.Random) -> list[str]:
    only = ("--only", dice.choice(("main", "instrumental", "stems", "nobody", "main,stems")))
    into = ("--out", dice.choice(FOLDERS))
    return [_sheet(dice), *_some(dice, only, into, ("--force",), ("--no-cache",), ("--json",))]


def _measure(dice: random.Random) -> list[str]:
    picture = dice.choice(STEMS_OF_NAMES) + dice.choice((".png", ".svg", ".pdf"))
    options = (("--plot", picture), ("--by-section",), ("--against-references",), ("--csv",))
    return [dice.choice((_sheet(dice), "stems/kick.wav", _sound(dice))), *_some(dice, *options)]


def _compare(dice: random.Random) -> list[str]:
    form = ("--format", dice.choice(("text", "markdown", "json", "html")))
    options = _some(dice, form, ("--only-sheet",), ("--exit-code",))
    if dice.random() < 0.4:
        return [
            "--rev",
            dice.choice(("HEAD", "HEAD..", "HEAD~1", "nope", "")),
            _sheet(dice),
            *options,
        ]
    return [dice.choice(("before.yaml", "HEAD:mix.yaml", _sheet(dice))), _sheet(dice), *options]


def _review(dice: random.Random) -> list[str]:
    against = ("--against", dice.choice(("before.yaml", "HEAD", "nowhere.yaml")))
    return [_sheet(dice), *_some(dice, against, ("--out", dice.choice(FOLDERS)), ("--json",))]


def _log(dice: random.Random) -> list[str]:
    into = ("--out", dice.choice(STEMS_OF_NAMES) + dice.choice((".md", ".txt", ".json")))
    return [_sheet(dice), *_some(dice, into, ("--md",), ("--json",), likely=0.4)]


def _check(dice: random.Random) -> list[str]:
    form = ("--format", dice.choice(("json", "github", "sarif", "markdown")))
    return [_sheet(dice), *_some(dice, form, ("--strict",), ("--all",), ("--step", "eq"))]


def _tidy(dice: random.Random) -> list[str]:
    more = [(_sheet(dice),)]
    return [_sheet(dice), *_some(dice, *more, ("--check",), ("--diff",))]


def _verify(dice: random.Random) -> list[str]:
    return [dice.choice(FOLDERS), *_some(dice, ("--rerender",), ("--json",), ("--all",))]


VERBS: dict[str, Callable[[random.Random], list[str]]] = {
    "render": _render,
    "bypass": _bypass,
    "deliver": _deliver,
    "measure": _measure,
    "compare": _compare,
    "review": _review,
    "log": _log,
    "check": _check,
    "tidy": _tidy,
    "verify": _verify,
    "validate": lambda dice: [_sheet(dice), *_some(dice, ("--json",))],
    "inspect": lambda dice: [dice.choice(("stems", _sheet(dice), ".")), *_some(dice, ("--json",))],
}


def edited(home: Path, name: str) -> None:
    """Do one edit to the song's folder, where it can be done."""
    try:
        EDITS[name](home)
    except (FileNotFoundError, FileExistsError):
        return  # an edit before this one has taken what it is about


def _replaced(old: str, new: str) -> Callable[[Path], None]:
    def edit(home: Path) -> None:
        sheet = home / "mix.yaml"
        sheet.write_text(sheet.read_text("utf-8").replace(old, new), "utf-8")

    return edit


def _foreign(*names: str) -> Callable[[Path], None]:
    """Put files of someone else where ours would go."""

    def edit(home: Path) -> None:
        for name in names:
            path = home / name
            path.parent.mkdir(exist_ok=True)
            if not os.path.lexists(path):
                path.write_bytes(FOREIGN)

    return edit


def _links(home: Path) -> None:
    (home / "linked").symlink_to("out")
    (home / "loop").symlink_to("loop")
    for end in (".wav", ".png", ".md"):
        (home / f"loop{end}").symlink_to(f"loop{end}")
        (home / f"link{end}").symlink_to("stems/kick.wav")
    (home / "link.yaml").symlink_to("mix.yaml")
    (home / "nowhere.wav").symlink_to("no-such-file")


def _fifo(home: Path) -> None:
    os.mkfifo(home / "fifo.wav")


EDITS: dict[str, Callable[[Path], None]] = {
    "fader": _replaced("gain_db: -12", "gain_db: -9.5"),
    "loud": _replaced("gain_db: -12", "gain_db: 20"),
    "broken": _replaced("tracks:", "trakcs:"),
    "restored": _replaced("trakcs:", "tracks:"),
    "other case": _replaced("stems/kick.wav", "Stems/Kick.wav"),
    "case again": _replaced("Stems/Kick.wav", "stems/kick.wav"),
    "half": lambda home: os.truncate(home / "mix.yaml", 300),
    "before": lambda home: (home / "before.yaml").replace(home / "mix.yaml") and None,
    "stem away": lambda home: (
        (home / "stems" / "kick.wav").rename(home / "stems" / "k.wav") and None
    ),
    "stem back": lambda home: (
        (home / "stems" / "k.wav").rename(home / "stems" / "kick.wav") and None
    ),
    "stem cut": lambda home: os.truncate(home / "stems" / "lead.wav", 20_001),
    "odd sheet": lambda home: shutil.copyfile(home / "mix.yaml", home / "odd sheet.yaml") and None,
    "foreign": _foreign("foreign.wav", "out/foreign.wav", "out/mix.wav", "mix.wav", "tone.png"),
    "foreign manifest": _foreign("out/manifest.json", "review/index.html", "a b.md", "a b.svg"),
    "folders": lambda home: (home / "folder.wav").mkdir(),
    "foreign pictures": _foreign("mix.png", "out/mix.svg", "foreign.png", "foreign.svg"),
    "links": _links,
    "fifo": _fifo,
    "outside": lambda home: (home.parent / OUTSIDE).write_bytes(FOREIGN) and None,
    "delivery lost": lambda home: shutil.rmtree(home / "out"),
    "no recordings": lambda home: shutil.rmtree(home / "references"),
}
